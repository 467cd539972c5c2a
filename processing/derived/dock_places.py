"""Where a dock may stand: places along the wire, the must-haves of each, and how they score against one another."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pydantic import Field, field_validator
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.dock.placing import (
    Candidates,
    Failure,
    Feasibility,
    MustHave,
    candidate_places,
    distances_m,
    feasibility,
    pad_polygons,
    room_shares,
)
from lawngis.dock.scoring import (
    first_rank_shares,
    preference_order,
    scaled_benefit,
    scaled_cost,
    spaced_ranking,
    weighted_scores,
)
from lawngis.geometry.routes import route_lengths_m
from lawngis.ground.hollows import hollows
from lawngis.ground.mower_slope import MowerSlope, standing_slope
from lawngis.ground.raster import Grid, layered_values_at, values_at
from lawngis.mower import MowerProfile

from ..model.catalogue import Said, sentences
from ..model.plan import Plan, Row
from ..model.site import Site, dem_error
from .cable_routing import supply_field
from .doubt import DoubtParameters
from .exposure import STANDING_SURFACE, HotHours, ground_around, obstruction_surface, shade_shares, street_sight_shares
from .loops import LoopGround
from .paving import driven_paving, level_paving

FloatArray = NDArray[np.float64]

CRITERIA = ("shade", "hidden", "supply", "flat", "straight", "central", "neighbours", "beds")
"""Criteria in the order of their columns; one that is unknown leaves the score."""

NEIGHBOUR_FAR_M = 10.0
BED_FAR_M = 2.0
"""Farther than this from a neighbour's house, or from a bed, counts no better; ours, no source."""

STRAIGHT_ENOUGH = 3.0
"""Straight wire ahead beyond this many times the must-have counts no further."""

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

    `pads` are the bases of the docks [m]; `measured` says whose own slope somebody measured.
    """

    places: Candidates
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
    """Return the places along the wire of a loop's first zone, with what decides about a dock at each.

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
    home = loop.zones[0]["geometry"]
    ring = ground.exterior
    further = shapely.line_locate_point(ring, list(also))
    found = candidate_places(shapely.get_coordinates(ring), spacing_m=parameters.spacing_m, also_at_m=further)
    along = _in_zone(found, home)
    places, which = _both_ways(along, mower)
    slope, sd, *_ = slope_of_pads(site, mower)
    approach_percent, approach_sd_percent = _approach_percent(site, [slope, sd], places, mower.dock_straight_ahead_m)
    ways = supply_field(site, plan, mower)
    surface = plan.derived(STANDING_SURFACE, lambda: obstruction_surface(site))
    slope_percent, slope_sd_percent = layered_values_at([slope, sd], site.frame, along.xy)
    height_m = values_at(site.dem if site.has_terrain else ground_around(site), site.frame, along.xy)
    tops = np.column_stack([along.xy, height_m + mower.dock_height_m])
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
        "central_m": distances_m(xy, [home.centroid]),
        "room_share": _room_shares(site, along, home, mower),
        "shade_share": shade_shares(site, surface, tops, parameters.hot_hours),
        "sight_share": street_sight_shares(site, surface, tops, eye_height_m=mower.street_eye_height_m),
        "neighbour_m": distances_m(xy, others),
        "bed_m": distances_m(xy, site.geometries("beds")),
    }
    return DockPlaces(
        places=places,
        pads=_pads(along, mower)[which],
        measured=np.zeros(len(places), dtype=np.bool_),
        approach_percent=approach_percent,
        approach_sd_percent=approach_sd_percent,
        **{name: values[which] for name, values in of_place.items()},
    )


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


def _room_shares(site: Site, along: Candidates, home: Polygon, mower: MowerProfile) -> FloatArray:
    """Return the share of the dock's base that has room, shape (n,): on the lawn, or beside it on level paving."""
    width_m = mower.dock_pad_width_m
    length = {"behind_m": mower.dock_pad_length_m / 2, "ahead_m": mower.dock_pad_length_m / 2}
    shares = room_shares(_pads(along, mower), home)
    partly = np.flatnonzero(shares < 1)
    if not partly.size:
        return shares
    xy, wire_deg = along.xy[partly], along.direction_deg[partly]
    beside = pad_polygons(xy, wire_deg, **length, inside_m=0.0, outside_m=width_m)
    paving = level_paving(site)
    level = home if paving is None else shapely.union_all([home, *paving.geometry])
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


def _in_zone(places: Candidates, home: Polygon) -> Candidates:
    """Return the places that lie in the home zone: a loop runs through the linked ones too."""
    here = shapely.intersects_xy(home, places.xy[:, 0], places.xy[:, 1])
    return Candidates(**{name: values[here] for name, values in vars(places).items()})


