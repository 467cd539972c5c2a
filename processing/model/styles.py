"""How every layer of the plan is drawn, declared once.

From these declarations come the styles stored in the GeoPackage (QML and SLD), the page's map, the sheets, the DXF's
layers and every legend, so that a thing looks the same wherever it is met. Colours are the eight of Okabe and Ito,
which people with any common kind of colour blindness tell apart; and nothing differs by colour alone: hatching,
dashes and shape of marks differ as well, so that a grey print says the same. Lines have a white casing, so that they
stand out on an aerial photograph.

References
----------
M. Okabe and K. Ito (2008), Color Universal Design: how to make figures and presentations that are friendly to
colorblind people. Hatchings, dashes and marks: ours.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import cos, pi, sin
from types import MappingProxyType
from typing import Any, Literal

BLACK, WHITE, GREY = "#000000", "#ffffff", "#6b6b6b"
ORANGE, SKY, GREEN, YELLOW = "#e69f00", "#56b4e9", "#009e73", "#f0e442"
BLUE, VERMILION, PURPLE = "#0072b2", "#d55e00", "#cc79a7"

Hatch = Literal["none", "rising", "falling", "level", "crossed"]
Shape = Literal["circle", "square", "triangle", "diamond", "cross", "star"]

HATCH_SPACING_MM = 1.6
HATCH_ANGLE_DEG: Mapping[str, tuple[float, ...]] = MappingProxyType(
    {"none": (), "rising": (45.0,), "falling": (135.0,), "level": (0.0,), "crossed": (45.0, 135.0)}
)
"""Directions of the lines of each hatching, anti-clockwise from east."""


@dataclass(frozen=True)
class Area:
    """How polygons are drawn.

    Parameters
    ----------
    fill, stroke
        Colours of ground and outline, as ``"#rrggbb"``; empty for none.
    opacity
        Of the fill [0 to 1].
    hatch
        Lines across it, in the colour of the outline.
    width_mm
        Of the outline [mm].
    """

    fill: str = ""
    opacity: float = 1.0
    hatch: Hatch = "none"
    stroke: str = ""
    width_mm: float = 0.25


@dataclass(frozen=True)
class Line:
    """How lines are drawn.

    Parameters
    ----------
    stroke
        Colour, as ``"#rrggbb"``.
    width_mm
        [mm]
    dash_mm
        Lengths of dash and gap by turns [mm]; none for a whole line.
    casing_mm
        White on either side, so that it stands out on a photograph [mm].
    """

    stroke: str
    width_mm: float = 0.5
    dash_mm: tuple[float, ...] = ()
    casing_mm: float = 0.0


@dataclass(frozen=True)
class Mark:
    """How points are drawn.

    Parameters
    ----------
    shape
        What stands at the point.
    fill, stroke
        Colours of mark and outline, as ``"#rrggbb"``.
    size_mm
        Across [mm].
    """

    shape: Shape
    fill: str
    size_mm: float = 2.0
    stroke: str = BLACK


Symbol = Area | Line | Mark

SYMBOLS: Mapping[str, type[Symbol]] = MappingProxyType(
    {"Polygon": Area, "MultiPolygon": Area, "LineString": Line, "Point": Mark, "Geometry": Area}
)
"""What draws each type of geometry; where rows differ, areas give the style."""


@dataclass(frozen=True)
class Rule:
    """One line of the legend: rows with this value (None: every row) look like this; some only when asked for."""

    value: str | None
    label: str
    symbol: Symbol
    shown: bool = True


@dataclass(frozen=True)
class LayerStyle:
    """Style of one layer: rules by the values of a column (None: one rule for every row), and what labels it.

    A legend has a line for each rule.
    """

    rules: tuple[Rule, ...]
    column: str | None = None
    label_column: str | None = None

    def rule(self, row: Mapping[str, Any]) -> Rule | None:
        """Return the rule that a row falls under; None when it isn't drawn."""
        if self.column is None:
            return self.rules[0]
        value = row.get(self.column)
        word = str(value).lower() if isinstance(value, bool) else str(value)
        return next((rule for rule in self.rules if rule.value == word), None)


def single_symbol(label: str, symbol: Symbol, label_column: str | None = None) -> LayerStyle:
    """Return the style of a layer all of whose rows look alike."""
    return LayerStyle((Rule(None, label, symbol),), None, label_column)


def categorized(
    column: str, *rules: tuple[str, str, Symbol] | tuple[str, str, Symbol, bool], label_column: str | None = None
) -> LayerStyle:
    """Return the style of a layer whose rows look otherwise by a column: for each value its label and symbol."""
    return LayerStyle(tuple(Rule(*rule) for rule in rules), column, label_column)


_WIRE = 0.7

