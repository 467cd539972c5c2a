"""The plan as a DXF drawing in metres: one drawing layer per layer of the plan and kind of thing in it."""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable
from typing import TYPE_CHECKING

import shapely
from ezdxf import units
from ezdxf.filemanagement import new
from shapely.geometry.base import BaseGeometry

from lawngis import __version__

from ..model.plan import Row
from ..model.styles import MARK_CORNERS, PARCEL_STYLES, Area, Line, Mark, Rule
from .reading import ParcelPlan, credit_lines, made_by
from .texts import CAUTIONS

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts.layout import Modelspace

TEXT_M = 0.25
DXF_VERSION = "R2010"  # read by everything that is still in use; text in it is Unicode
_DASH_LENGTHS_MM = 0.05  # a dash of 1 mm on paper is 0.05 m of ground in the drawing: as on a sheet of 1:50
_WEIGHTS = (13, 18, 25, 35, 50, 70, 100)  # hundredths of a millimetre; the format allows only certain widths


def dxf(plan: ParcelPlan) -> bytes:
    """Return a parcel's plan as DXF.

    Coordinates are metres of the CRS of the plan where that is in metres, else of the parcel's measuring frame
    (true north up, origin in the middle of the parcel); the drawing's layer NOTES says which.

    Parameters
    ----------
    plan
        The parcel.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the parser beneath, about itself
        document = new(DXF_VERSION, setup=True, units=units.M)
    document.header["$MEASUREMENT"] = 1
    space = document.modelspace()
    move, crs_words = _mover(plan)
    for name, style in PARCEL_STYLES.items():
        rows = [
            (row, rule)
            for row in plan.rows[name]
            if (rule := style.rule(row)) and not row["geometry"].is_empty
            and not (name == "dock_candidates" and not row["chosen"])
        ]  # fmt: skip
        for (row, rule), shape in zip(rows, move([row["geometry"] for row, _ in rows]), strict=True):
            layer = _layer(document, name, rule)
            _draw(document, space, layer, shape, rule)
            label = _label(name, row)
            if label:
                _text(space, layer, shape, label)
    _context(document, space, plan, move)
    _notes(document, space, plan, move, crs_words)
    text = io.StringIO()
    document.write(text)
    return text.getvalue().encode(document.output_encoding, "dxfreplace")


def _mover(plan: ParcelPlan) -> tuple[Callable[[list[BaseGeometry]], list[BaseGeometry]], str]:
    crs = plan.frame.source
    if crs.is_projected and all(axis.unit_conversion_factor == 1.0 for axis in crs.axis_info[:2]):
        return lambda shapes: list(plan.frame.to_source(shapes)) if shapes else [], f"CRS: {crs.name}, metres"
    where = f"{plan.frame.latitude_deg:.7f}, {plan.frame.longitude_deg:.7f}"
    return lambda shapes: shapes, f"metres, true north up, origin at latitude, longitude {where} ({crs.name})"


def drawing_layer(layer: str, rule: Rule) -> str:
    """Return the name of the drawing layer for what falls under a rule.

    Examples
    --------
    >>> drawing_layer("wire_runs", PARCEL_STYLES["wire_runs"].rules[4])
    'WIRE_RUNS-LEAD_OUT'
    """
    return (layer if rule.value is None else f"{layer}-{rule.value}").upper()


def _layer(document: Drawing, name: str, rule: Rule) -> str:
    layer_name = drawing_layer(name, rule)
    if layer_name not in document.layers:
        symbol = rule.symbol
        colour = symbol.stroke if isinstance(symbol, Area | Line) else symbol.fill
        dash = symbol.dash_mm if isinstance(symbol, Line) else ()
        layer = document.layers.add(layer_name, linetype=_linetype(document, dash))
        layer.rgb = _rgb(_inked(colour))
        layer.dxf.lineweight = min(_WEIGHTS, key=lambda w: abs(w - 100 * getattr(symbol, "width_mm", 0.13)))
        layer.description = rule.label
    return layer_name


def _inked(colour: str) -> str:
    """White would not be seen on paper."""
    return "#6b6b6b" if colour.lower() in ("", "#ffffff") else colour


def _rgb(colour: str) -> tuple[int, int, int]:
    red, green, blue = (int(colour[at : at + 2], 16) for at in (1, 3, 5))
    return red, green, blue


def _linetype(document: Drawing, dash_mm: tuple[float, ...]) -> str:
    if not dash_mm:
        return "CONTINUOUS"
    name = "DASH_" + "_".join(f"{round(10 * length)}" for length in dash_mm)
    if name not in document.linetypes:
        lengths = [length * _DASH_LENGTHS_MM for length in dash_mm]
        pattern = [sum(lengths), *(length if at % 2 == 0 else -length for at, length in enumerate(lengths))]
        document.linetypes.add(name, pattern, description=f"dashes of {dash_mm} mm at 1:50")
    return name


def _draw(document: Drawing, space: Modelspace, layer: str, shape: BaseGeometry, rule: Rule) -> None:
    at = {"layer": layer}
    if isinstance(rule.symbol, Mark):
        block = f"MARK_{rule.symbol.shape.upper()}"
        if block not in document.blocks:
            _mark_block(document, block, rule.symbol.shape)
        size = rule.symbol.size_mm * 0.1
        space.add_blockref(block, shape.coords[0][:2], dxfattribs={**at, "xscale": size, "yscale": size})
        return
    for part in shapely.get_parts(shape).tolist():
        rings = [part.exterior, *part.interiors] if part.geom_type == "Polygon" else [part]
        for ring in rings:
            corners = list(ring.coords)
            closed = corners[0] == corners[-1]
            space.add_lwpolyline(corners[:-1] if closed else corners, close=closed, dxfattribs=at)


def _mark_block(document: Drawing, name: str, shape: str) -> None:
    block = document.blocks.new(name)
    if shape == "circle":
        block.add_circle((0, 0), 0.5)
    else:
        block.add_lwpolyline(MARK_CORNERS[shape], close=True)


def _label(layer: str, row: Row) -> str:
    if layer == "joins":
        return f"{row['loop_id']} {row['chainage_m']:.1f} m"
    column = {"pegs": "peg_no", "zones": "zone_id", "visit_checks": "priority", "dock_candidates": "candidate_id"}.get(
        layer
    )
    return str(row[column]) if column else ""


def _text(space: Modelspace, layer: str, shape: BaseGeometry, text: str) -> None:
    place = shape if isinstance(shape, shapely.Point) else shapely.point_on_surface(shape)
    height = TEXT_M * (0.4 if layer.startswith("PEGS") else 1.0)
    attributes = {"layer": layer, "height": height, "style": "OpenSans"}
    space.add_text(text, dxfattribs=attributes).set_placement((place.x + 0.08, place.y + 0.08))


def _context(
    document: Drawing, space: Modelspace, plan: ParcelPlan, move: Callable[[list[BaseGeometry]], list[BaseGeometry]]
) -> None:
    for name, shapes in plan.context.items():
        layer = f"SITE-{name.upper()}"
        document.layers.add(layer, color=8)
        for shape in move(list(shapes)):
            if "Point" in shape.geom_type:
                for x, y in shapely.get_coordinates(shape).tolist():
                    space.add_circle((x, y), 0.15, dxfattribs={"layer": layer})
            else:
                _draw(document, space, layer, shape, PARCEL_STYLES["lawn"].rules[0])


def _notes(
    document: Drawing,
    space: Modelspace,
    plan: ParcelPlan,
    move: Callable[[list[BaseGeometry]], list[BaseGeometry]],
    crs_words: str,
) -> None:
    document.layers.add("NOTES", color=7)
    if plan.outline.is_empty:
        return
    left, bottom, _, _ = next(iter(move([plan.outline]))).bounds
    lines = [plan.title, crs_words, f"{made_by(plan.run_info)}; drawing by lawngis {__version__}"]
    lines += [*CAUTIONS, *credit_lines(plan.run_info)]
    for number, line in enumerate(lines):
        # the format reserves the caret and per cent signs in pairs
        text = " ".join(line.split()).replace("^", "^ ").replace("%%", "% %")
        space.add_text(text, dxfattribs={"layer": "NOTES", "height": TEXT_M, "style": "OpenSans"}).set_placement(
            (left, bottom - 1.0 - 2 * TEXT_M * number)
        )