def dock_rows(
    site: Site, loop: LoopGround, measured: DockPlaces, mower: MowerProfile, parameters: DockParameters
) -> list[dict[str, Any]]:
    """Return rows of `dock_candidates` for the places of a loop, all but their names and which is chosen."""
    judged = _feasibility(measured, mower, parameters)
    criteria = _scaled(measured, mower)
    weights = [getattr(mower.dock_weight, name) for name in CRITERIA]
    scores = weighted_scores(criteria, weights)
    order = preference_order(scores, judged.failed_count())
    ranks = spaced_ranking(
        measured.places.xy, order, spacing_m=parameters.alternatives_apart_m, eligible=judged.feasible
    )
    shares = first_rank_shares(criteria, weights, judged.feasible, draws=parameters.draws, seed=parameters.seed)
    columns: dict[str, list[object]] = {
        **_raw_columns(site, loop, measured),
        "rank": ranks.tolist(),
        "score": _numbers(scores),
        "feasible": judged.feasible.tolist(),
        "failed": [*_failed_words(judged.failed)],
        "first_rank_share": shares.tolist(),
        **{f"{name}_score": _numbers(scaled) for name, scaled in zip(CRITERIA, criteria.T, strict=True)},
    }
    return [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]


def dock_choice(rows: Sequence[Row], *, wanted: int | None = None, refused: Collection[int] = ()) -> int:
    """Return which of some candidates is the dock: the one that somebody wants, else the best that nobody refused.

    The best has the fewest must-haves against it, then the highest score; whether it is feasible, its row tells.
    """
    if wanted is not None:
        return wanted
    scores = [np.nan if row["score"] is None else row["score"] for row in rows]
    missed = [len(str(row["failed"]).split("; ")) if row["failed"] else 0 for row in rows]
    order: list[int] = preference_order(scores, missed).tolist()
    return next((index for index in order if index not in refused), order[0])


def missed_must_haves(measured: DockPlaces, index: int, mower: MowerProfile, parameters: DockParameters) -> list[Said]:
    """Return what a place misses of what must hold, as parts of a sentence; `index` as of :func:`dock_rows`."""
    return [_failure_part(failure) for failure in _feasibility(measured, mower, parameters).failed[index]]


def _failure_part(failure: Failure) -> Said:
    must = failure.must_have
    return "missed", {
        "case": "under" if must.sense == "min" else "over",
        "must_have": must.name,
        "value": failure.value,
        "limit": must.limit,
        "unit": must.unit,
        "digits": failure.digits,
    }


def _failed_words(failed: Sequence[Sequence[Failure]]) -> list[str | None]:
    """Return what each place misses in words, as the layer of places has it."""
    parts = [[_failure_part(failure) for failure in missed] for missed in failed]
    return [words or None for words in sentences().column("part", parts, "; ")]


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


def _feasibility(measured: DockPlaces, mower: MowerProfile, parameters: DockParameters) -> Feasibility:
    return feasibility(must_haves(measured, mower, parameters), len(measured.places))


def _scaled(measured: DockPlaces, mower: MowerProfile) -> FloatArray:
    """Return the criteria from 0 to 1, shape (n, 8), in the order of CRITERIA; NaN where unknown."""
    enough = STRAIGHT_ENOUGH * mower.dock_straight_ahead_m
    return np.column_stack(
        [
            scaled_benefit(measured.shade_share, worst=0.0, best=1.0),
            scaled_cost(measured.sight_share, worst=1.0, best=0.0),
            scaled_cost(measured.supply_m, worst=mower.supply_cable_max_m, best=0.0),
            scaled_cost(measured.slope_percent, worst=mower.dock_slope_max_percent, best=0.0),
            scaled_benefit(measured.places.straight_ahead_m, worst=0.0, best=enough),
            scaled_cost(measured.central_m),
            scaled_benefit(measured.neighbour_m, worst=0.0, best=NEIGHBOUR_FAR_M),
            scaled_benefit(measured.bed_m, worst=0.0, best=BED_FAR_M),
        ]
    )


def _raw_columns(site: Site, loop: LoopGround, measured: DockPlaces) -> dict[str, list[object]]:
    places = measured.places
    heading = (places.direction_deg + site.frame.grid_heading_deg(0.0)) % 360
    return {
        "zone_id": [loop.zones[0]["zone_id"]] * len(places),
        "heading_deg": heading.tolist(),
        "slope_percent": _numbers(measured.slope_percent),
        "straight_m": _numbers(places.straight_ahead_m),
        "corner_m": _numbers(places.corner_m),
        "sprinkler_m": _numbers(measured.sprinkler_m),
        "outlet_m": _numbers(measured.outlet_m),
        "supply_m": _numbers(measured.supply_m),
        "shade_share": _numbers(measured.shade_share),
        "street_sight_share": _numbers(measured.sight_share),
        "neighbour_m": _numbers(measured.neighbour_m),
        "bed_m": _numbers(measured.bed_m),
        "approach_slope_percent": _numbers(measured.approach_percent),
        "geometry": np.asarray(shapely.points(places.xy), dtype=object).tolist(),
    }


def _numbers(values: FloatArray) -> list[object]:
    """Return finite values as they are, others as None."""
    known = np.isfinite(values)
    numbers: list[object] = values.tolist()
    return numbers if known.all() else [number if here else None for number, here in zip(numbers, known, strict=True)]