STYLES: Mapping[str, LayerStyle] = MappingProxyType(
    {
        "summary": categorized(
            "readiness",
            ("ready", "Parcel, ready to be laid", Area(GREEN, 0.15, stroke=GREEN, width_mm=0.5)),
            ("visit", "Parcel, visit first", Area(SKY, 0.15, "rising", stroke=BLUE, width_mm=0.35)),
            ("settle", "Parcel, settle first", Area(YELLOW, 0.25, "falling", stroke=ORANGE, width_mm=0.5)),
            ("none", "Parcel, no mower", Area(GREY, 0.25, stroke=GREY, width_mm=0.35)),
            ("failed", "Parcel, planning failed", Area(hatch="crossed", stroke=VERMILION, width_mm=0.5)),
            label_column="parcel_id",
        ),
        "lawn": single_symbol("Lawn", Area("#dcebd2", 0.6, stroke="#8aa77a", width_mm=0.15)),
        "cover": categorized(
            "cover",
            ("lawn", "From the air: lawn", Area("#c8e6b0", 0.4)),
            ("lawn_under_crown", "From the air: lawn under a crown", Area("#c8e6b0", 0.4, "level", "#5c8f3a", 0.1)),
            ("green", "From the air: green of unknown height", Area("#c8e6b0", 0.4, "rising", "#5c8f3a", 0.1)),
            ("dry", "From the air: dry grass or bare", Area("#cdb865", 0.5, "level", "#a08c3a", 0.1)),
            ("shaded", "From the air: in the shade, not told", Area("#8d97a6", 0.4, "level", "#5d6776", 0.1)),
            ("shrub", "From the air: shrubs", Area("#7d9a3c", 0.4)),
            ("hedge", "From the air: hedge", Area("#7d9a3c", 0.4, "crossed", "#3f4f1d", 0.1)),
            ("crown", "From the air: crown", Area("", 1.0, "rising", "#2f6b3f", 0.1)),
            ("bare", "From the air: bare or paved", Area("#e2dfd8", 0.5, "falling", "#a09a8c", 0.1)),
            ("built", "From the air: built", Area("#5c564c", 0.5)),
            ("unknown", "From the air: stands, not green", Area("#5c564c", 0.25, "rising", "#5c564c", 0.1)),
            ("maybe_lawn", "From the air: lawn by a lower threshold", Area("", 1.0, "falling", "#5c8f3a", 0.1)),
            ("hardly_lawn", "From the air: no lawn by a higher one", Area("", 1.0, "level", "#a08c3a", 0.1)),
        ),
        "zones": categorized(
            "role",
            ("home", "Home zone", Area(GREEN, 0.35, stroke=GREEN)),
            ("linked", "Zone the mower reaches", Area(SKY, 0.4, stroke=BLUE)),
            ("detached", "Zone it can't reach by itself", Area(YELLOW, 0.5, stroke="#8f8500")),
            label_column="zone_id",
        ),
        "hand_mow": single_symbol("Mown by hand", Area(hatch="rising", stroke=PURPLE)),
        "keepouts": categorized(
            "reason",
            ("steep", "Too steep", Area(VERMILION, 0.15, "crossed", VERMILION)),
            ("water", "Water", Area(BLUE, 0.3, "level", BLUE)),
            ("bed", "Bed", Area(ORANGE, 0.3, "falling", "#8a5f00")),
            ("tree", "Tree", Area("#2f6b3f", 0.6, stroke="#1d4427")),
            ("obstacle", "Obstacle", Area("#b5b5b5", 0.9, stroke=BLACK)),
            ("drop", "Drop", Area(VERMILION, 0.15, "rising", VERMILION)),
            ("narrow", "Too narrow", Area(hatch="falling", stroke=GREY)),
            ("small", "Too small", Area(hatch="falling", stroke=GREY)),
        ),
        "visit_areas": single_symbol("Ground to measure", Area(PURPLE, 0.15, "level", PURPLE)),
        "edges": categorized(
            "edge_class",
            ("flush", "Edge: flush", Line(GREEN, 0.3, (0.6, 0.6))),
            ("raised", "Edge: wall, kerb, fence", Line(BLACK, 0.45)),
            ("drop", "Edge: drop", Line(VERMILION, 0.6, (2.0, 0.6))),
            ("water", "Edge: water", Line(BLUE, 0.6, (1.2, 0.5, 0.3, 0.5))),
            ("soft", "Edge: bed, hedge", Line("#8a5f00", 0.3, (1.5, 0.6))),
            ("steep", "Edge: steep", Line(VERMILION, 0.3, (0.5, 0.5))),
            ("boundary", "Edge: boundary", Line(GREY, 0.3, (3.0, 0.8))),
            ("unknown", "Edge: not known", Line(GREY, 0.3, (0.4, 0.8))),
        ),
        "links": categorized(
            "kind",
            ("open", "Passage, mown", Line(GREEN, 0.5, (0.5, 0.8), 0.3)),
            ("transit", "Passage, driven through", Line(ORANGE, 0.6, (1.6, 0.8), 0.3)),
            ("crossing", "Crossing over paving", Line(PURPLE, 0.6, (2.4, 0.6, 0.5, 0.6), 0.3)),
            ("blocked", "Passage, blocked", Line(VERMILION, 0.6, (0.4, 0.6), 0.3)),
        ),
        "supply_route": categorized(
            "within_limit",
            ("true", "Supply cable", Line(VERMILION, 0.6, (2.4, 0.8), 0.35)),
            ("false", "Supply cable, longer than allowed", Line(VERMILION, 0.9, (0.8, 0.8), 0.35)),
        ),
        "wire_path": single_symbol("Whole loop of wire", Line(BLUE, 0.3, (), 0.2)),
        "wire_runs": categorized(
            "run_kind",
            ("edge", "Wire along an edge", Line(BLUE, _WIRE, (), 0.35)),
            ("corner", "Wire, corner cut", Line(BLUE, _WIRE, (), 0.35)),
            ("passage", "Wire through a passage", Line(BLUE, _WIRE, (2.0, 0.6), 0.35)),
            ("island", "Wire around an island", Line(BLUE, _WIRE, (), 0.35)),
            ("lead_out", "Lead to an island, out", Line(PURPLE, _WIRE, (1.2, 0.6), 0.35)),
            ("lead_back", "Lead to an island, back", Line(PURPLE, _WIRE, (1.2, 0.6), 0.35)),
        ),
        "dock_candidates": categorized(
            "chosen",
            ("true", "Dock", Mark("square", ORANGE, 3.2)),
            ("false", "Other place for the dock", Mark("circle", WHITE, 0.9, GREY), False),
        ),
        "trees_found": single_symbol("Tree found in the surface model", Mark("circle", "#7fbf7f", 2.2, "#1d4427")),
        "pegs": categorized(
            "peg_kind",
            ("straight", "Peg", Mark("circle", WHITE, 0.8, BLUE)),
            ("bend", "Peg at a bend", Mark("circle", BLUE, 1.0, BLUE)),
            ("lead", "Peg on a lead", Mark("circle", PURPLE, 0.8, PURPLE)),
            ("dock", "Peg at the dock", Mark("circle", ORANGE, 1.2)),
        ),
        "joins": categorized(
            "why",
            ("reel_end", "Joint, end of a reel", Mark("diamond", YELLOW, 2.4)),
            ("closing", "Joint that closes the loop", Mark("diamond", WHITE, 2.4)),
        ),
        "findings": categorized(
            "severity",
            ("info", "Finding: assumption", Mark("circle", SKY, 2.0)),
            ("caution", "Finding: caution", Mark("triangle", ORANGE, 2.8)),
            ("stop", "Finding: stops the plan", Mark("cross", VERMILION, 3.2)),
        ),
        "visit_checks": single_symbol("Measure on site", Mark("star", PURPLE, 3.2), "priority"),
    }
)
"""Style of every layer of the plan that has geometry, by name, in drawing order: the first lies undermost."""

