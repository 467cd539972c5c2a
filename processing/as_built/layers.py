"""Layers of the record that is kept of a laid wire, declared once."""

from __future__ import annotations

from ..files.file_kinds import FileKind
from ..model.contract import Column, Layer
from ..model.layers import SEVERITIES
from ..model.styles import (
    BLACK,
    BLUE,
    GREEN,
    GREY,
    ORANGE,
    PURPLE,
    SKY,
    VERMILION,
    WHITE,
    YELLOW,
    Area,
    Line,
    Mark,
    categorized,
    single_symbol,
)

ISLAND_VERDICTS = ("as_planned", "wrong_way", "moved", "missing", "cannot_tell")
RUN_STATES = ("as_planned", "off_plan", "added", "left_out", "not_walked", "cannot_tell")
WALKED_WAYS = ("with", "against", "by_tape")
WALKED_POINTS = "walked_points"


def _text(name: str, description: str, values: tuple[str, ...] = (), *, nullable: bool = True) -> Column:
    return Column(name, "text", description, "", values, nullable)


def _metres(name: str, description: str) -> Column:
    return Column(name, "real", description, "m")


_PARCEL = _text("parcel_id", "parcel that the row belongs to", nullable=False)
_LOOP = _text("loop_id", "loop of wire", nullable=False)

_WALK = Column("walk", "integer", "number of the walk in its file, from 1", "", (), False)

