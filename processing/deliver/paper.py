"""Paper: pages with the tool's fonts, head and foot, tables, and a map field in true scale."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from datetime import datetime
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, cast

import numpy as np
import shapely
from fpdf import FPDF
from fpdf.drawing import PaintedPath
from fpdf.enums import IntersectionRule, StrokeCapStyle, StrokeJoinStyle, XPos, YPos
from fpdf.fonts import FontFace
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from lawngis import __version__

from ..styles import HATCH_ANGLE_DEG, HATCH_SPACING_MM, MARK_CORNERS, WHITE, Area, Line, Mark, Symbol
from .reading import ParcelPlan, data_sources, made_by
from .texts import CAUTIONS

FONT = "dejavu"
MARGIN_MM = 10.0
HAIRLINE_MM = 0.1
FOOT_MM = MARGIN_MM + 6
_RIGHT_TO_LEFT = frozenset({"R", "AL", "AN", "RLE", "RLO", "RLI"})


@cache
def _glyphs() -> frozenset[int]:
    from fontTools.ttLib import TTFont  # type: ignore[import-untyped, unused-ignore]

    with TTFont(_font_file("DejaVuSans.ttf"), lazy=True) as font:
        return frozenset(font.getBestCmap())


def _font_file(name: str) -> Path:
    return Path(str(resources.files(__package__).joinpath("fonts", name)))


_UNSEEN = {0x200D, 0xFE0E, 0xFE0F, 0x200E, 0x200F, 0x2066, 0x2067, 0x2068, 0x2069}


def printable(text: object) -> str:
    """Return text of which every letter can be printed: a sign that the font lacks is spelled by its name.

    Examples
    --------
    >>> printable("Müller 🌳")
    'Müller [deciduous tree]'
    """
    return "".join(_printable(letter) for letter in str(text))


def _printable(letter: str) -> str:
    number = ord(letter)
    if number in _UNSEEN or 0xD800 <= number < 0xE000:
        return ""
    if letter == "\n" or (number in _glyphs() and letter.isprintable()):
        return letter
    if not letter.isprintable():
        return " "
    return f"[{unicodedata.name(letter, f'U+{number:04X}').lower()}]"


class Paper(FPDF):
    """A PDF in millimetres with our fonts; every page says what it is of, and made by what.

    Parameters
    ----------
    plan
        Parcel that the document is about.
    kind
        What it is: ``Plan sheet``.
    written_at
        Time to be noted in the file.
    size
        Paper, as ``A4``.
    landscape
        Lying paper.
    language
        Language of the text, as ``en-GB``.
    """

    def __init__(
        self,
        plan: ParcelPlan,
        kind: str,
        written_at: datetime,
        *,
        size: str = "A4",
        landscape: bool = False,
        language: str = "en-GB",
    ) -> None:
        super().__init__(orientation="landscape" if landscape else "portrait", unit="mm", format=size)
        self.plan, self.kind = plan, kind
        self.add_font(FONT, "", _font_file("DejaVuSans.ttf"))
        self.add_font(FONT, "B", _font_file("DejaVuSans-Bold.ttf"))
        self.set_margins(MARGIN_MM, MARGIN_MM, MARGIN_MM)
        self.set_auto_page_break(True, margin=FOOT_MM)
        self.set_title(printable(f"{kind}: {plan.title}"))
        self.set_creator(f"lawngis {__version__}")
        self.set_lang(language)
        self.set_creation_date(written_at)

    def footer(self) -> None:
        """Write the foot of a page."""
        self.set_xy(MARGIN_MM, -MARGIN_MM - 2)
        self.face(6.5)
        self.set_text_color(90)
        wide = self.w - 2 * MARGIN_MM
        self.cell(wide * 0.86, 3, printable(f"{self.kind}, {self.plan.title} · {made_by(self.plan.run_info)}"))
        self.cell(wide * 0.14, 3, f"page {self.page_no()} of {{nb}}", align="R")
        self.set_text_color(0)

    def face(self, size_pt: float, *, bold: bool = False) -> None:
        """Take up a size and weight of the font."""
        self.set_font(FONT, "B" if bold else "", size_pt)

    def say(self, text: object, size_pt: float = 9, *, bold: bool = False, wide_mm: float = 0.0) -> None:
        """Write a paragraph at the present place and go below it."""
        words = printable(text)
        self.face(size_pt, bold=bold)
        backwards = any(unicodedata.bidirectional(letter) in _RIGHT_TO_LEFT for letter in words)
        self.set_text_shaping(backwards)
        self.multi_cell(wide_mm, size_pt * 0.46, words, align="L", new_x=XPos.LEFT, new_y=YPos.NEXT)
        self.set_text_shaping(False)

    def heading(self, text: str) -> None:
        """Write the heading of a part; it stays with what follows."""
        if self.get_y() > self.h - 45:
            self.add_page()
        self.ln(2.5)
        self.say(text, 11, bold=True)
        self.ln(0.8)

    def head(self, lead: str) -> None:
        """Write the head of a document: what it is, of which parcel, and a sentence."""
        self.face(8)
        self.set_text_color(90)
        self.cell(0, 4, printable(f"{self.kind}, parcel {self.plan.parcel_id}"), new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.set_text_color(0)
        self.say(self.plan.summary.get("label") or self.plan.parcel_id, 17, bold=True)
        self.ln(1)
        self.say(lead, 9.5)
        self.set_line_width(0.6)
        self.set_draw_color(0)
        self.line(MARGIN_MM, self.get_y() + 1.5, self.w - MARGIN_MM, self.get_y() + 1.5)
        self.ln(2.5)

    def rows(self, head: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float], align: str) -> None:
        """Write a table; `align` has a letter for each column."""
        self.face(8)
        self.set_line_width(0.15)
        self.set_draw_color(150)
        styles = {"L": "LEFT", "R": "RIGHT", "C": "CENTER"}
        bold = FontFace(emphasis="BOLD", size_pt=7.5)
        with self.table(
            col_widths=tuple(widths),
            text_align=tuple(styles[letter] for letter in align),
            borders_layout="HORIZONTAL_LINES",
            line_height=3.9,
            padding=(0.7, 1, 0.7, 0),
            headings_style=bold,
        ) as table:
            for cells in (head, *rows):
                row = table.row()
                for cell in cells:
                    row.cell(printable(cell))
        self.set_draw_color(0)

    def standing_parts(self) -> None:
        """Write cautions and data sources, which every document carries."""
        self.heading("Cautions")
        for caution in CAUTIONS:
            self.say(f"• {caution}", 8)
        self.heading("Made from")
        sources = "; ".join(f"{name}: {words}" for name, words in data_sources(self.plan.run_info))
        self.say(
            f"{sources or 'the plan does not say'}. {made_by(self.plan.run_info)}; document by lawngis {__version__}.",
            7.5,
        )

    # --- drawing, in millimetres of the page -----------------------------------------------------------------

    def shapes(self, shapes: Sequence[BaseGeometry], symbol: Area | Line) -> None:
        """Draw areas or lines that are in millimetres of the page already, as one path."""
        if not shapes:
            return
        if isinstance(symbol, Line):
            if symbol.casing_mm:
                self._path(shapes, stroke=WHITE, width_mm=symbol.width_mm + 2 * symbol.casing_mm)
            self._path(shapes, stroke=symbol.stroke, width_mm=symbol.width_mm, dash_mm=symbol.dash_mm)
            return
        self._path(shapes, fill=symbol.fill, opacity=symbol.opacity, stroke=symbol.stroke, width_mm=symbol.width_mm)
        lines = [line for angle in HATCH_ANGLE_DEG[symbol.hatch] for line in _hatching(shapes, angle)]
        if lines:
            self._path(lines, stroke=symbol.stroke, width_mm=0.12)

    def marks(self, places: NDArray[np.float64], mark: Mark) -> None:
        """Draw marks at places, shape (n, 2), in millimetres of the page."""
        corners = np.array(MARK_CORNERS[mark.shape]) * [mark.size_mm, -mark.size_mm]
        polygons = [shapely.Polygon(corners + place) for place in places]
        if polygons:
            self._path(polygons, fill=mark.fill, stroke=mark.stroke, width_mm=0.15)

    def symbol(self, x: float, y: float, symbol: Symbol) -> None:
        """Draw the sample of a legend, 9 by 4 mm, from its upper left corner."""
        if isinstance(symbol, Area):
            self.shapes([shapely.box(x, y, x + 9, y + 4)], symbol)
        elif isinstance(symbol, Line):
            self.shapes([shapely.LineString([(x, y + 2), (x + 9, y + 2)])], symbol)
        else:
            self.marks(np.array([[x + 4.5, y + 2]]), symbol)

    def label(
        self, x: float, y: float, text: str, size_pt: float = 5.5, *, bold: bool = False, align: str = "C"
    ) -> None:
        """Write a short text around a place, on a bright ground."""
        words = printable(text)
        self.face(size_pt, bold=bold)
        width, height = self.get_string_width(words) + 0.5, size_pt * 0.38
        left = x - width / 2 if align == "C" else x
        with self.local_context(fill_opacity=0.75):
            self.set_fill_color(255)
            self.rect(left, y - height / 2, width, height, style="F")
        self.set_xy(left, y - height / 2)
        self.cell(width, height, words, align="C")

    def _path(
        self,
        shapes: Sequence[BaseGeometry],
        *,
        fill: str = "",
        opacity: float = 1.0,
        stroke: str = "",
        width_mm: float = HAIRLINE_MM,
        dash_mm: Sequence[float] = (),
    ) -> None:
        path = PaintedPath()
        for ring in _rings(shapes):
            corners = ring.tolist()
            closed = len(corners) > 2 and corners[0] == corners[-1]
            path.move_to(*corners[0])
            for x, y in corners[1 : -1 if closed else None]:
                path.line_to(x, y)
            if closed:
                path.close()
        style: Any = path.style
        style.fill_color = fill or None
        style.stroke_color = stroke or None
        style.fill_opacity = opacity
        style.stroke_width = width_mm
        style.stroke_join_style = StrokeJoinStyle.ROUND
        style.stroke_cap_style = StrokeCapStyle.BUTT
        style.stroke_dash_pattern = tuple(dash_mm) or None
        style.intersection_rule = IntersectionRule.EVENODD
        style.auto_close = False
        self.draw_path(cast("Any", path))  # its annotation is narrower than its documentation


def _rings(shapes: Sequence[BaseGeometry]) -> list[NDArray[np.float64]]:
    rings: list[NDArray[np.float64]] = []
    for part in shapely.get_parts(list(shapes)).tolist():
        lines = [part.exterior, *part.interiors] if part.geom_type == "Polygon" else [part]
        rings += [shapely.get_coordinates(line) for line in lines if not line.is_empty]
    return rings


def _hatching(shapes: Sequence[BaseGeometry], angle_deg: float) -> list[BaseGeometry]:
    """Parallel lines inside areas; angles are anti-clockwise on paper, whose y points down."""
    area = shapely.union_all(shapely.make_valid(list(shapes)))
    left, top, right, bottom = area.bounds
    middle = np.array([(left + right) / 2, (top + bottom) / 2])
    reach = float(np.hypot(right - left, bottom - top)) / 2 + HATCH_SPACING_MM
    along = np.array([np.cos(np.radians(angle_deg)), -np.sin(np.radians(angle_deg))])
    across = np.array([-along[1], along[0]])
    offsets = np.arange(-reach, reach, HATCH_SPACING_MM)[:, None] * across + middle
    lines = shapely.linestrings(np.stack([offsets - reach * along, offsets + reach * along], axis=1))
    cut = shapely.intersection(lines, area)
    return [part for part in shapely.get_parts(cut).tolist() if part.geom_type == "LineString"]
