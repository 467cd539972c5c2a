"""Which mower for the parcels of a finished plan: what fits, what it costs, and what a whole portfolio takes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from shapely import MultiPoint, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.errors import ParameterError, PlanError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.mower import MowerProfile, profile_from
from lawngis.mowing.choice import Fit, MowerOffer, ParcelDemand, ZoneDemand, cheapest, mower_fits
from lawngis.mowing.fleet import Fleet, own_mowers, shared_mowers
from lawngis.mowing.mower_prices import MowerBook

from ..derived.coverage import Way, ways
from ..derived.mowing_windows import WeekHours
from ..files import gpkg
from ..model.layers import PLAN_LAYERS
from ..model.plan import Plan, Row, StepResult
from ..steps.schedule import STEP as SCHEDULE
from ..steps.schedule import ScheduleParameters
from .crew_days import crew_days

FloatArray = NDArray[np.float64]

SHARE_WITHIN_M = 500.0
"""As far apart may parcels lie that share a mower; ours, no source."""

CARRY_H = 0.5
CREW_DAY_H = 8.0
"""What it takes to carry a mower on to the next parcel, and a crew's day [h]; ours, no source."""

INSCRIBED_TOLERANCE_M = 0.05

_NEEDED = ("summary", "zones", "links", "wire_path", "dock_candidates", "run_info")
_PASSED_ON = ("zones", "links", "dock_candidates")


@dataclass(frozen=True)
class PlannedParcel:
    """What a parcel of a plan asks of mowers.

    Parameters
    ----------
    parcel_id, label, status, verdict_text
        As in `summary`.
    xy
        Its middle, in the CRS of the plan.
    latitude_deg
        Of its middle [degrees].
    demands
        What each mower there is to do; several where zones with docks of their own have mowers of their own.
    zone_ids
        Zones of each demand.
    steep_m2
        Ground that was kept out as too steep for the plan's mower [m²].
    blocked
        Passages that were too narrow for it: name and width [m].
    """

    parcel_id: str
    label: str
    status: str
    verdict_text: str
    xy: tuple[float, float]
    latitude_deg: float = 0.0
    demands: tuple[ParcelDemand, ...] = ()
    zone_ids: tuple[tuple[str, ...], ...] = ()
    steep_m2: float = 0.0
    blocked: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class PlannedPortfolio:
    """A plan as the choice of mowers needs it.

    Parameters
    ----------
    path
        The file.
    crs
        Of the places.
    parcels
        All of them, in the order of the plan.
    parameters
        Of the step that planned the week.
    slope_limit_percent
        Of the mower that it was planned for.
    """

    path: Path
    crs: CRS
    parcels: tuple[PlannedParcel, ...]
    parameters: ScheduleParameters
    slope_limit_percent: float

    @cached_property
    def compared(self) -> tuple[PlannedParcel, ...]:
        """Parcels with something to mow."""
        return tuple(parcel for parcel in self.parcels if parcel.demands)

    @cached_property
    def left_out(self) -> tuple[PlannedParcel, ...]:
        """Parcels with nothing to mow: failed, or not suitable."""
        return tuple(parcel for parcel in self.parcels if not parcel.demands)

    @cached_property
    def hours(self) -> WeekHours:
        """Hours of the week by which it was planned."""
        return self.parameters.hours_of_week()

    def mowings_week(self, latitude_deg: float) -> float:
        """Return how often a week the grass asks for mowing when it grows most."""
        return float(self.parameters.growth(latitude_deg).mowings.max())


@dataclass(frozen=True)
class NamedFleet:
    """A fleet with what it is, in words."""

    words: str
    fleet: Fleet