MARK_CORNERS: Mapping[str, tuple[tuple[float, float], ...]] = MappingProxyType(
    {
        "square": ((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)),
        "triangle": ((0.0, 0.58), (-0.55, -0.42), (0.55, -0.42)),
        "diamond": ((0.0, 0.6), (-0.6, 0.0), (0.0, -0.6), (0.6, 0.0)),
        "cross": (
            (-0.5, 0.3), (-0.3, 0.5), (0.0, 0.2), (0.3, 0.5), (0.5, 0.3), (0.2, 0.0),
            (0.5, -0.3), (0.3, -0.5), (0.0, -0.2), (-0.3, -0.5), (-0.5, -0.3), (-0.2, 0.0),
        ),
        "star": tuple(
            (round(radius * sin(pi * at / 5), 3), round(radius * cos(pi * at / 5), 3))
            for at, radius in enumerate((0.6, 0.23) * 5)
        ),
        "circle": tuple(
            (round(0.5 * cos(pi * at / 10), 3), round(0.5 * sin(pi * at / 10), 3)) for at in range(20)
        ),
    }
)  # fmt: skip
"""Corners of each mark, one unit across, y upwards."""

PARCEL_STYLES: Mapping[str, LayerStyle] = MappingProxyType(
    {
        **STYLES,
        "summary": single_symbol("Parcel", Area(stroke=GREY, width_mm=0.35), label_column="parcel_id"),
        "pegs": categorized(
            "stage",
            ("fill", "Peg, set after the trial", Mark("circle", WHITE, 0.7, BLUE)),
            ("first", "Peg, set while the wire is laid", Mark("circle", BLUE, 1.2, BLUE)),
            ("None", "Peg", Mark("circle", WHITE, 0.8, BLUE)),
        ),
        "laying_steps": categorized("what", ("trial", "Start of the first way home", Mark("triangle", ORANGE, 3.0))),
    }
)
"""Styles on a map of one parcel: how ready it is stands beside the map, nothing is drawn over what lies there, and pegs
are told apart by when they are set, if the plan tells; of the steps of laying the first way home is drawn."""
