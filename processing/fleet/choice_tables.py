"""A choice of mowers as tables: each demand against each mower, and fleets."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from lawngis.mowing.choice import MowerOffer
from lawngis.mowing.fleet import Fleet

from ..derived.mower_demands import shortfall_words
from .mower_choice import MowerComparison
from .planned_parcels import PlannedParcel


def comparison_table(found: MowerComparison) -> pd.DataFrame:
    """Return a row for each demand and mower: whether it fits, why not, hours, prices, and what else it could do."""
    return pd.DataFrame([row for parcel in found.portfolio.compared for row in _parcel_rows(found, parcel)])


def _parcel_rows(found: MowerComparison, parcel: PlannedParcel) -> list[dict[str, Any]]:
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
                    "lacks": " ".join(fit.limits),
                    "reason": "; ".join(shortfall_words(fit.shortfalls)),
                    "also": "; ".join(may_also(parcel, fit.offer)),
                    "area_m2": sum(zone.area_m2 for zone in demand.zones),
                    "slope_p95_percent": max(zone.steepest_percent for zone in demand.zones),
                    "passage_m": demand.passage_m if np.isfinite(demand.passage_m) else None,
                    "loop_m": demand.loop_m,
                    "cable_m": demand.cable_m,
                    "farthest_from_wire_m": max(zone.farthest_m for zone in demand.zones),
                    "mowing_h_week": fit.mowing_h,
                    "missing_h_week": fit.missing_h,
                    "price": fit.price,
                    "price_year": fit.offer.price_year,
                    "currency": found.currency,
                }
            )
    return rows


def may_also(parcel: PlannedParcel, offer: MowerOffer) -> list[str]:
    """Return what a mower may do there that the plan's mower can't, in words."""
    words = []
    if parcel.steep_m2 >= 1 and offer.slope_limit_percent > parcel.slope_limit_percent:
        words.append(
            f"some of {parcel.steep_m2:.0f} m² kept out as steep may be within its {offer.slope_limit_percent:g} %"
        )
    words += [
        f"the passage {name} of {width:.2f} m, blocked in the plan, is wide enough for it"
        for name, width in parcel.blocked
        if width >= offer.passage_transit_min_m
    ]
    return [f"{text}: plan with its profile to see" for text in words]


def fleet_table(found: MowerComparison) -> pd.DataFrame:
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


def round_table(found: MowerComparison) -> pd.DataFrame:
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
