"""A site as the steps see it: one parcel with what lies around it, in its measuring frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import sqrt

import geopandas
import numpy as np
import shapely
from pydantic import BaseModel, ConfigDict, Field
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.error_model import ErrorForm, RasterError, VectorError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.imagery import Imagery
from lawngis.ground.raster import Grid

from .facts import Facts
from .plan import Finding


class LayerAccuracy(BaseModel):
    """How far the features of one layer can be trusted; what isn't given follows from what is given of all layers."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    position_sd_m: float | None = Field(default=None, ge=0, le=5, description="of an edge, across it: all of it [m]")
    feature_sd_m: float | None = Field(default=None, ge=0, le=5, description="of the shift of a whole feature [m]")
    vertex_sd_m: float | None = Field(default=None, ge=0, le=5, description="of each corner on its own [m]")


class DataAccuracy(BaseModel):
    """How far the data can be trusted: standard deviations, by kind of data."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    position_sd_m: float = Field(
        default=0.10,
        ge=0,
        le=5,
        description="of a mapped edge, across it; default: aerial survey, from memory",
    )
    survey_sd_m: float = Field(
        default=0.0, ge=0, le=5, description="of a shift that all layers share, a part of the former"
    )
    layers: Mapping[str, LayerAccuracy] = Field(default_factory=dict, description="of layers that differ, by name")
    dem_sd_m: float = Field(
        default=0.10, ge=0, le=5, description="of one elevation; default: RMSEz of USGS quality level 1 and 2"
    )
    dem_correlation_m: float = Field(
        default=1.0,
        ge=0.01,
        le=100,
        description="distance over which errors of elevations are alike; default: common practice, no source",
    )
    trunk_sd_m: float = Field(
        default=0.03, ge=0, le=1, description="of a trunk's diameter in the layer trees; default: from memory"
    )
    height_sd_m: float = Field(
        default=0.03, ge=0, le=1, description="of the height of an obstacle, wall, fence or kerb; default: from memory"
    )
    dem_error_form: ErrorForm = Field(
        default="exponential", description="how errors of elevations are alike: exponential (rough) or gaussian"
    )


VECTOR_ACCURACY = ("accuracy:position_sd_m", "accuracy:survey_sd_m", "accuracy:layers")
"""What a step declares that asks for the error of drawn features."""

DEM_ACCURACY = ("accuracy:dem_sd_m", "accuracy:dem_correlation_m", "accuracy:dem_error_form")
"""What a step declares that asks for the error of elevations."""


def vector_error(accuracy: DataAccuracy, layer: str | None = None) -> VectorError:
    """Return how far features of a layer are off; of any layer when None.

    The parts that a layer doesn't give follow from its total, those of the total from what holds for all layers.
    """
    given = accuracy.layers.get(layer or "", LayerAccuracy())
    total_m = accuracy.position_sd_m if given.position_sd_m is None else given.position_sd_m
    whole = VectorError.of_total(total_m, min(accuracy.survey_sd_m, total_m))
    feature_m, vertex_m = given.feature_sd_m, given.vertex_sd_m
    if feature_m is None and vertex_m is None:
        return whole
    own = total_m**2 - whole.survey_m**2
    rest_m = sqrt(max(own - (feature_m or 0.0) ** 2 - (vertex_m or 0.0) ** 2, 0.0))
    return VectorError(
        whole.survey_m, rest_m if feature_m is None else feature_m, rest_m if vertex_m is None else vertex_m
    )


def dem_error(accuracy: DataAccuracy) -> RasterError:
    """Return how far elevations are off."""
    return RasterError(accuracy.dem_sd_m, accuracy.dem_correlation_m, accuracy.dem_error_form)


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


def single_parts(features: geopandas.GeoDataFrame) -> geopandas.GeoDataFrame:
    """Return features with a row for each part of those that have several, numbered anew."""
    several = shapely.get_type_id(features.geometry.to_numpy()) >= shapely.GeometryType.MULTIPOINT
    return features.explode(ignore_index=True) if several.any() else features.reset_index(drop=True)
