"""Where a dock may stand: places along the wire, the must-haves of each, and how they score against one another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pydantic import Field, field_validator
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.dock.placing import (
    Candidates,
    Feasibility,
    MustHave,
    candidate_places,
    distances_m,
    feasibility,
    pad_polygons,
    room_shares,
)
from lawngis.geometry.routes import route_lengths_m
from lawngis.ground.hollows import hollows
from lawngis.ground.mower_slope import MowerSlope, standing_slope
from lawngis.ground.raster import Grid, layered_values_at, values_at
from lawngis.mower import MowerProfile

from ..model.plan import Plan
from ..model.site import Site, dem_error
from .cable_routing import supply_field
from .doubt import DoubtParameters
from .exposure import STANDING_SURFACE, HotHours, ground_around, obstruction_surface, shade_shares, street_sight_shares
from .loops import LoopGround
from .paving import driven_paving, level_paving

FloatArray = NDArray[np.float64]

SAME_PLACE_M = 0.01
"""Candidates no farther apart stand in one place, whichever way they face."""

PADS_APART_M2 = 1e-6
"""Pads that share less than this touch at most."""


class DockParameters(DoubtParameters):
    """How places are looked for and compared."""

    spacing_m: float = Field(default=0.5, ge=0.1, le=5, description="distance between places along the wire [m]")
    alternatives_apart_m: float = Field(
        default=5.0, ge=0, le=100, description="distance between the best few alternatives [m]"
    )
    draws: int = Field(default=2000, ge=1, le=100000, description="random weightings for first_rank_share")
    seed: int = Field(default=1, ge=0, le=2**31, description="seed of the random weightings")
    hollow_depth_min_m: float = Field(
        default=0.10, ge=0, le=5, description="water standing deeper than this in a hollow keeps the dock out [m]"
    )
    hollow_area_min_m2: float = Field(default=2.0, ge=0, le=1000, description="smallest hollow that counts [m²]")
    room_min_share: float = Field(default=0.9, ge=0, le=1, description="share of the pad that must lie on lawn")
    season_months: tuple[int, ...] | None = Field(
        default=None, description="months in which shade counts, 1 to 12; absent: the hemisphere's mowing season"
    )
    hot_from_h: float = Field(default=11.0, ge=0, le=24, description="begin of the hot hours, solar time")
    hot_to_h: float = Field(default=17.0, ge=0, le=24, description="end of the hot hours, solar time")

    @field_validator("season_months", mode="before")
    @classmethod
    def _from_text(cls, value: Any) -> Any:
        return tuple(value.split(",")) if isinstance(value, str) else value

    @field_validator("season_months")
    @classmethod
    def _known_months(cls, value: tuple[int, ...] | None) -> tuple[int, ...] | None:
        if value is not None and (not value or any(not 1 <= month <= 12 for month in value)):
            raise ValueError("months go from 1 to 12")
        return value

    @property
    def hot_hours(self) -> HotHours:
        """When shade counts."""
        return HotHours(self.season_months, self.hot_from_h, self.hot_to_h)


@dataclass(frozen=True, eq=False)
class DockPlaces:
    """Raw figures of the places of one loop, one row each.

    `pads` are the bases of the docks [m]; `zone_no` the numbers of their zones among the loop's; `measured` says whose
    own slope somebody measured.
    """

    places: Candidates
    zone_no: NDArray[np.int64]
    pads: NDArray[np.object_]
    slope_percent: FloatArray
    slope_sd_percent: FloatArray
    sprinkler_m: FloatArray
    outlet_m: FloatArray
    supply_m: FloatArray
    passage_m: FloatArray
    danger_m: FloatArray
    vehicle_m: FloatArray
    island_m: FloatArray
    hollow_m: FloatArray
    room_share: FloatArray
    central_m: FloatArray
    approach_percent: FloatArray
    approach_sd_percent: FloatArray
    shade_share: FloatArray
    sight_share: FloatArray
    neighbour_m: FloatArray
    bed_m: FloatArray
    measured: NDArray[np.bool_]

    def with_pad_slopes(self, readings: Sequence[tuple[BaseGeometry, float]]) -> DockPlaces:
        """Return the places with measured slopes [%] of the ground under docks.

        A reading is taken under the dock that stands at its place, and holds for every pad that overlaps that one: of
        several the steepest. Only where it was taken is a place measured itself, and has its own reading alone.
        """
        slope, sd, measured = self.slope_percent.copy(), self.slope_sd_percent.copy(), self.measured.copy()
        own, shared = np.full(len(slope), -np.inf), np.full(len(slope), -np.inf)
        points = shapely.points(self.places.xy)
        for place, percent in readings:
            here = shapely.dwithin(points, place, SAME_PLACE_M)
            ground = shapely.union_all(self.pads[here])
            overlaps = shapely.area(shapely.intersection(self.pads, ground)) > PADS_APART_M2
            own[here] = np.maximum(own[here], percent)
            shared[overlaps] = np.maximum(shared[overlaps], percent)
        told = np.where(np.isfinite(own), own, shared)
        slope[np.isfinite(told)] = told[np.isfinite(told)]
        sd[np.isfinite(own)], measured[np.isfinite(own)] = 0.0, True
        return replace(self, slope_percent=slope, slope_sd_percent=sd, measured=measured)


def dock_places(
    site: Site,
    plan: Plan,
    loop: LoopGround,
    mower: MowerProfile,
    parameters: DockParameters,
    also: Sequence[BaseGeometry] = (),
) -> DockPlaces:
    """Return the places along the wire of a loop in all its zones, with what decides about a dock at each.

    Those of the home zone come first. Sun and sight take long: elsewhere they are looked at where a dock may stand.

    Parameters
    ----------
    site, plan
        The parcel, and its plan as far as the edges.
    loop
        Loop with ground inside its wire.
    mower, parameters
        Profile, and how places are looked for.
    also
        Further points on that wire [m].
    """
    ground = loop.ground or Polygon()
    lawn = shapely.MultiPolygon([zone["geometry"] for zone in loop.zones])
    ring = ground.exterior
    further = shapely.line_locate_point(ring, list(also))
    found = candidate_places(shapely.get_coordinates(ring), spacing_m=parameters.spacing_m, also_at_m=further)
    along, zone_no = _in_zones(found, loop)
    places, which = _both_ways(along, mower)
    slope, sd, *_ = slope_of_pads(site, mower)
    approach_percent, approach_sd_percent = _approach_percent(site, [slope, sd], places, mower.dock_straight_ahead_m)
    ways = supply_field(site, plan, mower)
    slope_percent, slope_sd_percent = layered_values_at([slope, sd], site.frame, along.xy)
    others = [shape for shape in site.geometries("buildings") if not shape.intersects(site.parcel)]
    xy = along.xy
    # Whichever way the dock faces: once for each place.
    of_place = {
        "slope_percent": slope_percent,
        "slope_sd_percent": slope_sd_percent,
        "sprinkler_m": distances_m(xy, site.geometries("sprinklers")),
        "outlet_m": distances_m(xy, site.geometries("outlets")),
        "supply_m": np.full(len(xy), np.nan) if ways is None else route_lengths_m(ways.field, xy),
        "passage_m": distances_m(xy, list(loop.strips)),
        "danger_m": distances_m(
            xy, [edge["geometry"] for edge in loop.edges if edge["edge_class"] in ("water", "drop")]
        ),
        "vehicle_m": distances_m(xy, driven_paving(site)),
        "island_m": distances_m(xy, list(ground.interiors)),
        "hollow_m": _hollow_m(site, xy, parameters),
        "central_m": distances_m(xy, [loop.zones[0]["geometry"].centroid]),
        "room_share": _room_shares(site, along, lawn, mower),
        "shade_share": np.full(len(xy), np.nan),
        "sight_share": np.full(len(xy), np.nan),
        "neighbour_m": distances_m(xy, others),
        "bed_m": distances_m(xy, site.geometries("beds")),
    }
    mapped = DockPlaces(
        places=places,
        zone_no=zone_no[which],
        pads=_pads(along, mower)[which],
        measured=np.zeros(len(places), dtype=np.bool_),
        approach_percent=approach_percent,
        approach_sd_percent=approach_sd_percent,
        **{name: values[which] for name, values in of_place.items()},
    )
    asked = bool(site.facts.docks or site.facts.pad_slopes or len(also))
    worth = asked | (mapped.zone_no == 0) | dock_feasibility(mapped, mower, parameters).feasible
    return _with_exposure(site, plan, mapped, np.unique(which[worth]), which, mower, parameters)


def _with_exposure(
    site: Site,
    plan: Plan,
    mapped: DockPlaces,
    worth: NDArray[np.int64],
    which: NDArray[np.int64],
    mower: MowerProfile,
    parameters: DockParameters,
) -> DockPlaces:
    """Return places with the sun and the sight from the street of those that are worth it, of all `which` there are."""
    surface = plan.derived(STANDING_SURFACE, lambda: obstruction_surface(site))
    xy = mapped.places.xy[worth]  # places come first, those that face the other way after them
    height_m = values_at(site.dem if site.has_terrain else ground_around(site), site.frame, xy)
    tops = np.column_stack([xy, height_m + mower.dock_height_m])
    shade, sight = np.full((2, len(which)), np.nan)
    shade[worth] = shade_shares(site, surface, tops, parameters.hot_hours)
    sight[worth] = street_sight_shares(site, surface, tops, eye_height_m=mower.street_eye_height_m)
    return replace(mapped, shade_share=shade[which], sight_share=sight[which])


def slope_of_pads(site: Site, mower: MowerProfile) -> MowerSlope:
    """Return the slope that the base of a dock has, and how sure its gradient is, on the terrain model's cells."""
    error = dem_error(site.accuracy)
    return standing_slope(site.dem, wide_m=mower.dock_pad_length_m, z_sd_m=error.sd_m, correlation=error.correlation)


