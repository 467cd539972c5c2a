"""A site as the steps see it: one parcel with what lies around it, in its measuring frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import geopandas
import numpy as np
from pydantic import BaseModel, ConfigDict, Field
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.imagery import Imagery
from lawngis.ground.raster import Grid

from .facts import Facts
from .plan import Finding


class DataAccuracy(BaseModel):
    """How far the data can be trusted: standard deviations, by kind of data."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    position_sd_m: float = Field(
        default=0.10,
        ge=0,
        le=5,
        description="of a mapped edge, across it; default: aerial survey, from memory",
    )
    dem_sd_m: float = Field(
        default=0.10, ge=0, le=5, description="of one elevation; default: RMSEz of USGS quality level 1 and 2"
    )


@dataclass(frozen=True, eq=False, slots=True)
class Site:
    """One parcel, the features and rasters around it, and what was noticed while reading them.

    Parameters
    ----------
    parcel_id, label
        Name and everyday name of the parcel.
    parcel
        Its outline in the frame [m].
    frame
        The measuring frame.
    layers
        Features near the parcel by layer name, in the frame; a layer that the site doesn't have is absent.
    dem
        Elevation of the bare ground on the parcel and a few metres around it [m]; NaN where nothing tells it, all of
        it where there is no terrain model. So no slope follows from ground that is taken as level.
    dsm
        Elevation of the surface on the parcel and its neighbourhood [m], where there is a surface model.
    dem_around
        Elevation of the bare ground in the neighbourhood [m], on which shade and sight stand; read only where there is
        no surface model, and level where there is no terrain model.
    imagery
        Bands of the aerial image around the parcel; None when there is none.
    accuracy
        How far the data can be trusted.
    findings
        What reading noticed: repairs, features left out, layers absent.
    facts
        What somebody measured on site: it counts where maps and models say otherwise.
    complete
        Layers of which the site says that they hold all that is on the parcel.
    """

    parcel_id: str
    label: str
    parcel: Polygon | MultiPolygon
    frame: MeasuringFrame
    layers: Mapping[str, geopandas.GeoDataFrame]
    dem: Grid
    dsm: Grid | None = None
    imagery: Imagery | None = None
    dem_around: Grid | None = None
    accuracy: DataAccuracy = field(default_factory=DataAccuracy)
    findings: tuple[Finding, ...] = ()
    facts: Facts = field(default_factory=Facts)
    complete: tuple[str, ...] = ()

    @property
    def has_terrain(self) -> bool:
        """Whether a terrain model tells anything of the parcel; without one the slope of its ground is unknown."""
        return bool(np.isfinite(self.dem.values).any())

    def geometries(self, layer: str) -> list[BaseGeometry]:
        """Return the geometries of a layer near the parcel; empty when the site has no such layer."""
        try:
            features = self.layers[layer]
        except KeyError:
            return []
        return list(features.geometry)