@dataclass(frozen=True)
class Comparison:
    """How some mowers fit the parcels of a plan, which is cheapest for each, and what fleets cost.

    Parameters
    ----------
    portfolio
        The plan.
    offers
        The mowers.
    fits
        Of each demand and mower, demand by demand.
    fleets
        The cheapest first; those that leave more parcels unserved come after.
    currency
        Of all prices.
    within_m
        How far apart parcels may share a mower [m].
    """

    portfolio: PlannedPortfolio
    offers: tuple[MowerOffer, ...]
    fits: tuple[Fit, ...]
    fleets: tuple[NamedFleet, ...]
    currency: str
    within_m: float

    @cached_property
    def cheapest(self) -> Mapping[str, Fit | None]:
        """The cheapest mower that fits, by demand."""
        return cheapest(self.fits)

    @cached_property
    def by_demand(self) -> Mapping[str, tuple[Fit, ...]]:
        """Fits of the mowers, in their order, by demand."""
        step = len(self.offers)
        return {self.fits[at].parcel: self.fits[at : at + step] for at in range(0, len(self.fits), step)}


# --- the plan --------------------------------------------------------------------------------------------


def planned_portfolio(path: Path, *, quiet_hours: str | None = None) -> PlannedPortfolio:
    """Return what the parcels of a plan ask of mowers.

    Parameters
    ----------
    path
        ``plan.gpkg``, or the folder that it is in.
    quiet_hours
        TOML file with the hours that local rules permit; those of the plan when absent.

    Raises
    ------
    SiteError, LayerError
        When the file can't be read.
    PlanError
        When it is no plan.
    ParameterError
        When the hours or temperatures of the plan can't be read again.
    """
    path = path / "plan.gpkg" if path.is_dir() else path
    infos = {info.name: info for info in gpkg.layer_overview(path)}
    missing = [name for name in _NEEDED if name not in infos]
    crs = infos["summary"].crs if "summary" in infos else None
    if missing or crs is None:
        what = f"the layer {missing[0]} is missing" if missing else "the layer summary has no CRS"
        raise PlanError(f"is no plan: {what}", where=str(path), advice="Name a plan.gpkg.")
    facts = {row["key"]: row["value"] for row in _records(gpkg.read_table(path, "run_info"))}
    layers = {name: _by_parcel(gpkg.read_layer(path, name, columns=_columns(name))) for name in ("zones", "links")}
    layers["wire_path"] = _by_parcel(gpkg.read_layer(path, "wire_path", columns=_columns("wire_path")))
    layers["dock_candidates"] = _by_parcel(
        gpkg.read_layer(path, "dock_candidates", columns=_columns("dock_candidates"), where="chosen = 1")
    )
    steep = gpkg.read_table(path, "keepouts", columns=["parcel_id", "reason", "area_m2"], where="reason = 'steep'")
    steep_m2 = {str(name): float(area) for name, area in steep.groupby("parcel_id")["area_m2"].sum().items()}
    parameters = _schedule_parameters(facts, quiet_hours)
    wanted = ["parcel_id", "label", "status", "verdict_text"]
    parcels = tuple(
        _parcel(row, {name: rows.get(row["parcel_id"], []) for name, rows in layers.items()}, crs, steep_m2, parameters)
        for row in _records(gpkg.read_layer(path, "summary", columns=wanted))
    )
    limit = float(facts.get("profile.slope_limit_percent") or np.inf)
    return PlannedPortfolio(path, crs, parcels, parameters, limit)


def _columns(layer: str) -> list[str]:
    return [column.name for column in PLAN_LAYERS[layer].columns]


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    plain = pd.DataFrame(table).astype(object)
    return list(plain.where(plain.notna(), None).to_dict("records"))  # type: ignore[arg-type]


def _by_parcel(table: pd.DataFrame) -> dict[str, list[dict[str, Any]]]:
    found: dict[str, list[dict[str, Any]]] = {}
    for row in _records(table):
        found.setdefault(str(row["parcel_id"]), []).append(row)
    return found


def _schedule_parameters(facts: Mapping[str, str | None], quiet_hours: str | None) -> ScheduleParameters:
    start = "step schedule."
    told: dict[str, Any] = {
        key.removeprefix(start): value
        for key, value in facts.items()
        if key.startswith(start) and not key.startswith(f"{start}compare")
    }
    if quiet_hours is not None:
        told["quiet_hours"] = quiet_hours
    parameters = SCHEDULE.parameters_from({key: value for key, value in told.items() if value not in (None, "None")})
    if not isinstance(parameters, ScheduleParameters):
        raise TypeError(f"the step {SCHEDULE.id} takes {type(parameters).__name__}")
    return parameters