def _pads(along: Candidates, mower: MowerProfile) -> NDArray[np.object_]:
    """Return the bases of docks inside the wire, shape (n,)."""
    half_m = mower.dock_pad_length_m / 2
    ends = {"behind_m": half_m, "ahead_m": half_m}
    pads = pad_polygons(along.xy, along.direction_deg, **ends, inside_m=mower.dock_pad_width_m)
    return np.asarray(pads, dtype=object)


def _room_shares(site: Site, along: Candidates, lawn: MultiPolygon, mower: MowerProfile) -> FloatArray:
    """Return the share of the dock's base that has room, shape (n,): on the lawn, or beside it on level paving."""
    width_m = mower.dock_pad_width_m
    length = {"behind_m": mower.dock_pad_length_m / 2, "ahead_m": mower.dock_pad_length_m / 2}
    shares = room_shares(_pads(along, mower), lawn)
    partly = np.flatnonzero(shares < 1)
    if not partly.size:
        return shares
    xy, wire_deg = along.xy[partly], along.direction_deg[partly]
    beside = pad_polygons(xy, wire_deg, **length, inside_m=0.0, outside_m=width_m)
    paving = level_paving(site)
    level = lawn if paving is None else shapely.union_all([lawn, *paving.geometry])
    shares[partly] = np.maximum(shares[partly], room_shares(beside, level))
    return shares


