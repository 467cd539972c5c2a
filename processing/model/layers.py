"""The plan contract as data: every layer that goes in or comes out, declared once.

From these declarations come the validation of what steps produce, the schemas used on writing, the column
descriptions inside the GeoPackage, the tables in DEVELOPERS.md and what ``lawngis describe`` prints.
A new column or layer is one declaration here and one function that fills it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

ColumnKind = Literal["text", "real", "integer", "boolean", "datetime"]


@dataclass(frozen=True)
class ColumnSpec:
    """One column: its name, type, unit and meaning, and the values it may take (empty: any)."""

    name: str
    kind: ColumnKind
    description: str
    unit: str = ""
    values: tuple[str, ...] = ()
    nullable: bool = True


@dataclass(frozen=True)
class LayerSpec:
    """One layer of the plan: `geometry` is a single geometry type, or None for a table without geometry.

    `key` is the column whose values are unique in the file, where there is one.
    """

    name: str
    title: str
    description: str
    geometry: str | None
    columns: tuple[ColumnSpec, ...]
    key: str | None = None
    may_be_empty_geometry: bool = False

    def column(self, name: str) -> ColumnSpec:
        """Return the declaration of one column."""
        return next(column for column in self.columns if column.name == name)


@dataclass(frozen=True)
class InputSpec:
    """One layer of the site: its geometry types, the columns that are read, what is unknown without it."""

    name: str
    title: str
    geometries: tuple[str, ...]
    columns: tuple[ColumnSpec, ...]
    unknown_without: str = ""


def _text(name: str, description: str, values: tuple[str, ...] = (), *, nullable: bool = True) -> ColumnSpec:
    return ColumnSpec(name, "text", description, "", values, nullable)


def _real(name: str, unit: str, description: str, *, nullable: bool = True) -> ColumnSpec:
    return ColumnSpec(name, "real", description, unit, (), nullable)


def _integer(name: str, description: str, *, nullable: bool = True) -> ColumnSpec:
    return ColumnSpec(name, "integer", description, "", (), nullable)


def _boolean(name: str, description: str, *, nullable: bool = True) -> ColumnSpec:
    return ColumnSpec(name, "boolean", description, "", (), nullable)


def _id(name: str, description: str) -> ColumnSpec:
    return _text(name, description, nullable=False)


EDGE_CLASSES = ("flush", "raised", "drop", "water", "soft", "steep", "boundary", "unknown")
KEEPOUT_REASONS = ("steep", "water", "bed", "tree", "obstacle", "drop", "narrow", "small")
TREATMENTS = ("outside", "island", "bump")
ROLES = ("home", "linked", "detached")
LINK_KINDS = ("open", "transit", "crossing", "blocked")
SUPPLIES = ("own_dock", "own_source", "main_wire", "none")
RUN_KINDS = ("edge", "corner", "passage", "island", "lead_out", "lead_back")
PEG_KINDS = ("straight", "bend", "lead", "dock")
HAND_REASONS = ("narrow", "small", "steep", "unreachable", "out_of_signal", "left_out")
SEVERITIES = ("info", "caution", "stop")
STATUSES = ("planned", "not_suitable", "failed")
COVERS = ("lawn", "lawn_under_crown", "shrub", "hedge", "crown", "bare", "built")
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")

_PARCEL = _id("parcel_id", "parcel that the row belongs to")

_POLYGONS = ("Polygon", "MultiPolygon")
_LINES = ("LineString", "MultiLineString")


def _inputs(*specs: InputSpec) -> Mapping[str, InputSpec]:
    return MappingProxyType({spec.name: spec for spec in specs})


SITE_LAYERS = _inputs(
    InputSpec(
        "parcels",
        "Parcels to plan",
        _POLYGONS,
        (
            _text("parcel_id", "unique name of the parcel; made from the row number when absent"),
            _text("label", "what people call it"),
        ),
    ),
    InputSpec(
        "lawns",
        "Lawns already surveyed or drawn",
        _POLYGONS,
        (),
        "where the lawn ends: it is derived from what covers the rest of the parcel",
    ),
    InputSpec(
        "buildings",
        "Buildings",
        _POLYGONS,
        (_real("height_m", "m", "height above ground"),),
        "where houses stand: their ground would count as lawn",
    ),
    InputSpec(
        "hard_surfaces",
        "Paving",
        _POLYGONS,
        (
            _text("use", "what it is for", ("path", "terrace", "drive", "road", "other")),
            _text("level", "height against the lawn", ("flush", "raised", "sunken", "unknown")),
            _real("height_m", "m", "height above the lawn"),
        ),
        "where paving lies and whether the mower's wheel may roll onto it",
    ),
    InputSpec(
        "beds",
        "Beds and borders",
        _POLYGONS,
        (_text("kind", "what grows there", ("flowers", "shrubs", "hedge", "vegetables", "other")),),
        "where beds are: they would be mown",
    ),
    InputSpec(
        "water",
        "Open water",
        _POLYGONS,
        (_text("kind", "what it is", ("pond", "pool", "stream", "other")),),
        "where water is: check on site before anything is laid",
    ),
    InputSpec(
        "trees",
        "Trees",
        ("Point", "MultiPoint"),
        (
            _real("trunk_diameter_m", "m", "diameter of the trunk at breast height"),
            _real("crown_diameter_m", "m", "diameter of the crown"),
            _real("height_m", "m", "height above ground"),
        ),
        "where trees stand and which may be bumped",
    ),
    InputSpec(
        "barriers",
        "Walls, fences, hedges, kerbs and drops",
        _LINES,
        (
            _text(
                "kind",
                "what it is; a drop falls away to the right",
                ("wall", "fence", "hedge", "kerb", "drop"),
            ),
            _real("height_m", "m", "height above the lawn, or depth of a drop"),
        ),
        "what stands along the edges: setbacks there are those of an unknown edge",
    ),
    InputSpec("sprinklers", "Sprinklers", ("Point", "MultiPoint"), (), "whether the dock would be wetted"),
    InputSpec(
        "outlets",
        "Outdoor supply points",
        ("Point", "MultiPoint"),
        (),
        "where the supply comes from: the nearest house wall is assumed",
    ),
    InputSpec(
        "streets",
        "Public ground",
        (*_LINES, *_POLYGONS),
        (),
        "from where the dock can be seen, and where the public walks",
    ),
    InputSpec(
        "obstacles",
        "Anything else that stands on the lawn",
        ("Point", "MultiPoint", *_POLYGONS),
        (
            _boolean("rigid", "may be bumped"),
            _real("height_m", "m", "height above ground"),
        ),
        "what else stands on the lawn",
    ),
    InputSpec(
        "overrides",
        "Measured on site",
        ("Point", "MultiPoint", *_LINES, *_POLYGONS, "None"),
        (
            _text("target_layer", "layer of the plan that is corrected"),
            _text("target_id", "feature of that layer"),
            _text("column", "column that is corrected"),
            _text("value", "value that was measured"),
            _text("note", "who measured, when, how"),
        ),
    ),
)
"""Layers that a site may bring, by name; only `parcels` is needed."""

RASTERS = MappingProxyType(
    {
        "dem": "bare-ground elevation",
        "dsm": "surface elevation with buildings and vegetation",
        "imagery": "aerial image with red and near infrared",
    }
)
"""Rasters that a site may bring; only `dem` is needed."""


def _layers(*specs: LayerSpec) -> Mapping[str, LayerSpec]:
    return MappingProxyType({spec.name: spec for spec in specs})


PLAN_LAYERS = _layers(
    LayerSpec(
        "summary",
        "Parcels and verdicts",
        "One row per parcel: whether a mower makes sense there, and the figures that decide.",
        "MultiPolygon",
        (
            _PARCEL,
            _text("label", "what people call the parcel"),
            _text("status", "what came of it", STATUSES, nullable=False),
            _text("verdict_text", "the verdict in words"),
            _real("lawn_m2", "m²", "lawn, ground area"),
            _real("mowable_m2", "m²", "ground in zones that a mower serves"),
            _integer("zones", "zones that a mower serves"),
            _integer("loops", "loops of wire"),
            _real("wire_m", "m", "wire in all loops along the ground, leads included, slack not"),
            _real("lead_m", "m", "of it in leads to islands, both ways"),
            _integer("pegs", "pegs"),
            _real("dock_score", "", "score of the chosen place for the dock, 0 to 1"),
            _real("slope_p95_percent", "%", "slope that 95 % of the mowable ground stays below"),
            _real("mowing_hours_week", "h", "hours a week that the mower works, charging included"),
            _real("amount", "", "price of the materials, in the currency of run_info"),
            _integer("stop_findings", "findings that forbid laying the wire as planned"),
            _integer("visit_checks", "things to measure on site"),
            _real("seconds", "s", "time taken to plan the parcel"),
        ),
        key="parcel_id",
        may_be_empty_geometry=True,
    ),
    LayerSpec(
        "lawn",
        "Lawn",
        "Lawn as surveyed, or derived from the parcel and what covers it.",
        "Polygon",
        (
            _PARCEL,
            _id("lawn_id", "name of the piece"),
            _real("area_m2", "m²", "ground area", nullable=False),
            _text("source", "where it comes from", ("surveyed", "derived", "imagery"), nullable=False),
            _real("confidence", "", "how sure it is lawn, 0 to 1", nullable=False),
        ),
        key="lawn_id",
    ),
    LayerSpec(
        "cover",
        "Ground cover from the air",
        "What image and surface model show, before any layer was asked; empty without an image. Crowns and the lawn "
        "guessed beneath them overlap.",
        "Polygon",
        (
            _PARCEL,
            _id("cover_id", "name of the piece"),
            _text("cover", "what covers the ground", COVERS, nullable=False),
            _real("area_m2", "m²", "ground area", nullable=False),
            _real("confidence", "", "how sure that is, 0 to 1", nullable=False),
            _real("shaded_share", "", "share of it that lies in the shade of the image, 0 to 1"),
            _text("evidence", "what says so"),
        ),
        key="cover_id",
    ),
    LayerSpec(
        "trees_found",
        "Trees found in the surface model",
        "Trees that the layer trees lacks; trunk and place are guesses.",
        "Point",
        (
            _PARCEL,
            _id("tree_id", "name of the tree"),
            _real("height_m", "m", "height above ground"),
            _real("crown_diameter_m", "m", "diameter of the disc as large as its crown"),
            _real("trunk_diameter_m", "m", "diameter of the trunk, guessed from the crown"),
            _real("confidence", "", "how sure one tree stands there, 0 to 1", nullable=False),
        ),
        key="tree_id",
    ),
    LayerSpec(
        "keepouts",
        "Keep-outs",
        "Ground that is kept from the mower, why and how.",
        "Polygon",
        (
            _PARCEL,
            _id("keepout_id", "name of the keep-out"),
            _text("reason", "why", KEEPOUT_REASONS, nullable=False),
            _text("treatment", "outside the wire, islanded by it, or bumped", TREATMENTS, nullable=False),
            _real("area_m2", "m²", "ground area", nullable=False),
            _real("confidence", "", "how sure it is needed, 0 to 1", nullable=False),
            _text("evidence", "what says so"),
        ),
        key="keepout_id",
    ),
    LayerSpec(
        "zones",
        "Zones",
        "Connected mowable ground wide enough to mow.",
        "Polygon",
        (
            _PARCEL,
            _id("zone_id", "name of the zone"),
            _text("role", "home of the mower, linked with it, or detached", ROLES, nullable=False),
            _real("area_m2", "m²", "ground area", nullable=False),
            _real("perimeter_m", "m", "length of all its edges", nullable=False),
            _real("slope_p50_percent", "%", "median slope"),
            _real("slope_p95_percent", "%", "slope that 95 % of it stays below"),
            _real("slope_max_percent", "%", "steepest cell"),
            _text("loop_id", "loop of wire around it"),
            _text("reached_by", "link through which the mower comes"),
            _text("supply", "what feeds its wire", SUPPLIES, nullable=False),
            _text("supply_why", "why that supply"),
            _real("hours_week", "h", "hours a week the mower works there, charging included"),
        ),
        key="zone_id",
    ),
    LayerSpec(
        "links",
        "Links between zones",
        "Passages and crossings: middle line, and width at the narrowest place.",
        "LineString",
        (
            _PARCEL,
            _id("link_id", "name of the link"),
            _text("zone_a", "zone at its start", nullable=False),
            _text("zone_b", "zone at its end", nullable=False),
            _text("kind", "what the mower can do there", LINK_KINDS, nullable=False),
            _real("width_m", "m", "width at the narrowest place, edge to edge", nullable=False),
            _real("width_sd_m", "m", "standard deviation of that width"),
            _real("length_m", "m", "length of its middle line", nullable=False),
            _text("surface", "what it runs over"),
            _real("narrowest_x", "", "place of the narrowest, in the CRS of the layer"),
            _real("narrowest_y", "", "place of the narrowest, in the CRS of the layer"),
        ),
        key="link_id",
    ),
    LayerSpec(
        "edges",
        "Edges of zones",
        "Every stretch of every edge, by what lies beyond it.",
        "LineString",
        (
            _PARCEL,
            _id("edge_id", "name of the stretch"),
            _text("zone_id", "zone that it bounds", nullable=False),
            _text("edge_class", "what lies beyond", EDGE_CLASSES, nullable=False),
            _real("setback_m", "m", "distance that the wire keeps", nullable=False),
            _real("length_m", "m", "length", nullable=False),
            _text("evidence", "what says so"),
            _real("confidence", "", "how sure, 0 to 1"),
        ),
        key="edge_id",
    ),
    LayerSpec(
        "wire_path",
        "Wire, whole loops",
        "Each loop as one closed line in laying order, from its dock or signal source and back to it.",
        "LineString",
        (
            _PARCEL,
            _id("loop_id", "name of the loop"),
            _text("source", "what drives it", ("dock", "signal_source"), nullable=False),
            _real("length_m", "m", "length along the ground, slope included", nullable=False),
            _real("plan_length_m", "m", "length in plan", nullable=False),
            _real("lead_m", "m", "of length_m in leads, both ways", nullable=False),
            _real("slack_m", "m", "length in hand", nullable=False),
            _real("resistance_ohm", "Ω", "of the copper at 20 °C, slack included", nullable=False),
            _real("signal_min_ut", "µT", "weakest vertical field inside, at the antenna's height"),
        ),
        key="loop_id",
    ),
    LayerSpec(
        "wire_runs",
        "Wire, runs in order",
        "The pieces of each loop in laying order.",
        "LineString",
        (
            _PARCEL,
            _text("loop_id", "loop that it belongs to", nullable=False),
            _integer("seq", "place in the order, from 1", nullable=False),
            _text("run_kind", "what the wire does", RUN_KINDS, nullable=False),
            _text("edge_class", "class of the edge that it follows", EDGE_CLASSES),
            _real("setback_m", "m", "distance to that edge"),
            _real("from_m", "m", "chainage along the ground at its start", nullable=False),
            _real("to_m", "m", "chainage along the ground at its end", nullable=False),
            _text("island_id", "island that it goes round or leads to"),
        ),
    ),
    LayerSpec(
        "pegs",
        "Pegs",
        "Every peg, numbered along the wire.",
        "Point",
        (
            _PARCEL,
            _text("loop_id", "loop that it holds", nullable=False),
            _integer("peg_no", "number along the loop, from 1", nullable=False),
            _real("chainage_m", "m", "length of wire from the start", nullable=False),
            _text("peg_kind", "where it stands", PEG_KINDS, nullable=False),
        ),
    ),
    LayerSpec(
        "joins",
        "Joins",
        "Where one reel ends and the next begins, and the closing joint.",
        "Point",
        (
            _PARCEL,
            _text("loop_id", "loop that it is in", nullable=False),
            _real("chainage_m", "m", "length of wire from the start", nullable=False),
            _text("why", "reason for the joint", ("reel_end", "closing"), nullable=False),
        ),
    ),
    LayerSpec(
        "dock_candidates",
        "Places for the dock",
        "Every place that was looked at, with what it fails and how it scores.",
        "Point",
        (
            _PARCEL,
            _id("candidate_id", "name of the place"),
            _text("zone_id", "zone that it is in", nullable=False),
            _integer("rank", "1 is best; only places worth comparing are ranked"),
            _real("score", "", "weighted score, 0 to 1"),
            _boolean("chosen", "the plan uses it", nullable=False),
            _boolean("feasible", "it meets every must-have", nullable=False),
            _text("failed", "must-haves that it misses"),
            _real("heading_deg", "°", "driving direction of the wire, clockwise from grid north"),
            _real("slope_percent", "%", "slope of the pad"),
            _real("straight_m", "m", "straight wire ahead"),
            _real("corner_m", "m", "along the wire to the next corner"),
            _real("sprinkler_m", "m", "to the next sprinkler"),
            _real("outlet_m", "m", "to the next outlet, straight"),
            _real("supply_m", "m", "estimated length of supply cable"),
            _real("shade_share", "", "share of the hot hours in shade"),
            _real("street_sight_share", "", "share of street points that see it"),
            _real("neighbour_m", "m", "to the next house on another parcel"),
            _real("bed_m", "m", "to the next bed"),
            _real("approach_slope_percent", "%", "steepest ground on the way into the dock"),
            _real("first_rank_share", "", "share of random weightings under which it ranks first"),
            _real("shade_score", "", "shade, scaled to 0 to 1"),
            _real("hidden_score", "", "hidden from the street, scaled to 0 to 1"),
            _real("supply_score", "", "short supply cable, scaled to 0 to 1"),
            _real("flat_score", "", "level ground, scaled to 0 to 1"),
            _real("straight_score", "", "straight wire, scaled to 0 to 1"),
            _real("central_score", "", "middle of the zone, scaled to 0 to 1"),
            _real("neighbours_score", "", "far from neighbours' houses, scaled to 0 to 1"),
            _real("beds_score", "", "far from beds, scaled to 0 to 1"),
        ),
        key="candidate_id",
    ),
    LayerSpec(
        "supply_route",
        "Supply cable",
        "Way of the supply cable from the outlet to the dock.",
        "LineString",
        (
            _PARCEL,
            _text("candidate_id", "place of the dock", nullable=False),
            _real("length_m", "m", "length along the ground", nullable=False),
            _boolean("within_limit", "not longer than the profile allows", nullable=False),
            _text("crosses", "paving that it crosses"),
            _real("drop_percent", "%", "voltage drop while charging"),
            _text("starts_at", "what it starts from"),
        ),
    ),
    LayerSpec(
        "hand_mow",
        "To be mown by hand",
        "Lawn that no mower serves, and why.",
        "Polygon",
        (
            _PARCEL,
            _id("area_id", "name of the area"),
            _text("reason", "why", HAND_REASONS, nullable=False),
            _real("area_m2", "m²", "ground area", nullable=False),
        ),
        key="area_id",
    ),
    LayerSpec(
        "materials",
        "Materials",
        "What it takes, and on what it is based.",
        None,
        (
            _PARCEL,
            _text("item", "what", nullable=False),
            _real("quantity", "", "how much", nullable=False),
            _text("unit", "of what", nullable=False),
            _text("basis", "how the quantity comes about"),
            _real("unit_price", "", "price of one unit, in the currency of run_info"),
            _real("amount", "", "quantity times price"),
        ),
    ),
    LayerSpec(
        "schedule",
        "Weekly plan",
        "When the mower works in which zone.",
        None,
        (
            _PARCEL,
            _text("zone_id", "zone", nullable=False),
            _text("weekday", "day", WEEKDAYS, nullable=False),
            _text("start_time", "begin, local time HH:MM", nullable=False),
            _text("end_time", "end, local time HH:MM", nullable=False),
            _real("mowing_h", "h", "of it mowing", nullable=False),
            _real("charging_h", "h", "of it charging", nullable=False),
            _boolean("edge_pass", "the edge is mown too", nullable=False),
            _text("sets_out", "from where the mower sets out: shares of departures, and metres along the zone's edge"),
        ),
    ),
    LayerSpec(
        "findings",
        "Findings",
        "What was noticed: assumptions, cautions, and what stops the plan.",
        "Point",
        (
            _PARCEL,
            _id("finding_id", "name of the finding"),
            _text("severity", "how grave", SEVERITIES, nullable=False),
            _text("code", "kind of finding, for programs", nullable=False),
            _text("text", "what was found", nullable=False),
            _text("advice", "what to do"),
            _text("step", "step that found it"),
        ),
        key="finding_id",
        may_be_empty_geometry=True,
    ),
    LayerSpec(
        "visit_checks",
        "To be measured on site",
        "What the maps can't settle, the most doubtful first.",
        "Point",
        (
            _PARCEL,
            _id("check_id", "name of the check"),
            _integer("priority", "1 first", nullable=False),
            _text("measure_what", "what to measure", nullable=False),
            _text("measured_how", "with what, how", nullable=False),
            _real("value", "", "value from the maps"),
            _real("sd", "", "its standard deviation"),
            _text("unit", "unit of value, sd and limit"),
            _real("limit_value", "", "value at which the decision changes"),
            _text("decides", "what depends on it", nullable=False),
            _real("flip_probability", "", "chance that measuring changes the decision"),
            _text("step", "step that asks for it"),
            _text("target_layer", "layer that the measured value corrects, as in the site's overrides"),
            _text("target_id", "feature of that layer; without it the nearest"),
            _text("target_column", "column that the measured value corrects"),
        ),
        key="check_id",
    ),
    LayerSpec(
        "run_info",
        "How this plan was made",
        "Tool version, parameters, inputs with their hashes, times.",
        None,
        (
            _text("parcel_id", "parcel, or empty for the whole run"),
            _text("key", "what", nullable=False),
            _text("value", "its value"),
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