def _parcel(
    summary: Row,
    rows: Mapping[str, Sequence[Row]],
    crs: CRS,
    steep_m2: Mapping[str, float],
    parameters: ScheduleParameters,
) -> PlannedParcel:
    outline: BaseGeometry | None = summary["geometry"]
    name = str(summary["parcel_id"])
    told = (name, str(summary["label"] or ""), str(summary["status"]), str(summary["verdict_text"] or ""))
    if outline is None or outline.is_empty or not rows["zones"]:
        return PlannedParcel(*told, xy=(np.nan, np.nan))
    frame = MeasuringFrame.centred_on(outline, crs)
    plan = Plan(name, frame.crs)
    moved = {layer: _in_frame(rows[layer], frame) for layer in (*_PASSED_ON, "wire_path")}
    plan.attach("reading", StepResult({layer: moved[layer] for layer in _PASSED_ON}), _PASSED_ON)
    groups = _groups(plan.rows("zones"), own_mowers=parameters.own_mowers)
    entries, wires = ways(plan), {str(row["loop_id"]): row for row in moved["wire_path"]}
    demands = tuple(
        _demand(name if not number else f"{name}/{group[0]['zone_id']}", group, plan.rows("links"), entries, wires)
        for number, group in enumerate(groups)
    )
    return PlannedParcel(
        *told,
        xy=(outline.centroid.x, outline.centroid.y),
        latitude_deg=frame.latitude_deg,
        demands=demands,
        zone_ids=tuple(tuple(str(zone["zone_id"]) for zone in group) for group in groups),
        steep_m2=steep_m2.get(name, 0.0),
        blocked=tuple((str(row["link_id"]), float(row["width_m"])) for row in plan.select("links", kind="blocked")),
    )


def _in_frame(rows: Sequence[Row], frame: MeasuringFrame) -> list[dict[str, Any]]:
    if not rows:
        return []
    shapes = frame.to_frame([row["geometry"] for row in rows])
    return [
        {**{key: value for key, value in row.items() if key != "parcel_id"}, "geometry": shape}
        for row, shape in zip(rows, shapes, strict=True)
    ]


def _groups(zones: Sequence[Row], *, own_mowers: bool) -> list[list[Row]]:
    """Return the zones of each mower, that of the home zone first."""
    own = [zone for zone in zones if own_mowers and zone["role"] == "detached" and zone["supply"] == "own_dock"]
    rest = [zone for zone in zones if not any(zone is other for other in own)]
    return [group for group in (rest, *([zone] for zone in own)) if group]


def _demand(
    name: str, zones: Sequence[Row], links: Sequence[Row], entries: Mapping[str, Way], wires: Mapping[str, Row]
) -> ParcelDemand:
    used = {zone["reached_by"] for zone in zones}
    loops = {str(zone["loop_id"]) for zone in zones}
    return ParcelDemand(
        name,
        tuple(_zone_demand(zone, entries[str(zone["zone_id"])], wires.get(str(zone["loop_id"]))) for zone in zones),
        min((float(link["width_m"]) for link in links if link["link_id"] in used), default=float("inf")),
        max((float(wires[loop]["length_m"]) for loop in loops if loop in wires), default=0.0),
    )


def _zone_demand(zone: Row, way: Way, wire: Row | None) -> ZoneDemand:
    return ZoneDemand(
        float(zone["area_m2"]),
        float(zone["perimeter_m"]),
        float(zone["slope_p50_percent"] or 0.0),
        float(zone["slope_p95_percent"] or 0.0),
        way.way_m,
        0.0 if wire is None else _farthest_m(zone["geometry"], wire["geometry"]),
        without_dock=zone["role"] == "detached" and zone["supply"] != "own_dock",
    )


