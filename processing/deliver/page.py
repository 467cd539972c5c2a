"""The page: everything about one parcel in one HTML file that opens offline, and the portfolio's index."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import jinja2
import shapely
from markupsafe import Markup

from lawngis import __version__
from lawngis.errors import LawngisError

from ..derived.dock_choice import places_of_loop
from ..model.layers import WEEKDAYS
from ..model.plan import Row
from ..model.readiness import READINESSES, readiness_word
from .formats import Formats
from .map_picture import map_picture, svg_path
from .offer import dates
from .quote import Quote
from .reading import ParcelPlan, data_sources, made_by
from .texts import CAUTIONS, worded

DOCKS_COMPARED = 3

_CRITERIA = (
    ("supply_score", "Short supply cable", "supply_m", "m"),
    ("shade_score", "Shade in the hot hours", "shade_share", "share"),
    ("hidden_score", "Hidden from the street", "street_sight_share", "share"),
    ("flat_score", "Level ground", "slope_percent", "%"),
    ("straight_score", "Straight wire ahead", "straight_m", "m"),
    ("central_score", "Middle of the zone", "", ""),
    ("neighbours_score", "Away from neighbours' houses", "neighbour_m", "m"),
    ("beds_score", "Away from beds", "bed_m", "m"),
)


@dataclass(frozen=True)
class IndexRow:
    """What the portfolio's index says of one parcel; one without documents has no folder, and a `failure` instead."""

    parcel_id: str
    label: str
    readiness: str
    verdict: str
    figures: Mapping[str, Any]
    folder: str
    files: Sequence[str]
    outline: Sequence[Sequence[tuple[float, float]]]
    failure: LawngisError | None = None


@lru_cache(maxsize=1)
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader(__package__),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def page(plan: ParcelPlan, offer: Quote, formats: Formats, files: Sequence[str] = ()) -> bytes:
    """Return the page of one parcel.

    Parameters
    ----------
    plan
        The parcel.
    offer
        What it costs.
    formats
        How figures are written.
    files
        Names of the other documents beside it, to be linked.
    """
    template = _environment().get_template("page.html.j2")
    text = template.render(
        **_seen_first(plan, formats),
        rows=plan.rows,
        offer=offer,
        dates=dates(offer, formats),
        worded=worded,
        readinesses=READINESSES,
        docks=[_dock(plan, row, formats) for row in plan.select("dock_candidates", chosen=True)],
        slopes=_slopes(plan),
        slope_top=_slope_top(plan),
        slope_limit=_limit(plan, "profile.slope_limit_percent"),
        edge_limit=_limit(plan, "profile.edge_slope_limit_percent"),
        week=_week(plan.rows["schedule"]),
        files=files,
        cautions=CAUTIONS,
        sources=data_sources(plan.run_info, formats),
        made_by=made_by(plan.run_info),
    )
    return _as_utf8(text)


def glance(plan: ParcelPlan, formats: Formats) -> str:
    """Return verdict and map of one parcel as a page that opens offline.

    Parameters
    ----------
    plan
        The parcel.
    formats
        How figures are written.
    """
    return _environment().get_template("glance.html.j2").render(**_seen_first(plan, formats), files=())


def _seen_first(plan: ParcelPlan, formats: Formats) -> dict[str, Any]:
    """What the head of a page and its map need."""
    return {
        "plan": plan,
        "summary": plan.summary,
        "map": None if plan.outline.is_empty else map_picture(plan, formats),
        "f": formats,
        "readiness_word": readiness_word,
        "version": __version__,
        "language": formats.locale.replace("_", "-"),
    }


def index_page(rows: Sequence[IndexRow], run_info: Mapping[str, str], of_run: Sequence[Row], formats: Formats) -> bytes:
    """Return the portfolio's index: map, a table that sorts and filters, and findings that hold for all parcels."""
    template = _environment().get_template("index.html.j2")
    text = template.render(
        rows=rows,
        of_run=of_run,
        map=_index_map(rows),
        price_title=_price_title(rows),
        f=formats,
        worded=worded,
        readiness_word=readiness_word,
        readinesses=READINESSES,
        cautions=CAUTIONS,
        sources=data_sources(run_info, formats),
        made_by=made_by(run_info),
        version=__version__,
        language=formats.locale.replace("_", "-"),
    )
    return _as_utf8(text)


