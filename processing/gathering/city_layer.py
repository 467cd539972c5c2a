"""The layer of buildings from city models."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import geopandas
import pandas as pd

from ..files.city_models import OBJECT_NUMBER, city_buildings
from .map_extract import MAP_NUMBER

NAMED_MAX = 20
"""So many buildings without an outline are named."""


@dataclass(frozen=True)
class CityLayer:
    """Buildings of city models, whom to name for them, and what somebody should know."""

    table: geopandas.GeoDataFrame
    attribution: str
    notes: tuple[str, ...]


def city_layer(paths: Sequence[Path]) -> CityLayer:
    """Return the buildings of city models, in the CRS of the first.

    Parameters
    ----------
    paths
        One file at least.

    Raises
    ------
    SiteError
        When one can't be read.
    """
    found = {path: city_buildings(path) for path in paths}
    notes = []
    for path, city in found.items():
        if city.without_surfaces:
            notes.append(f"{path.name}: left out, without a surface: {', '.join(city.without_surfaces[:NAMED_MAX])}")
        if not city.vertical_said:
            notes.append(f"{path.name} doesn't say its unit of height: that of x and y is taken")
    crs = found[paths[0]].table.crs
    tables = [city.table.rename(columns={OBJECT_NUMBER: MAP_NUMBER}).to_crs(crs) for city in found.values()]
    titles = dict.fromkeys(city.title or f"maker and licence not told by {path.name}" for path, city in found.items())
    return CityLayer(pd.concat(tables, ignore_index=True), "; ".join(titles), tuple(notes))
