"""The plan contract as data: every layer and raster that comes out, declared once.

From these declarations come the validation of what steps produce, the schemas used on writing, the column
descriptions inside the GeoPackage, the tables in DEVELOPERS.md and what ``lawngis describe`` prints.
A new column or layer is one declaration here and one function that fills it. What a site brings: ``site_layers``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from .contract import Layer, boolean, identifier, integer, real, text
from .laying_layers import LAYING_STEPS, PEG_STAGES, WATCH_POINTS
from .styles import STYLES
from .summary_layer import SUMMARY

EDGE_CLASSES = ("flush", "raised", "drop", "water", "soft", "steep", "boundary", "unknown")
KEEPOUT_REASONS = ("steep", "water", "bed", "tree", "obstacle", "drop", "narrow", "small")
TREATMENTS = ("outside", "island", "bump")
ROLES = ("home", "linked", "detached")
PRICE_SOURCES = ("example", "own")
LINK_KINDS = ("open", "transit", "crossing", "blocked")
SUPPLIES = ("own_dock", "own_source", "main_wire", "none")
RUN_KINDS = ("edge", "corner", "passage", "island", "lead_out", "lead_back")
PEG_KINDS = ("straight", "bend", "lead", "dock")
HAND_REASONS = ("narrow", "small", "steep", "unreachable", "out_of_signal", "left_out", "dock_straight")
SEVERITIES = ("info", "caution", "stop")
COVERS = ("lawn", "lawn_under_crown", "green", "dry", "shaded", "shrub", "hedge", "crown", "bare", "built", "unknown")
COVER_DOUBTS = ("maybe_lawn", "hardly_lawn")
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")

_PARCEL = identifier("parcel_id", "parcel that the row belongs to")


def stamped(spec: Layer) -> Layer:
    """Return a layer's declaration with the column `parcel_id`, which every layer of a plan has."""
    if any(column.name == _PARCEL.name for column in spec.columns):
        return spec
    return replace(spec, columns=(_PARCEL, *spec.columns))


def stamped_layers(*specs: Layer) -> tuple[Layer, ...]:
    """Return declarations of layers, each with the column `parcel_id`."""
    return tuple(stamped(spec) for spec in specs)


def _layers(*specs: Layer) -> Mapping[str, Layer]:
    return MappingProxyType({spec.name: replace(stamped(spec), style=STYLES.get(spec.name)) for spec in specs})