def _price_title(rows: Sequence[IndexRow]) -> str:
    """Say once of all prices in which currency they are, and whether VAT is in them."""
    priced = [row.figures for row in rows if row.figures["total"] is not None]
    known = [dict.fromkeys(figures[name] for figures in priced) for name in ("currency", "price_of")]
    return " ".join(["Price", *(" or ".join(words) for words in known)])


def _as_utf8(text: str) -> bytes:
    return text.encode("utf-8", "replace")  # a lone surrogate in a name must not cost the page


def _limit(plan: ParcelPlan, key: str) -> float | None:
    value = plan.run_info.get(key)
    return None if value is None else float(value)


def _slope_top(plan: ParcelPlan) -> float:
    """Where the slope picture ends: beyond the limit and the steepest cell [%]."""
    steepest = [row["slope_max_percent"] or row["slope_p95_percent"] for row in _slopes(plan)]
    return max(
        [1.15 * (_limit(plan, "profile.slope_limit_percent") or 0.0), *(1.05 * slope for slope in steepest), 10.0]
    )


def _slopes(plan: ParcelPlan) -> list[Row]:
    return [row for row in plan.rows["zones"] if row["slope_p95_percent"] is not None]


def _dock(plan: ParcelPlan, chosen: Row, formats: Formats) -> dict[str, Any]:
    """The chosen place beside those that come next on its loop and stand elsewhere."""
    places = places_of_loop(plan.rows["zones"], plan.rows["dock_candidates"], chosen["zone_id"])
    others = [
        row
        for row in sorted(places, key=lambda row: row["rank"] or 10**9)
        if row["feasible"] and not row["chosen"] and row["geometry"].distance(chosen["geometry"]) > 2.0
    ]
    places = [chosen, *_apart(others)][:DOCKS_COMPARED]
    criteria = [
        {
            "title": title,
            "cells": [{"score": row[score], "raw": _raw(row, raw, unit, formats)} for row in places],
        }
        for score, title, raw, unit in _CRITERIA
        if any(row[score] is not None for row in places)
    ]
    unknown = [title for score, title, _, _ in _CRITERIA if all(row[score] is None for row in places)]
    return {"chosen": chosen, "places": places, "criteria": criteria, "unknown": unknown}


def _apart(rows: Sequence[Row]) -> list[Row]:
    compared: list[Row] = []
    for row in rows:
        if all(row["geometry"].distance(other["geometry"]) > 2.0 for other in compared):
            compared.append(row)
        if len(compared) == DOCKS_COMPARED:
            break
    return compared


def _raw(row: Row, column: str, unit: str, formats: Formats) -> str:
    if not column or row[column] is None:
        return ""
    if unit == "share":
        return formats.percent(100 * row[column])
    return formats.percent(row[column], 1) if unit == "%" else formats.length(row[column])


def _week(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """Days with their runs, placed in percent of the hours that the week's plan covers."""
    if not rows:
        return []
    first = min(_hours(row["start_time"]) for row in rows) // 1
    last = -(-max(_hours(row["end_time"]) for row in rows) // 1)
    span = max(last - first, 1)
    return [
        {
            "day": day,
            "first": first,
            "last": last,
            "runs": [
                {
                    "row": row,
                    "left": 100 * (_hours(row["start_time"]) - first) / span,
                    "width": 100 * (_hours(row["end_time"]) - _hours(row["start_time"])) / span,
                }
                for row in rows
                if row["weekday"] == day
            ],
        }
        for day in WEEKDAYS
    ]


def _hours(clock: str) -> float:
    hour, minute = clock.split(":")[:2]
    return int(hour) + int(minute) / 60


def _index_map(rows: Sequence[IndexRow]) -> dict[str, Any] | None:
    """Outlines on a plain map: kilometres on the ground near their common middle."""
    shapes = [
        (row, shapely.MultiPolygon([shapely.Polygon(ring) for ring in row.outline])) for row in rows if row.outline
    ]
    if not shapes:
        return None
    left, bottom, right, top = shapely.total_bounds([shape for _, shape in shapes])
    margin = 0.03 * max(right - left, top - bottom, 1.0)
    size = max(right - left, top - bottom) + 2 * margin
    return {
        "view_box": f"{left - margin:.2f} {-top - margin:.2f} "
        f"{right - left + 2 * margin:.2f} {top - bottom + 2 * margin:.2f}",
        "size": size,
        "wide": right - left,
        "parcels": [
            {"row": row, "path": Markup(svg_path(shape)), "x": shape.centroid.x, "y": -shape.centroid.y}
            for row, shape in shapes
        ],
    }