def _hollow_m(site: Site, xy: FloatArray, parameters: DockParameters) -> FloatArray:
    """Return how deep the hollow is in which each place lies, shape (n,) [m]; 0 where water runs off."""
    depth = np.zeros(len(xy))
    for hollow in hollows(
        site.dem, site.frame, depth_min_m=parameters.hollow_depth_min_m, area_min_m2=parameters.hollow_area_min_m2
    ):
        inside = shapely.contains_xy(hollow.polygon, xy[:, 0], xy[:, 1])
        depth[inside] = np.maximum(depth[inside], hollow.depth_m)
    return depth


def _approach_percent(
    site: Site, slope_and_sd: Sequence[Grid], places: Candidates, length_m: float
) -> tuple[FloatArray, FloatArray]:
    """Return the steepest ground on the straight way in, ahead of the dock, and its sd, shape (n,) each [percent]."""
    angle = np.radians(places.direction_deg)
    forward = np.column_stack([np.sin(angle), np.cos(angle)])
    steps = np.linspace(0.0, length_m, max(2, int(np.ceil(length_m / 0.5)) + 1))
    ahead = (places.xy[:, None, :] + steps[:, None] * forward[:, None, :]).reshape(-1, 2)
    values, sds = layered_values_at(slope_and_sd, site.frame, ahead).reshape(2, len(places), -1)
    values = np.where(np.isfinite(values), values, -np.inf)
    steepest = values.argmax(axis=1)[:, None]
    value, sd = (np.take_along_axis(array, steepest, axis=1)[:, 0] for array in (values, sds))
    return np.where(np.isfinite(value), value, np.nan), sd