def _farthest_m(zone: Polygon, wire: BaseGeometry) -> float:
    """Return the distance from the wire of the farthest of a zone's corners and the middle of its widest place [m].

    Corners count, as ground that the plan's mower doesn't hear is a hole without wire around it.
    """
    radius = shapely.maximum_inscribed_circle(zone, INSCRIBED_TOLERANCE_M)
    places = np.vstack([shapely.get_coordinates(radius)[:1], shapely.get_coordinates(zone)])
    shapely.prepare(wire)
    return float(shapely.distance(wire, shapely.points(places)).max())


# --- the mowers ------------------------------------------------------------------------------------------


def mower_offers(names: Sequence[str], book: MowerBook) -> list[MowerOffer]:
    """Return mowers by profile, each a name or a TOML file, with their prices as far as the book has them.

    Raises
    ------
    ParameterError
        When a profile is unknown or can't be read, or two have one name.
    """
    offers: dict[str, MowerOffer] = {}
    for word in names:
        profile = profile_from(word)
        name = Path(word).stem if word.casefold().endswith(".toml") else word
        if name in offers:
            raise ParameterError(f"two profiles are called {name!r}", advice="Rename the file of one of them.")
        offers[name] = mower_offer(name, profile, book)
    return list(offers.values())


def mower_offer(name: str, profile: MowerProfile, book: MowerBook | None = None) -> MowerOffer:
    """Return the mower of a profile as it is offered, with its price if the book has it."""
    price = book.mowers.get(name) if book else None
    bare = MowerOffer(
        name,
        profile.cutting_width_m,
        profile.speed_mps,
        profile.run_minutes,
        profile.charge_minutes,
        profile.coverage_share,
        profile.mowings_week,
        profile.slope_limit_percent,
        profile.passage_transit_min_m,
        profile.loop_length_max_m,
        signal_reach_max_m=profile.signal_reach_max_m,
    )
    return replace(bare, **price.model_dump()) if price else bare


def comparison(
    portfolio: PlannedPortfolio, offers: Sequence[MowerOffer], book: MowerBook, *, within_m: float = SHARE_WITHIN_M
) -> Comparison:
    """Return how mowers fit the parcels of a plan, and what fleets of them cost.

    Parameters
    ----------
    portfolio
        The plan. Its zones, passages and wire are taken as they are: planned for another mower they may differ.
    offers
        The mowers.
    book
        What they cost.
    within_m
        Farthest that parcels which share a mower lie from the middle of their group [m].
    """
    hours = portfolio.hours
    fits: list[Fit] = []
    for parcel in portfolio.compared:
        often = portfolio.mowings_week(parcel.latitude_deg)
        grown = [replace(offer, mowings_week=max(offer.mowings_week, often)) for offer in offers]
        fits += mower_fits(parcel.demands, grown, wanted=hours.wanted, permitted=hours.permitted)
    groups = _neighbourhoods(portfolio, within_m)
    choices = {"": fits}
    if len(offers) > 1:
        choices |= {offer.name: [fit for fit in fits if fit.mower == offer.name] for offer in offers}
    fleets = []
    for kind, own in choices.items():
        name = f"only {kind}" if kind else "the cheapest for each"
        fleets.append(NamedFleet(name, own_mowers(own, book.sharing)))
        shared = shared_mowers(own, groups, book.sharing)
        if shared.moves_week:
            fleets.append(NamedFleet(f"{name}, shared", shared))
    fleets.sort(key=_fleet_order)
    return Comparison(portfolio, tuple(offers), tuple(fits), tuple(fleets), book.currency, within_m)


def _neighbourhoods(portfolio: PlannedPortfolio, within_m: float) -> list[list[str]]:
    """Return the names of demands in groups that a crew can go round on one day."""
    parcels = portfolio.compared
    if not parcels:
        return []
    xy = np.array([parcel.xy for parcel in parcels])
    frame = MeasuringFrame.centred_on(MultiPoint(xy), portfolio.crs)
    visits = np.full(len(parcels), CARRY_H)
    days = crew_days(frame.coordinates_from(portfolio.crs, xy), visits, radius_m=within_m, day_hours=CREW_DAY_H)
    groups: dict[int, list[str]] = {}
    for day, parcel in zip(days.tolist(), parcels, strict=True):
        groups.setdefault(day, []).extend(demand.name for demand in parcel.demands)
    return list(groups.values())


