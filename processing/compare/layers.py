"""Layers of the differences between two plans, and how they are drawn, declared once."""

from __future__ import annotations

from ..model.contract import Layer, identifier, real, text
from ..model.layers import SEVERITIES, stamped_layers
from ..model.styles import BLUE, GREEN, ORANGE, PURPLE, SKY, VERMILION, Area, Line, Mark, categorized

SIDES = ("only_a", "only_b")
POINT_CHANGES = ("moved", "changed", "came", "went")
THINGS = ("parcel", "zone", "link", "dock", "finding", "visit_check")


_ID = identifier("change_id", "name of the difference")

DIFFERENCE_LAYERS: tuple[Layer, ...] = (
    *stamped_layers(
        Layer(
            "ground_changed",
            "Ground that only one plan mows",
            "Mowed by the mower in plan B and not in A, or the other way round, with what the other plan says of it.",
            "Polygon",
            (
                _ID,
                text("change", "gained: mowed in B only; lost: mowed in A only", ("gained", "lost"), nullable=False),
                text("reason", "what the plan that doesn't mow it says is there", nullable=False),
                real("area_m2", "m²", "ground area", nullable=False),
            ),
            key="change_id",
            style=categorized(
                "change",
                ("gained", "Mowed in B only", Area(GREEN, 0.5, "rising", GREEN)),
                ("lost", "Mowed in A only", Area(VERMILION, 0.4, "falling", VERMILION)),
            ),
        ),
        Layer(
            "wire_changed",
            "Wire that lies elsewhere",
            "Stretches of either plan's wire that are farther from the other's than the tolerance.",
            "LineString",
            (
                _ID,
                text("change", "the plan that has it", SIDES, nullable=False),
                identifier("loop_id", "loop in that plan"),
                real("length_m", "m", "length in plan", nullable=False),
                real("moved_m", "m", "farthest from the other plan's wire; nothing when it has none"),
            ),
            key="change_id",
            style=categorized(
                "change",
                ("only_a", "Wire of A, not of B", Line(ORANGE, 0.7, (2.0, 1.0), casing_mm=0.4)),
                ("only_b", "Wire of B, not of A", Line(BLUE, 0.7, casing_mm=0.4)),
            ),
        ),
        Layer(
            "points_changed",
            "Dock, zones, links, findings and checks that differ",
            "What stands elsewhere, is something else, or is in one plan only; the text says it whole.",
            "Point",
            (
                _ID,
                text("thing", "what differs", THINGS, nullable=False),
                text("change", "moved, changed, came: in B only, went: in A only", POINT_CHANGES, nullable=False),
                text("severity", "of a finding", SEVERITIES),
                text("in_a", "what plan A has"),
                text("in_b", "what plan B has"),
                real("moved_m", "m", "how far it moved"),
                text("text", "the difference in words", nullable=False),
            ),
            key="change_id",
            style=categorized(
                "thing",
                ("parcel", "Verdict", Mark("square", VERMILION, 3.2)),
                ("zone", "Zone", Mark("square", GREEN, 2.4)),
                ("link", "Link between zones", Mark("diamond", BLUE, 2.4)),
                ("dock", "Dock", Mark("triangle", ORANGE, 3.2)),
                ("finding", "Finding", Mark("cross", VERMILION, 2.8)),
                ("visit_check", "To be measured on site", Mark("star", PURPLE, 3.0, SKY)),
                label_column="change",
            ),
            may_be_empty_geometry=True,
        ),
    ),
    Layer(
        "settings_changed",
        "How the two plans were made",
        "Parameters, profile values and inputs that differ: what may have made the difference.",
        None,
        (
            text("key", "what", nullable=False),
            text("in_a", "its value in plan A"),
            text("in_b", "its value in plan B"),
        ),
    ),
)
"""Layers of ``differences.gpkg``, in the order in which they are written."""
