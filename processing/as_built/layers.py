"""Layers of the record that is kept of a laid wire, declared once."""

from __future__ import annotations

from ..files.file_kinds import FileKind
from ..model.contract import Layer, boolean, identifier, integer, real, text
from ..model.layers import SEVERITIES, stamped_layers
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


_LOOP = identifier("loop_id", "loop of wire")

_WALK = integer("walk", "number of the walk in its file, from 1", nullable=False)

RECORD_LAYERS = stamped_layers(
    Layer(
        "laid_findings",
        "Findings on the laid wire",
        "Where the laid wire differs from the plan in a way that matters.",
        "Point",
        (
            _LOOP,
            text("severity", "how grave", SEVERITIES, nullable=False),
            text("code", "kind of finding, for programs", nullable=False),
            text("text", "what was found", nullable=False),
            text("advice", "what to do"),
            text("values", "values of which text and advice are made, as JSON"),
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
            _LOOP,
            identifier("island_id", "island"),
            text("verdict", "what the walk says", ISLAND_VERDICTS, nullable=False),
            real("turned_deg", "°", "angle by which the walk turned about its middle"),
            text("why", "why nothing can be told, or where it lies"),
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
            _LOOP,
            text("kind", "joint, peg, photo, depth, crossing, tape or other", nullable=False),
            real("chainage_m", "m", "chainage along the wire as laid"),
            real("depth_m", "m", "depth of the wire below ground"),
            text("photo", "name of the picture"),
            text("note", "in words"),
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
            _LOOP,
            real("chainage_m", "m", "chainage of the plan"),
            real("left_m", "m", "distance to the left of the plan; negative to the right"),
            real("sd_m", "m", "standard deviation of that"),
            boolean("claimed", "whether it is more than laying freely and the receiver explain"),
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
            _LOOP,
            integer("seq", "place in the order, from 1"),
            text("state", "what the walk says", RUN_STATES, nullable=False),
            real("from_m", "m", "chainage of the plan at its start"),
            real("to_m", "m", "chainage of the plan at its end"),
            real("laid_m", "m", "length laid, along the ground"),
            real("laid_sd_m", "m", "standard deviation of the length laid"),
            real("left_m", "m", "mean distance to the left of the plan; negative to the right"),
            real("sd_m", "m", "standard deviation of the wire's place across it, where it is worst"),
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
            _LOOP,
            real("planned_m", "m", "length planned, along the ground"),
            real("laid_m", "m", "length laid, along the ground"),
            real("laid_sd_m", "m", "standard deviation of the length laid"),
            integer("pegs_planned", "pegs planned"),
            integer("pegs_laid", "pegs for the length laid, at the planned spacing"),
            real("walked_share", "", "share of the loop along which points were taken"),
            real("shift_x_m", "m", "shift of the whole walk to the east that was taken off: receiver or map"),
            real("shift_y_m", "m", "shift of the whole walk to the north that was taken off"),
            real("point_sd_m", "m", "standard deviation of one point across the wire"),
            real("frechet_m", "m", "discrete Fréchet distance between wire as laid and plan"),
            text("walked", "walked with or against the laying order", WALKED_WAYS),
            text("date", "day of the walk"),
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
            _LOOP,
            _WALK,
            integer("seq", "place in the walk, from 1", nullable=False),
            text("time", "when it was taken, as the file says"),
            real("accuracy_m", "m", "standard deviation stated for it"),
        ),
        style=single_symbol("Point walked", Mark("circle", GREY, 0.6, GREY)),
    ),
    Layer(
        "walks",
        "Walks",
        "Each walk along the wire, and how it was judged.",
        "LineString",
        (
            _LOOP,
            _WALK,
            text("date", "day of the walk"),
            text("walked", "walked with or against the laying order", WALKED_WAYS),
            integer("points", "points taken"),
            real("accuracy_m", "m", "standard deviation of one point as given, by the file or by hand"),
            real("noise_m", "m", "standard deviation of one point as the points themselves show it"),
            real("shift_x_m", "m", "shift of the whole walk to the east that was taken off"),
            real("shift_y_m", "m", "shift of the whole walk to the north that was taken off"),
        ),
        style=single_symbol("Walk", Line(GREY, 0.25, (0.6, 0.6))),
    ),
    Layer(
        "wire_to_protect",
        "Wire: mind it before digging",
        "Strip in which the wire lies, with the uncertainty of its place, for whoever digs.",
        "Polygon",
        (
            _LOOP,
            real("buffer_m", "m", "half the strip's width"),
            real("depth_m", "m", "depth of the wire below ground, where it was noted"),
            text("warning", "in words", nullable=False),
        ),
        style=single_symbol("Wire below: mind it before digging", Area(YELLOW, 0.35, "rising", "#8f8500")),
    ),
    Layer(
        "price_change",
        "Change of price",
        "What the laid wire takes against the plan.",
        None,
        (
            text("item", "what", nullable=False),
            real("planned", "", "quantity planned"),
            real("laid", "", "quantity laid"),
            text("unit", "of what"),
            real("unit_price", "", "price of one unit, in the currency beside it"),
            real("amount_change", "", "change of the amount"),
            real("amount_change_sd", "", "its standard deviation"),
            text("currency", "of these amounts, ISO 4217"),
        ),
    ),
    Layer(
        "record",
        "Record",
        "What was laid when, from which plan, how it was measured, and who made this record with what.",
        None,
        (
            text("parcel_id", "parcel, or empty for all"),
            text("key", "what", nullable=False),
            text("value", "its value"),
        ),
    ),
)
"""Layers of ``record.gpkg``, in the order in which they are written: the first is drawn on top."""

RECORD = FileKind("record", "record.gpkg", {spec.name: spec for spec in RECORD_LAYERS}, ("as_laid", "record"), "record")
"""The record of a laid wire, as a kind of file."""
