"""Paving and kerbs by what goes over them: where cars drive, what lies level with the lawn, what a wheel rolls onto."""

from __future__ import annotations

import geopandas
import numpy as np
import shapely
from numpy.typing import NDArray
from pydantic import Field
from shapely.geometry.base import BaseGeometry

from ..model.site import Site, single_parts
from ..model.step import Parameters

DRIVEN_ON = ("drive", "road")
"""Paving on which cars go: never crossed by a mower, and by a wire in a duct only."""


class BarrierParameters(Parameters):
    """What kerbs and hedges are to a mower; given for one step, it holds for all."""

    kerb_flush_max_m: float = Field(
        default=0.03,
        ge=0,
        le=0.2,
        description="a kerb no higher than this lets the wheel roll onto it; one of unknown height does not [m]",
    )
    hedge_width_m: float = Field(
        default=0.8, ge=0.06, le=4, description="width kept out along a hedge drawn as a line [m]"
    )


def rolled_over(barriers: geopandas.GeoDataFrame, kerb_flush_max_m: float) -> NDArray[np.bool_]:
    """Return which barriers are kerbs so low that a wheel rolls onto them, shape (n,); unknown heights are too high."""
    low = barriers["height_m"].fillna(np.inf).to_numpy(dtype=float) <= kerb_flush_max_m
    return np.asarray((barriers["kind"] == "kerb").to_numpy() & low, dtype=np.bool_)


def level_paving(site: Site) -> geopandas.GeoDataFrame | None:
    """Return the paving at lawn level on which no cars go, a row for each polygon; None when the site has no paving."""
    if "hard_surfaces" not in site.layers:
        return None
    surfaces = site.layers["hard_surfaces"]
    return single_parts(surfaces[(surfaces["level"] == "flush") & ~surfaces["use"].isin(DRIVEN_ON)])


def driven_paving(site: Site) -> list[BaseGeometry]:
    """Return the paving on which cars go."""
    if "hard_surfaces" not in site.layers:
        return []
    surfaces = site.layers["hard_surfaces"]
    return list(surfaces.geometry[surfaces["use"].isin(DRIVEN_ON)])


def made_as(paving: geopandas.GeoDataFrame, *surfaces: str) -> BaseGeometry:
    """Return where paving is of some of the surfaces that a site tells apart; what isn't told is ``unknown``."""
    told = paving["surface"].fillna("unknown")
    return shapely.union_all(paving.geometry[told.isin(surfaces)].to_numpy())