def _fleet_order(named: NamedFleet) -> tuple[int, float, int]:
    fleet = named.fleet
    return len(fleet.unserved), np.inf if fleet.cost is None else fleet.cost.year, fleet.mowers


# --- what is told ----------------------------------------------------------------------------------------


def comparison_table(found: Comparison) -> pd.DataFrame:
    """Return a row for each demand and mower: whether it fits, why not, hours, prices, and what else it could do."""
    return pd.DataFrame([row for parcel in found.portfolio.compared for row in _parcel_rows(found, parcel)])


def _parcel_rows(found: Comparison, parcel: PlannedParcel) -> list[dict[str, Any]]:
    rows = []
    for demand, zone_ids in zip(parcel.demands, parcel.zone_ids, strict=True):
        best = found.cheapest[demand.name]
        for fit in found.by_demand[demand.name]:
            rows.append(
                {
                    "parcel_id": parcel.parcel_id,
                    "label": parcel.label,
                    "zone_ids": " ".join(zone_ids),
                    "mower": fit.mower,
                    "fits": fit.fits,
                    "cheapest": fit is best,
                    "keeps_up": fit.word,
                    "reason": "; ".join(fit.lacks),
                    "also": "; ".join(may_also(parcel, fit.offer, found.portfolio.slope_limit_percent)),
                    "area_m2": sum(zone.area_m2 for zone in demand.zones),
                    "slope_p95_percent": max(zone.steepest_percent for zone in demand.zones),
                    "passage_m": demand.passage_m if np.isfinite(demand.passage_m) else None,
                    "loop_m": demand.loop_m,
                    "farthest_from_wire_m": max(zone.farthest_m for zone in demand.zones),
                    "mowing_h_week": fit.mowing_h,
                    "missing_h_week": fit.missing_h,
                    "price": fit.price,
                    "price_year": fit.offer.price_year,
                    "currency": found.currency,
                }
            )
    return rows


def may_also(parcel: PlannedParcel, offer: MowerOffer, planned_percent: float) -> list[str]:
    """Return what a mower may do there that the plan's mower can't, in words."""
    words = []
    if parcel.steep_m2 >= 1 and offer.slope_limit_percent > planned_percent:
        words.append(
            f"some of {parcel.steep_m2:.0f} m² kept out as steep may be within its {offer.slope_limit_percent:g} %"
        )
    words += [
        f"the passage {name} of {width:.2f} m, blocked in the plan, is wide enough for it"
        for name, width in parcel.blocked
        if width >= offer.passage_transit_min_m
    ]
    return [f"{text}: plan with its profile to see" for text in words]


def fleet_table(found: Comparison) -> pd.DataFrame:
    """Return a row for each fleet: its mowers by kind, what it leaves out, and what it costs."""
    return pd.DataFrame(
        [
            {
                "fleet": named.words,
                "mowers": named.fleet.mowers,
                "kinds": kinds_words(named.fleet),
                "unserved": len(named.fleet.unserved),
                "moves_week": named.fleet.moves_week,
                "price": named.fleet.cost and named.fleet.cost.purchase,
                "price_year": named.fleet.cost and named.fleet.cost.year,
                "currency": found.currency,
            }
            for named in found.fleets
        ]
    )


def round_table(found: Comparison) -> pd.DataFrame:
    """Return a row for each mower of each fleet: its kind and the parcels that it serves."""
    return pd.DataFrame(
        [
            {"fleet": named.words, "mower_no": number, "mower": one.mower, "parcels": " ".join(one.parcels),
             "moves_week": one.moves_week}
            for named in found.fleets
            for number, one in enumerate(named.fleet.rounds, 1)
        ],
        columns=["fleet", "mower_no", "mower", "parcels", "moves_week"],
    )  # fmt: skip


def kinds_words(fleet: Fleet) -> str:
    """Return how many mowers of each kind a fleet has, in words."""
    counts: dict[str, int] = {}
    for one in fleet.rounds:
        counts[one.mower] = counts.get(one.mower, 0) + 1
    return ", ".join(f"{count} {name}" for name, count in sorted(counts.items()))