PLAN_LAYERS = _layers(
    SUMMARY,
    Layer(
        "lawn",
        "Lawn",
        "Lawn as surveyed, or derived from the parcel and what covers it.",
        "Polygon",
        (
            identifier("lawn_id", "name of the piece"),
            real("area_m2", "m²", "ground area", nullable=False),
            text("source", "where it comes from", ("surveyed", "derived", "imagery"), nullable=False),
            real("confidence", "", "how sure it is lawn, 0 to 1", nullable=False),
        ),
        key="lawn_id",
    ),
    Layer(
        "cover",
        "Ground cover from the air",
        "What image and surface model show, before any layer was asked; empty without an image. Crowns and the lawn "
        "guessed beneath them overlap; maybe_lawn and hardly_lawn lie over the rest.",
        "Polygon",
        (
            identifier("cover_id", "name of the piece"),
            text("cover", "what covers the ground", COVERS + COVER_DOUBTS, nullable=False),
            real("area_m2", "m²", "ground area", nullable=False),
            real("confidence", "", "how sure that is, 0 to 1", nullable=False),
            real("shaded_share", "", "share of it that lies in the shade of the image, 0 to 1"),
            real("greenness", "", "its index in the image: NDVI, or green leaf index without near infrared"),
            real("green_from", "", "index from which ground counts as green"),
            real("green_from_sd", "", "standard deviation of that"),
            text("evidence", "what says so"),
        ),
        key="cover_id",
    ),
    Layer(
        "trees_found",
        "Trees found in the surface model",
        "Trees that the layer trees lacks; trunk and place are guesses.",
        "Point",
        (
            identifier("tree_id", "name of the tree"),
            real("height_m", "m", "height above ground"),
            real("crown_diameter_m", "m", "diameter of the disc as large as its crown"),
            real("trunk_diameter_m", "m", "diameter of the trunk, guessed from the crown"),
            real("confidence", "", "how sure one tree stands there, 0 to 1", nullable=False),
        ),
        key="tree_id",
    ),
    Layer(
        "keepouts",
        "Keep-outs",
        "Ground that is kept from the mower, why and how.",
        "Polygon",
        (
            identifier("keepout_id", "name of the keep-out"),
            text("reason", "why", KEEPOUT_REASONS, nullable=False),
            text("treatment", "outside the wire, islanded by it, or bumped", TREATMENTS, nullable=False),
            real("area_m2", "m²", "ground area", nullable=False),
            real("confidence", "", "how sure it is needed, 0 to 1", nullable=False),
            text("evidence", "what says so"),
        ),
        key="keepout_id",
    ),
    Layer(
        "zones",
        "Zones",
        "Connected mowable ground wide enough to mow.",
        "Polygon",
        (
            identifier("zone_id", "name of the zone"),
            integer("mower_no", "number of the mower that mows it"),
            text("role", "home zone of its loop, linked with it, or detached", ROLES, nullable=False),
            real("area_m2", "m²", "ground area", nullable=False),
            real("perimeter_m", "m", "length of all its edges", nullable=False),
            real("slope_p50_percent", "%", "median slope"),
            real("slope_p95_percent", "%", "slope that 95 % of the zone stays below"),
            real("slope_max_percent", "%", "steepest cell"),
            text("loop_id", "loop of wire around it"),
            text("reached_by", "link through which the mower comes from the home zone"),
            text("supply", "what feeds its wire", SUPPLIES, nullable=False),
            text("supply_why", "why that supply"),
            real(
                "hours_week",
                "h",
                "hours a week that the zone takes when the grass grows most: mowing with turns and a pass along the "
                "edge, and the charging for it; the way to it comes on top",
            ),
        ),
        key="zone_id",
    ),
    Layer(
        "links",
        "Links between zones",
        "Passages and crossings: middle line, and width at the narrowest place.",
        "LineString",
        (
            identifier("link_id", "name of the link"),
            text("zone_a", "zone at its start", nullable=False),
            text("zone_b", "zone at its end", nullable=False),
            text("kind", "what the mower can do there", LINK_KINDS, nullable=False),
            real("width_m", "m", "width at the narrowest place, edge to edge", nullable=False),
            real("width_sd_m", "m", "standard deviation of that width"),
            real("length_m", "m", "length of its middle line", nullable=False),
            text("surface", "what it runs over"),
            boolean("along_border", "driven across anywhere along the border, whose length the width is"),
            real("border_saves", "", "material and hours that it saves against crossing at one place, in the currency"),
            text("currency", "of what it saves"),
            real("narrowest_x", "", "place of the narrowest, in the CRS of the layer"),
            real("narrowest_y", "", "place of the narrowest, in the CRS of the layer"),
        ),
        key="link_id",
    ),
    Layer(
        "edges",
        "Edges of zones",
        "Every stretch of every edge, by what lies beyond it.",
        "LineString",
        (
            identifier("edge_id", "name of the stretch"),
            text("zone_id", "zone that it bounds", nullable=False),
            text("edge_class", "what lies beyond", EDGE_CLASSES, nullable=False),
            real("setback_m", "m", "distance that the wire keeps", nullable=False),
            real("length_m", "m", "length", nullable=False),
            text("evidence", "what says so"),
            real("confidence", "", "how sure, 0 to 1"),
        ),
        key="edge_id",
    ),
    Layer(
        "wire_path",
        "Wire, whole loops",
        "Each loop as one closed line in laying order, from its dock or signal source and back to it.",
        "LineString",
        (
            identifier("loop_id", "name of the loop"),
            text("source", "what drives it", ("dock", "signal_source"), nullable=False),
            real("length_m", "m", "length along the ground, slope included", nullable=False),
            real("plan_length_m", "m", "length in plan", nullable=False),
            real("lead_m", "m", "of length_m in leads, both ways", nullable=False),
            real("slack_m", "m", "length in hand", nullable=False),
            real("length_sd_m", "m", "standard deviation of length_m by the accuracy of what bounds the zones"),
            real("resistance_ohm", "Ω", "of the copper at 20 °C, slack included", nullable=False),
            real("signal_min_ut", "µT", "weakest vertical field inside, at the antenna's height"),
            integer("signal", "number of its mower's signal: mowers whose loops lie side by side differ in it"),
        ),
        key="loop_id",
    ),
    Layer(
        "wire_runs",
        "Wire, runs in order",
        "The pieces of each loop in laying order.",
        "LineString",
        (
            text("loop_id", "loop that it belongs to", nullable=False),
            integer("seq", "place in the order, from 1", nullable=False),
            text("run_kind", "what the wire does", RUN_KINDS, nullable=False),
            text("edge_class", "class of the edge that it follows", EDGE_CLASSES),
            real("setback_m", "m", "distance to that edge"),
            real("from_m", "m", "chainage along the ground at its start", nullable=False),
            real("to_m", "m", "chainage along the ground at its end", nullable=False),
            text("island_id", "island that it goes round or leads to"),
        ),
    ),
    Layer(
        "pegs",
        "Pegs",
        "Every peg, numbered along the wire.",
        "Point",
        (
            text("loop_id", "loop that it holds", nullable=False),
            integer("peg_no", "number along the loop, from 1", nullable=False),
            real("chainage_m", "m", "length of wire from the start", nullable=False),
            text("peg_kind", "where it stands", PEG_KINDS, nullable=False),
            text("stage", "set while the wire is laid, or after the trial", PEG_STAGES),
        ),
    ),
    Layer(
        "joins",
        "Joins",
        "Where one reel ends and the next begins, and the closing joint.",
        "Point",
        (
            text("loop_id", "loop that it is in", nullable=False),
            real("chainage_m", "m", "length of wire from the start", nullable=False),
            text("why", "reason for the joint", ("reel_end", "closing"), nullable=False),
        ),
    ),
    LAYING_STEPS,
    WATCH_POINTS,
    Layer(
        "dock_candidates",
        "Places for the dock",
        "Every place that was looked at, with what it fails and how it scores.",
        "Point",
        (
            identifier("candidate_id", "name of the place"),
            text("zone_id", "zone that it is in", nullable=False),
            integer("rank", "1 is best; only places worth comparing are ranked"),
            real("score", "", "weighted score, 0 to 1"),
            boolean("chosen", "the plan uses it", nullable=False),
            boolean("feasible", "it meets every requirement", nullable=False),
            text("failed", "requirements that it misses"),
            real(
                "heading_deg", "°", "which way the dock looks, clockwise from grid north: the mower comes in from there"
            ),
            real("slope_percent", "%", "slope of the pad"),
            real("straight_m", "m", "straight wire ahead"),
            real("corner_m", "m", "along the wire to the next corner"),
            real("sprinkler_m", "m", "to the next sprinkler"),
            real("outlet_m", "m", "to the next outlet, straight"),
            real("supply_m", "m", "estimated length of supply cable"),
            real("shade_share", "", "share of the hot hours in shade"),
            real("street_sight_share", "", "share of street points that see it"),
            real("neighbour_m", "m", "to the next house on another parcel"),
            real("bed_m", "m", "to the next bed"),
            real("approach_slope_percent", "%", "steepest ground on the way into the dock"),
            real("first_rank_share", "", "share of random weightings under which it ranks first"),
            real("shade_score", "", "shade, scaled to 0 to 1"),
            real("hidden_score", "", "hidden from the street, scaled to 0 to 1"),
            real("supply_score", "", "short supply cable, scaled to 0 to 1"),
            real("flat_score", "", "level ground, scaled to 0 to 1"),
            real("straight_score", "", "straight wire, scaled to 0 to 1"),
            real("central_score", "", "middle of the home zone, scaled to 0 to 1"),
            real("neighbours_score", "", "far from neighbours' houses, scaled to 0 to 1"),
            real("beds_score", "", "far from beds, scaled to 0 to 1"),
        ),
        key="candidate_id",
    ),
    Layer(
        "supply_route",
        "Supply cable",
        "Way of the supply cable from the outlet to the dock.",
        "LineString",
        (
            text("candidate_id", "place of the dock", nullable=False),
            real("length_m", "m", "length along the ground", nullable=False),
            boolean("within_limit", "not longer than the profile allows", nullable=False),
            text("crosses", "paving that it crosses"),
            real("drop_percent", "%", "voltage drop while charging"),
            text("starts_at", "what it starts from"),
        ),
    ),
    Layer(
        "hand_mow",
        "To be mown by hand",
        "Lawn that no mower serves, and why.",
        "Polygon",
        (
            identifier("area_id", "name of the area"),
            text("reason", "why", HAND_REASONS, nullable=False),
            real("area_m2", "m²", "ground area", nullable=False),
        ),
        key="area_id",
    ),
    Layer(
        "materials",
        "Materials",
        "What it takes, and on what it is based.",
        None,
        (
            integer("mower_no", "number of the mower that it is for"),
            text("item", "what", nullable=False),
            real("quantity", "", "how much", nullable=False),
            text("unit", "of what", nullable=False),
            text("basis", "how the quantity comes about"),
            real("unit_price", "", "price of one unit without tax, in the currency beside it"),
            real("amount", "", "quantity times price, to the coin"),
            real("amount_sd", "", "standard deviation of the amount: by lengths, and by decisions that may flip"),
            text("currency", "currency of price and amount, ISO 4217"),
            text(
                "price_source",
                "an invented example, or a price book of one's own",
                PRICE_SOURCES,
            ),
        ),
    ),
    Layer(
        "schedule",
        "Weekly plan",
        "When the mower works in which zone.",
        None,
        (
            text("zone_id", "zone", nullable=False),
            text("weekday", "day", WEEKDAYS, nullable=False),
            text("start_time", "begin, local time HH:MM", nullable=False, form="clock"),
            text("end_time", "end, local time HH:MM", nullable=False, form="clock"),
            real("mowing_h", "h", "of it mowing, with turns, the edge and the way there and back", nullable=False),
            real("charging_h", "h", "of it charging between runs; not the charge after the last one", nullable=False),
            boolean("edge_pass", "the edge is mown too", nullable=False),
            text("sets_out", "from where the mower sets out: shares of departures, and metres along the zone's edge"),
        ),
    ),
    Layer(
        "findings",
        "Findings",
        "What was noticed: assumptions, cautions, and what stops the plan.",
        "Point",
        (
            text("parcel_id", "parcel, or empty for what holds for the whole run"),
            identifier("finding_id", "name of the finding"),
            text("severity", "how grave", SEVERITIES, nullable=False),
            text("code", "kind of finding, for programs", nullable=False),
            text("text", "what was found", nullable=False),
            text("advice", "what to do"),
            text("values", "values of which text and advice are made, as JSON", form="json"),
            text("step", "step that found it"),
        ),
        key="finding_id",
        may_be_empty_geometry=True,
    ),
    Layer(
        "visit_checks",
        "To be measured on site",
        "What the maps can't settle, the most doubtful first.",
        "Point",
        (
            identifier("check_id", "name of the check"),
            integer("priority", "1 first", nullable=False),
            text("measure_what", "what to measure", nullable=False),
            text("measured_how", "with what, how", nullable=False),
            real("value", "", "value from the maps"),
            real("sd", "", "its standard deviation"),
            text("unit", "unit of value, sd and limit"),
            real("limit_value", "", "value at which the decision changes"),
            text("decides", "what depends on it", nullable=False),
            real("flip_probability", "", "chance that measuring changes the decision"),
            real("flip_sd", "", "standard deviation of the chance, where it was counted over drawn plans"),
            real("price_share", "", "share of the price's doubt that measuring takes away, by drawn plans"),
            real("mown_share", "", "share of the doubt in the ground mown that measuring takes away, by drawn plans"),
            real("weight", "", "how much hangs on it, 0 to 1; with the chance it makes the priority"),
            real("at_stake", "", "ground [m²], wire [m] or money that changes with it; none where it may be all"),
            text("changes", "what more or less it takes then, by item of the materials, as JSON"),
            text("code", "kind of check, for programs"),
            text("values", "values of which its words are made, as JSON", form="json"),
            text("step", "step that asks for it"),
            text("target_layer", "layer that the measured value corrects, as in the site's overrides"),
            text("target_id", "feature of that layer; without it the nearest"),
            text("target_column", "column that the measured value corrects"),
        ),
        key="check_id",
    ),
    Layer(
        "visit_areas",
        "Ground and edges to be measured",
        "The ground or edge that a check asks about, when that is more than a point. Checks that ask about the same "
        "ground each have it.",
        "Geometry",
        (
            text("check_id", "check that asks about it", nullable=False),
            real("area_m2", "m²", "ground area; none for an edge"),
            real("length_m", "m", "length of an edge; none for ground"),
            text("step", "step that asks for it"),
        ),
        mixed=("Polygon", "LineString"),
    ),
    Layer(
        "mowers",
        "Mowers",
        "The mowers that serve a parcel: one, or as many as share a lawn that one can't do.",
        None,
        (
            integer("mower_no", "number of the mower, from 1 on each parcel", nullable=False),
            text("profile", "name of its profile", nullable=False),
            integer("zones", "zones that it mows", nullable=False),
            integer("loops", "its loops of wire", nullable=False),
            real(
                "hours_week",
                "h",
                "hours a week that its zones take when the grass grows most, charging included and ways to them not",
            ),
            real("amount", "", "price of it and its materials without tax, in the currency of the summary"),
        ),
    ),
    Layer(
        "run_info",
        "How this plan was made",
        "Tool version, parameters, inputs with their hashes, times.",
        None,
        (
            text("parcel_id", "parcel, or empty for the whole run"),
            text("key", "what", nullable=False),
            text("value", "its value"),
        ),
    ),
)
"""Layers of ``plan.gpkg``, by name, in the order in which they are written."""

PLAN_RASTERS = MappingProxyType(
    {
        "slope": "slope on the DEM's grid [%]",
        "slope_sd": "its standard deviation [%]",
        "signal": "vertical field at the antenna's height [µT]",
        "shade": "share of hot hours in shade",
        "coverage": "share of simulated mowings that reach a place",
    }
)
"""Rasters that ``--rasters`` writes beside the plan."""
