"""Layers of the day of laying, as the plan contract has them."""

from __future__ import annotations

from .contract import Layer, identifier, integer, real, text

PEG_STAGES = ("first", "fill")
LAYING_WHAT = (
    "mark_out", "begin", "crossing", "lay_edge", "lay_passage", "lead_out", "lay_island", "lead_back", "joint",
    "closing", "set_dock", "set_source", "mount_supply", "lay_cable", "signal_on", "trial", "walk_round", "correct",
    "peg_fill", "bury_heads", "settings", "hand_over",
)  # fmt: skip

WATCH_WHAT = ("hard", "drop", "water", "passage", "corner", "lead", "crossing", "steep", "neighbour_loop")

WATCH_POINTS = Layer(
    "watch_points",
    "To watch on the first walk around",
    "What is looked at while the mower follows the wire once around: what should be seen, and how far the wire may be "
    "moved. What was moved comes back as facts, and the plan follows. Common practice, no source.",
    "Point",
    (
        identifier("watch_id", "name of the point"),
        text("loop_id", "loop of wire", nullable=False),
        real("chainage_m", "m", "length of wire from the start", nullable=False),
        text("what", "what is there", WATCH_WHAT, nullable=False),
        real("value", "", "what the plan says of it"),
        text("unit", "unit of that"),
        text("expect", "what should be seen, and what to do if not", nullable=False),
        real(
            "move_m",
            "m",
            "how far the wire may be moved onto the lawn within the rules; none: not at all",
        ),
        text("values", "values of which its words are made, as JSON", form="json"),
    ),
    key="watch_id",
)

LAYING_STEPS = Layer(
    "laying_steps",
    "Day of laying",
    "What the crew does, in the order of hands: loop after loop, from marking out to handing over. Each "
    "metre of wire is in one step of lay_edge, lay_passage, lead_out, lay_island or lead_back; each peg in a step "
    "that has a peg_stage; each joint in one of joint or closing. Common practice, no source.",
    "Geometry",
    (
        identifier("step_id", "name of the step"),
        integer("seq", "place in the order, from 1", nullable=False),
        text("loop_id", "loop that it is of; empty for what is done once"),
        text("what", "what is done", LAYING_WHAT, nullable=False),
        real("from_m", "m", "chainage at which it begins"),
        real("to_m", "m", "chainage at which it ends"),
        real("heading_deg", "°", "which way dock or mower look, clockwise from grid north"),
        text("text", "what is done, in words", nullable=False),
        text("takes", "what is taken along"),
        text("done_when", "how one knows that it is right", nullable=False),
        real("hours", "h", "of one person, by the labour book", nullable=False),
        integer("crew", "people that it goes best with", nullable=False),
        text("needs", "what it can't be done without: dry ground, power, the owner"),
        integer("pegs", "pegs set in it"),
        text("peg_stage", "pass to which these belong", PEG_STAGES),
        text("values", "values of which its words are made, as JSON", form="json"),
    ),
    key="step_id",
    may_be_empty_geometry=True,
    mixed=("Point", "LineString"),
)