def _both_ways(along: Candidates, mower: MowerProfile) -> tuple[Candidates, NDArray[np.int64]]:
    """Return the places with a second heading where the wire is straight enough both ways.

    A mower comes home along the wire either way round, from ahead of the dock: it drives against the direction in which
    the dock looks. Which of the places given each is comes second.
    """
    ahead, behind = along.straight_behind_m, along.straight_ahead_m
    turned = np.flatnonzero((ahead >= mower.dock_straight_ahead_m) & (behind >= mower.dock_straight_behind_m))
    other = replace(
        along, direction_deg=(along.direction_deg + 180) % 360, straight_ahead_m=ahead, straight_behind_m=behind
    )
    both = {name: np.concatenate([values, getattr(other, name)[turned]]) for name, values in vars(along).items()}
    which = np.concatenate([np.arange(len(along)), turned])
    return Candidates(**both), which


def _in_zones(places: Candidates, loop: LoopGround) -> tuple[Candidates, NDArray[np.int64]]:
    """Return the places that lie in a zone, and the number of that; what lies in a passage is none."""
    inside = [shapely.intersects_xy(zone["geometry"], places.xy[:, 0], places.xy[:, 1]) for zone in loop.zones]
    first = np.where(np.any(inside, axis=0), np.argmax(inside, axis=0), len(inside))
    order = np.argsort(first, kind="stable")[: np.count_nonzero(first < len(inside))]
    return Candidates(**{name: values[order] for name, values in vars(places).items()}), first[order]


def must_haves(measured: DockPlaces, mower: MowerProfile, parameters: DockParameters) -> list[MustHave]:
    """Return what must hold of places, with its values there."""
    places = measured.places
    return [
        MustHave("pad_slope", "slope of the pad", measured.slope_percent, mower.dock_slope_max_percent, "max", "%"),
        MustHave("ahead", "straight wire ahead", places.straight_ahead_m, mower.dock_straight_ahead_m, "min", "m"),
        MustHave("behind", "straight wire behind", places.straight_behind_m, mower.dock_straight_behind_m, "min", "m"),
        MustHave("corner", "way to the next corner", places.corner_m, mower.dock_corner_min_m, "min", "m"),
        MustHave("sprinkler", "distance to a sprinkler", measured.sprinkler_m, mower.dock_sprinkler_min_m, "min", "m"),
        MustHave("supply", "supply cable", measured.supply_m, mower.supply_cable_max_m, "max", "m"),
        MustHave("passage", "distance to a passage", measured.passage_m, mower.dock_passage_min_m, "min", "m"),
        MustHave("vehicle", "distance to a drive or road", measured.vehicle_m, mower.dock_vehicle_min_m, "min", "m"),
        MustHave("danger", "distance to water or a drop", measured.danger_m, mower.dock_danger_min_m, "min", "m"),
        MustHave("island", "distance to an island's wire", measured.island_m, mower.dock_wire_min_m, "min", "m"),
        MustHave("hollow", "depth of the hollow it stands in", measured.hollow_m, 0.0, "max", "m"),
        MustHave(
            "approach",
            "slope of the approach",
            measured.approach_percent,
            mower.dock_approach_slope_max_percent,
            "max",
            "%",
        ),
        MustHave("room", "room for the pad", measured.room_share, parameters.room_min_share, "min", "of it"),
    ]


def dock_feasibility(measured: DockPlaces, mower: MowerProfile, parameters: DockParameters) -> Feasibility:
    """Return which places of a loop meet all that must hold."""
    return feasibility(must_haves(measured, mower, parameters), len(measured.places))