RECORD_LAYERS: tuple[Layer, ...] = (
    Layer(
        "laid_findings",
        "Findings on the laid wire",
        "Where the laid wire differs from the plan in a way that matters.",
        "Point",
        (
            _PARCEL,
            _LOOP,
            _text("severity", "how grave", SEVERITIES, nullable=False),
            _text("code", "kind of finding, for programs", nullable=False),
            _text("text", "what was found", nullable=False),
            _text("advice", "what to do"),
            _text("values", "values of which text and advice are made, as JSON"),
        ),
        may_be_empty_geometry=True,
        style=categorized(
            "severity",
            ("info", "Finding", Mark("circle", SKY, 2.0)),
            ("caution", "Finding: caution", Mark("triangle", ORANGE, 2.8)),
            ("stop", "Finding: put it right before mowing", Mark("cross", VERMILION, 3.2)),
        ),
    ),
    Layer(
        "as_laid_islands",
        "Islands as laid",
        "Whether each island was laid, and which way round, as far as the walk tells.",
        "Point",
        (
            _PARCEL,
            _LOOP,
            _text("island_id", "island", nullable=False),
            _text("verdict", "what the walk says", ISLAND_VERDICTS, nullable=False),
            Column("turned_deg", "real", "angle by which the walk turned about its middle", "°"),
            _text("why", "why nothing can be told, or where it lies"),
        ),
        key="island_id",
        style=categorized(
            "verdict",
            ("as_planned", "Island, as planned", Mark("circle", GREEN, 2.4)),
            ("wrong_way", "Island, the wrong way round", Mark("cross", VERMILION, 3.4)),
            ("moved", "Island, beside its place", Mark("triangle", ORANGE, 3.0)),
            ("missing", "Island, not laid", Mark("cross", BLACK, 3.4, VERMILION)),
            ("cannot_tell", "Island, nobody can tell", Mark("square", WHITE, 2.6)),
            label_column="island_id",
        ),
    ),
    Layer(
        "as_laid_points",
        "Joins, depths and photos",
        "What was noted along the wire.",
        "Point",
        (
            _PARCEL,
            _LOOP,
            _text("kind", "joint, peg, photo, depth, crossing, tape or other", nullable=False),
            _metres("chainage_m", "chainage along the wire as laid"),
            _metres("depth_m", "depth of the wire below ground"),
            _text("photo", "name of the picture"),
            _text("note", "in words"),
        ),
        style=categorized(
            "kind",
            ("joint", "Joint", Mark("diamond", YELLOW, 2.6)),
            ("peg", "Peg noted", Mark("circle", WHITE, 1.2, BLUE)),
            ("photo", "Photo", Mark("square", SKY, 2.4)),
            ("depth", "Depth noted", Mark("triangle", WHITE, 2.4)),
            ("crossing", "Crossing", Mark("star", PURPLE, 3.0)),
            ("tape", "Measured by tape", Mark("triangle", GREY, 2.0)),
            ("other", "Noted", Mark("circle", GREY, 2.0)),
            label_column="note",
        ),
    ),
    Layer(
        "as_laid_offsets",
        "How far the wire lies off the plan",
        "Each metre of plan that somebody walked beside, whether the distance is claimed or within what can't be told.",
        "Point",
        (
            _PARCEL,
            _LOOP,
            _metres("chainage_m", "chainage of the plan"),
            _metres("left_m", "distance to the left of the plan; negative to the right"),
            _metres("sd_m", "standard deviation of that"),
            Column("claimed", "boolean", "whether it is more than laying freely and the receiver explain"),
        ),
        style=categorized(
            "claimed",
            ("true", "Off the plan", Mark("circle", ORANGE, 1.4)),
            ("false", "Off the plan by no more than can't be told", Mark("circle", WHITE, 0.8, GREY)),
        ),
    ),
    Layer(
        "as_laid_runs",
        "Wire as laid, run by run",
        "Pieces of each loop by what the walk says of them; where the plan was left out, the plan.",
        "LineString",
        (
            _PARCEL,
            _LOOP,
            Column("seq", "integer", "place in the order, from 1"),
            _text("state", "what the walk says", RUN_STATES, nullable=False),
            _metres("from_m", "chainage of the plan at its start"),
            _metres("to_m", "chainage of the plan at its end"),
            _metres("laid_m", "length laid, along the ground"),
            _metres("laid_sd_m", "standard deviation of the length laid"),
            _metres("left_m", "mean distance to the left of the plan; negative to the right"),
            _metres("sd_m", "standard deviation of the wire's place across it, where it is worst"),
        ),
        style=categorized(
            "state",
            ("as_planned", "Laid as planned", Line(BLUE, 0.7, (), 0.35)),
            ("off_plan", "Laid off the plan", Line(ORANGE, 0.8, (), 0.35)),
            ("added", "Wire added", Line(PURPLE, 0.8, (), 0.35)),
            ("left_out", "Planned, not laid", Line(VERMILION, 0.6, (0.5, 0.8), 0.3)),
            ("not_walked", "Nobody walked: as planned, maybe", Line(GREY, 0.7, (2.0, 1.0), 0.35)),
            ("cannot_tell", "As planned, or not there", Line(GREY, 0.7, (0.6, 0.8), 0.35)),
        ),
    ),
    Layer(
        "as_laid",
        "Wire as laid",
        "Each loop as it lies: where the walk tells nothing else, as planned.",
        "LineString",
        (
            _PARCEL,
            _LOOP,
            _metres("planned_m", "length planned, along the ground"),
            _metres("laid_m", "length laid, along the ground"),
            _metres("laid_sd_m", "standard deviation of the length laid"),
            Column("pegs_planned", "integer", "pegs planned"),
            Column("pegs_laid", "integer", "pegs for the length laid, at the planned spacing"),
            Column("walked_share", "real", "share of the loop along which points were taken"),
            _metres("shift_x_m", "shift of the whole walk to the east that was taken off: receiver or map"),
            _metres("shift_y_m", "shift of the whole walk to the north that was taken off"),
            _metres("point_sd_m", "standard deviation of one point across the wire"),
            _metres("frechet_m", "discrete Fréchet distance between wire as laid and plan"),
            _text("walked", "walked with or against the laying order", WALKED_WAYS),
            _text("date", "day of the walk"),
        ),
        key="loop_id",
        style=single_symbol("Whole loop as laid", Line(BLUE, 0.3, (), 0.2)),
    ),
    Layer(
        WALKED_POINTS,
        "Points walked",
        "The walks themselves, point by point as they were taken, in the CRS of the plan.",
        "Point",
        (
            _PARCEL,
            _LOOP,
            _WALK,
            Column("seq", "integer", "place in the walk, from 1", "", (), False),
            _text("time", "when it was taken, as the file says"),
            _metres("accuracy_m", "standard deviation stated for it"),
        ),
        style=single_symbol("Point walked", Mark("circle", GREY, 0.6, GREY)),
    ),
    Layer(
        "walks",
        "Walks",
        "Each walk along the wire, and how it was judged.",
        "LineString",
        (
            _PARCEL,
            _LOOP,
            _WALK,
            _text("date", "day of the walk"),
            _text("walked", "walked with or against the laying order", WALKED_WAYS),
            Column("points", "integer", "points taken"),
            _metres("accuracy_m", "standard deviation of one point as given, by the file or by hand"),
            _metres("noise_m", "standard deviation of one point as the points themselves show it"),
            _metres("shift_x_m", "shift of the whole walk to the east that was taken off"),
            _metres("shift_y_m", "shift of the whole walk to the north that was taken off"),
        ),
        style=single_symbol("Walk", Line(GREY, 0.25, (0.6, 0.6))),
    ),
    Layer(
        "wire_to_protect",
        "Wire: mind it before digging",
        "Strip in which the wire lies, with the uncertainty of its place, for whoever digs.",
        "Polygon",
        (
            _PARCEL,
            _LOOP,
            _metres("buffer_m", "half the strip's width"),
            _metres("depth_m", "depth of the wire below ground, where it was noted"),
            _text("warning", "in words", nullable=False),
        ),
        style=single_symbol("Wire below: mind it before digging", Area(YELLOW, 0.35, "rising", "#8f8500")),
    ),
    Layer(
        "price_change",
        "Change of price",
        "What the laid wire takes against the plan.",
        None,
        (
            _PARCEL,
            _text("item", "what", nullable=False),
            Column("planned", "real", "quantity planned"),
            Column("laid", "real", "quantity laid"),
            _text("unit", "of what"),
            Column("unit_price", "real", "price of one unit, in the plan's currency"),
            Column("amount_change", "real", "change of the amount"),
            Column("amount_change_sd", "real", "its standard deviation"),
        ),
    ),
    Layer(
        "record",
        "Record",
        "What was laid when, from which plan, how it was measured, and who made this record with what.",
        None,
        (
            _text("parcel_id", "parcel, or empty for all"),
            _text("key", "what", nullable=False),
            _text("value", "its value"),
        ),
    ),
)
"""Layers of ``record.gpkg``, in the order in which they are written: the first is drawn on top."""

RECORD = FileKind("record", "record.gpkg", {spec.name: spec for spec in RECORD_LAYERS}, ("as_laid", "record"), "record")
"""The record of a laid wire, as a kind of file."""
