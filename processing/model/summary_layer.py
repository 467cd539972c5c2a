"""The layer `summary`: a row a parcel, with the verdict, how ready the plan is, and the figures that decide."""

from __future__ import annotations

from .contract import Layer, integer, real, text
from .readiness import BASES, READINESSES

STATUSES = ("planned", "not_suitable", "failed")

SUMMARY = Layer(
    "summary",
    "Parcels and verdicts",
    "One row per parcel: whether a mower makes sense there, and the figures that decide.",
    "MultiPolygon",
    (
        text("label", "what people call the parcel"),
        text("status", "what came of it", STATUSES, nullable=False),
        text("readiness", "how ready the plan is to be carried out", READINESSES),
        text("readiness_why", "why, in words"),
        text("basis", "what the lawn rests on", BASES),
        text("unknowns", "what no layer tells of the parcel, with commas between"),
        integer("doubt", "how much that is: 2 for what has nothing mapped, 1 for what may be incomplete"),
        text("verdict_text", "the verdict in words"),
        text("verdict_values", "codes and values of which the verdict is made, as JSON", form="json"),
        text("readiness_values", "codes and values of which the reasons are made, as JSON", form="json"),
        real("lawn_m2", "m²", "lawn, ground area"),
        real("mowable_m2", "m²", "ground in zones that a mower serves"),
        real("mowable_low_m2", "m²", "of drawn plans 5 % mow less"),
        real("mowable_high_m2", "m²", "of drawn plans 5 % mow more"),
        text("profile", "name of the profile that it is planned with"),
        integer("mowers", "mowers that share it"),
        integer("zones", "zones that a mower serves"),
        integer("loops", "loops of wire"),
        real("wire_m", "m", "wire in all loops along the ground, leads included, slack not"),
        real("wire_sd_m", "m", "standard deviation of that: by lengths, and by decisions that may flip"),
        real("wire_low_m", "m", "below this with a chance of 5 %"),
        real("wire_high_m", "m", "above this with a chance of 5 %"),
        real("lead_m", "m", "of it in leads to islands, both ways"),
        integer("pegs", "pegs"),
        real("dock_score", "", "score of the chosen place for the dock, 0 to 1"),
        real("slope_p95_percent", "%", "slope that 95 % of the mowable ground stays below"),
        real(
            "mowing_hours_week",
            "h",
            "hours of mowing a week that it takes when the grass grows most: turns, a pass along the edge and ways "
            "to the zones included, charging not",
        ),
        real(
            "missing_hours_week",
            "h",
            "of them, hours that find no room in the hours permitted: with any, the mower doesn't keep up",
        ),
        real("amount", "", "price of mower and materials, without tax, in the currency beside it"),
        real("amount_sd", "", "standard deviation of the amount: by lengths, and by decisions that may flip"),
        real("amount_low", "", "below this with a chance of 5 %"),
        real("amount_high", "", "above this with a chance of 5 %"),
        text("currency", "currency of the amount, ISO 4217"),
        integer("stop_findings", "findings that forbid laying the wire as planned"),
        integer("visit_checks", "things to measure on site"),
        real("seconds", "s", "time taken to plan the parcel"),
    ),
    key="parcel_id",
    may_be_empty_geometry=True,
)
