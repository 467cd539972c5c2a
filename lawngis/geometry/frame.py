"""The measuring frame: a local plane in which one unit is one metre on the ground."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from math import atan2, cos, degrees, radians

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Transformer
from pyproj.crs import ProjectedCRS
from pyproj.crs.coordinate_operation import TransverseMercatorConversion
from pyproj.enums import TransformDirection
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError
from lawngis.geometry.polygons import repaired


@dataclass(frozen=True)
class MeasuringFrame:
    """Transverse Mercator plane, scale 1, centred on one site, on the datum of the site's own CRS.

    At a distance *d* from the central meridian the scale is 1 + d²/2R² (R, Earth's radius), so lengths are
    true to 1e-8 within a kilometre of the centre and to 1e-6 within nine.

    Parameters
    ----------
    source
        CRS in which the site came and to which results go back.
    longitude_deg, latitude_deg
        Centre, in the geographic CRS that `source` is based on [degrees].
    """

    source: CRS
    longitude_deg: float
    latitude_deg: float

    @classmethod
    def centred_on(cls, geometry: BaseGeometry, source: CRS) -> MeasuringFrame:
        """Return the frame whose origin is the middle of a geometry's bounding box.

        Raises
        ------
        ParameterError
            When the geometry is empty, or its coordinates don't fit the CRS.
        """
        if geometry.is_empty:
            raise ParameterError("a measuring frame needs a geometry that is not empty")
        source = horizontal_crs(source)
        min_x, min_y, max_x, max_y = geometry.bounds
        longitude, latitude = _degrees(source, [[(min_x + max_x) / 2, (min_y + max_y) / 2]])[0]
        if not (np.isfinite(longitude) and np.isfinite(latitude) and abs(latitude) <= 90):
            raise ParameterError(
                f"coordinates around ({min_x:.6g}, {min_y:.6g}) do not fit {source.name}",
                advice="Check that the layer's CRS is the one its coordinates are in.",
            )
        return cls(source, round(float(longitude), 9), round(float(latitude), 9))

    @cached_property
    def crs(self) -> CRS:
        """The frame's own CRS, in metres."""
        conversion = TransverseMercatorConversion(
            latitude_natural_origin=self.latitude_deg,
            longitude_natural_origin=self.longitude_deg,
            scale_factor_natural_origin=1.0,
        )
        return ProjectedCRS(conversion, name="lawngis measuring frame", geodetic_crs=_geographic(self.source))

    def to_frame(self, geometries: ArrayLike, source: CRS | None = None) -> NDArray[np.object_]:
        """Return geometries moved from `source` (default: the site's CRS) into the frame.

        A polygon whose rings touch in one CRS may cross itself by rounding in another: what was valid is valid again.
        """
        crs = source or self.source
        moved = _moved(geometries, lambda xy: self.coordinates_from(crs, xy))
        return _kept_valid(np.asarray(geometries, dtype=object), moved)

    def to_source(self, geometries: ArrayLike) -> NDArray[np.object_]:
        """Return geometries moved from the frame back to the site's CRS."""
        return _moved(geometries, lambda xy: self.coordinates_in(self.source, xy))

    def coordinates_in(self, crs: CRS, xy: ArrayLike) -> FloatArray:
        """Return frame coordinates, shape (n, 2) [m], as coordinates of `crs`, shape (n, 2)."""
        degrees_xy = _transformed(self._projection, xy, inverse=True)
        return _transformed(_from_degrees(self.source, crs), degrees_xy)

    def coordinates_from(self, crs: CRS, xy: ArrayLike) -> FloatArray:
        """Return coordinates of `crs`, shape (n, 2), as frame coordinates, shape (n, 2) [m]."""
        degrees_xy = _transformed(_from_degrees(self.source, crs), xy, inverse=True)
        return _transformed(self._projection, degrees_xy)

    @cached_property
    def _projection(self) -> Transformer:
        """From longitude and latitude to the frame.

        Made from the bare projection: making it from the frame's CRS takes a hundred times longer.
        """
        ellipsoid = _geographic(self.source).ellipsoid
        if ellipsoid is None:
            raise ParameterError(f"{self.source.name} has no ellipsoid")
        return Transformer.from_pipeline(
            "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
            f"+step +proj=tmerc +lat_0={self.latitude_deg!r} +lon_0={self.longitude_deg!r} +k=1 +x_0=0 +y_0=0 "
            f"+a={ellipsoid.semi_major_metre!r} +b={ellipsoid.semi_minor_metre!r}"
        )

    def grid_heading_deg(self, heading_deg: float) -> float:
        """Return a heading in the frame as one from grid north of the site's CRS, clockwise [degrees]."""
        return (heading_deg + self._north_deg) % 360

    @cached_property
    def _north_deg(self) -> float:
        """Heading of the frame's north, at its origin, from grid north of the site's CRS [degrees]."""
        ends = self.coordinates_in(self.source, [[0.0, 0.0], [0.0, 10.0]])
        east, north = ends[1] - ends[0]
        if self.source.is_geographic:
            east *= cos(radians(self.latitude_deg))
        return degrees(atan2(east, north))


def flat(geometries: ArrayLike) -> NDArray[np.object_]:
    """Return geometries with x and y alone; those that are all flat already are not copied."""
    shapes = np.asarray(geometries, dtype=object)
    raised = (shapely.get_coordinate_dimension(shapes) > 2).any()
    return np.asarray(shapely.force_2d(shapes), dtype=object) if raised else shapes


def horizontal_crs(crs: CRS) -> CRS:
    """Return a CRS without its vertical part."""
    return crs.to_2d() if len(crs.axis_info) > 2 or crs.is_compound else crs


def upward_unit_m(crs: CRS) -> float | None:
    """Return the length of one unit of height in a CRS [m]; None where it has no vertical part."""
    axes = [axis for part in (crs.sub_crs_list or [crs]) for axis in part.axis_info]
    units_m = [axis.unit_conversion_factor for axis in axes if axis.direction in ("up", "down")]
    return float(units_m[0]) if units_m else None


def _geographic(crs: CRS) -> CRS:
    geographic = crs.geodetic_crs
    if geographic is None:
        raise ParameterError(
            f"{crs.name} is not a CRS on the Earth", advice="Give the layer a geographic or projected CRS."
        )
    return horizontal_crs(geographic)


_transformers: dict[tuple[str, str], Transformer] = {}


def _from_degrees(source: CRS, target: CRS) -> Transformer:
    """Return the transformer from degrees on a CRS's datum to another CRS, made at the first call only.

    All frames of a site share it: making one takes longer than moving a parcel with it.
    """
    key = (source.srs, target.srs)
    if key not in _transformers:
        geographic = _geographic(source)
        if not np.isclose(geographic.axis_info[0].unit_conversion_factor, radians(1), rtol=1e-9):
            raise ParameterError(
                f"{source.name} is based on angles in {geographic.axis_info[0].unit_name}",
                advice="Reproject the layers to a CRS based on degrees.",
            )
        _transformers[key] = Transformer.from_crs(geographic, horizontal_crs(target), always_xy=True)
    return _transformers[key]


def _degrees(source: CRS, xy: ArrayLike) -> FloatArray:
    return _transformed(_from_degrees(source, source), xy, inverse=True)


def _transformed(transformer: Transformer, xy: ArrayLike, *, inverse: bool = False) -> FloatArray:
    points = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    direction = TransformDirection.INVERSE if inverse else TransformDirection.FORWARD
    return np.column_stack(transformer.transform(points[:, 0], points[:, 1], direction=direction))


def _moved(geometries: ArrayLike, move: Callable[[FloatArray], FloatArray]) -> NDArray[np.object_]:
    return np.asarray(shapely.transform(flat(geometries), move), dtype=object)


def _kept_valid(before: NDArray[np.object_], moved: NDArray[np.object_]) -> NDArray[np.object_]:
    """Return moved geometries, with those polygons repaired that only moving has made invalid."""
    broken = (shapely.get_dimensions(moved) == 2) & ~shapely.is_valid(moved) & shapely.is_valid(before)
    if broken.any():
        moved[broken] = [repaired(geometry).geometry for geometry in moved[broken]]
    return moved
