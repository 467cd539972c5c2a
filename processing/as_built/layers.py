"""Layers of the record that is kept of a laid wire, declared once."""

from __future__ import annotations

from ..files.file_kinds import FileKind
from ..model.contract import Column, Layer

ISLAND_VERDICTS = ("as_planned", "wrong_way", "missing", "cannot_tell")
RUN_STATES = ("as_planned", "off_plan", "not_walked", "left_out")


def _text(name: str, description: str, values: tuple[str, ...] = (), *, nullable: bool = True) -> Column:
    return Column(name, "text", description, "", values, nullable)


def _metres(name: str, description: str) -> Column:
    return Column(name, "real", description, "m")


_PARCEL = _text("parcel_id", "parcel that the row belongs to", nullable=False)
_LOOP = _text("loop_id", "loop of wire", nullable=False)

RECORD_LAYERS: tuple[Layer, ...] = (
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
            _text("walked", "walked with or against the laying order", ("with", "against", "by_tape")),
            _text("date", "day of the walk"),
        ),
        key="loop_id",
    ),
    Layer(
        "as_laid_runs",
        "Wire as laid, run by run",
        "Pieces of each loop by what the walk says of them.",
        "LineString",
        (
            _PARCEL,
            _LOOP,
            Column("seq", "integer", "place in the order, from 1"),
            _text("state", "what the walk says", RUN_STATES, nullable=False),
            _metres("from_m", "chainage of the plan at its start"),
            _metres("to_m", "chainage of the plan at its end"),
            _metres("left_m", "mean distance to the left of the plan; negative to the right"),
            _metres("sd_m", "standard deviation of a distance from the plan there"),
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
            _text("why", "why nothing can be told"),
        ),
        key="island_id",
    ),
    Layer(
        "as_laid_points",
        "Joins, depths and photos",
        "What was noted along the wire.",
        "Point",
        (
            _PARCEL,
            _LOOP,
            _text("kind", "joint, peg, photo, depth, crossing or other", nullable=False),
            _metres("chainage_m", "chainage along the wire as laid"),
            _metres("depth_m", "depth of the wire below ground"),
            _text("photo", "name of the picture"),
            _text("note", "in words"),
        ),
    ),
    Layer(
        "laid_findings",
        "Findings on the laid wire",
        "Where the laid wire differs from the plan in a way that matters.",
        "Point",
        (
            _PARCEL,
            _LOOP,
            _text("severity", "how grave", ("info", "caution", "stop"), nullable=False),
            _text("code", "kind of finding, for programs", nullable=False),
            _text("text", "what was found", nullable=False),
            _text("advice", "what to do"),
        ),
        may_be_empty_geometry=True,
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
        "What was laid when, from which plan, and how it was measured.",
        None,
        (
            _text("parcel_id", "parcel, or empty for all"),
            _text("key", "what", nullable=False),
            _text("value", "its value"),
        ),
    ),
)

RECORD = FileKind("record", "record.gpkg", {spec.name: spec for spec in RECORD_LAYERS}, ("as_laid", "record"), "record")
"""The record of a laid wire, as a kind of file."""
