"""Paper: pages with the tool's fonts, head and foot, tables, and a map field in true scale."""

from __future__ import annotations

import unicodedata
from bisect import bisect_right
from collections.abc import Callable, Sequence
from datetime import datetime
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, cast

import numpy as np
import shapely
from fpdf import FPDF
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from lawngis import __version__

from ..model.plan import Row
from ..model.styles import HATCH_ANGLE_DEG, HATCH_SPACING_MM, MARK_CORNERS, WHITE, Area, Line, Mark, Symbol
from .formats import Formats
from .reading import ParcelPlan, data_sources, made_by
from .texts import CAUTIONS

FONT = "dejavu"
MARGIN_MM = 10.0
HAIRLINE_MM = 0.1
FOOT_MM = MARGIN_MM + 6
CELL_MARGIN_MM = 1.0
LINE_MM_PER_PT = 0.46
"""Height of a line of text: 1.3 times its size (common practice, no source)."""

LACKING = "□"
"""Stands for a letter that no font at hand has."""

LEAN = "DejaVuSans-Lean"
"""The letters of western Europe out of our font, which load five times as fast; most documents need no others. Made by
``pyftsubset DejaVuSans.ttf --layout-features= --no-hinting --notdef-outline --name-IDs='*'
--drop-tables+=FFTM,GDEF,GPOS,GSUB,MATH --unicodes=U+0020-017F,U+0218-021B,U+02C6-02DD,U+03A9,U+03BC,U+2010-2044,
U+2070-2089,U+20AC,U+2122,U+2150-215E,U+2190-2193,U+2212,U+2248,U+2260-2265,U+25A0-25A1,U+2713``."""

_RIGHT_TO_LEFT = frozenset({"R", "AL", "AN", "RLE", "RLO", "RLI"})
_UNSEEN = {0x200D, 0xFE0E, 0xFE0F, 0x200E, 0x200F, 0x2066, 0x2067, 0x2068, 0x2069}


@cache
def _glyphs(file: Path | None = None) -> frozenset[int]:
    """Letters that a font has; default: our own."""
    from fontTools.ttLib import TTFont  # type: ignore[import-untyped, unused-ignore]

    with TTFont(file or _font_file("DejaVuSans.ttf"), lazy=True, fontNumber=0) as font:
        return frozenset(font.getBestCmap())


def _font_file(name: str) -> Path:
    return Path(str(resources.files(__package__).joinpath("fonts", name)))


def _letters(plan: ParcelPlan) -> frozenset[int]:
    """Letters in whatever people and steps wrote about a parcel."""
    texts = [value for rows in plan.rows.values() for row in rows for value in row.values() if isinstance(value, str)]
    return frozenset(map(ord, set("".join([*texts, *plan.run_info.values(), *plan.run_info]))))


def printable(text: object, more: frozenset[int] = frozenset()) -> str:
    """Return text of which every sign can be printed.

    A picture that the font lacks is spelled by its name; a letter becomes a box.

    Parameters
    ----------
    text
        Whatever people wrote.
    more
        Code points that other fonts at hand have.

    Examples
    --------
    >>> printable("Müller 🌳 村")
    'Müller [deciduous tree] □'
    """
    return "".join(_printable(letter, more) for letter in str(text))


def _printable(letter: str, more: frozenset[int]) -> str:
    number = ord(letter)
    if letter == "\n" or ((number in _glyphs() or number in more) and letter.isprintable()):
        return letter
    if number in _UNSEEN or 0xD800 <= number < 0xE000:
        return ""
    if not letter.isprintable():
        return " "
    if unicodedata.category(letter)[0] in "LM":
        return LACKING
    return f"[{unicodedata.name(letter, f'U+{number:04X}').lower()}]"


def _direction(words: str) -> str | None:
    """In which direction a text with letters that read from the right runs, by its first letter; else None."""
    if words.isascii():
        return None
    kinds = [unicodedata.bidirectional(letter) for letter in words]
    if _RIGHT_TO_LEFT.isdisjoint(kinds):
        return None
    return "ltr" if next((kind for kind in kinds if kind in ("L", "R", "AL")), "L") == "L" else "rtl"


class Paper(FPDF):
    """A PDF in millimetres with our fonts; every page says what it is of, and made by what.

    Parameters
    ----------
    plan
        Parcel that the document is about.
    kind
        What it is: ``Plan sheet``.
    formats
        How figures are written; paper and fonts too.
    written_at
        Time to be noted in the file.
    size
        Width and height of upright paper [mm]; default: the paper of letters.
    landscape
        Lying paper.
    """

    def __init__(
        self,
        plan: ParcelPlan,
        kind: str,
        formats: Formats,
        written_at: datetime,
        *,
        size: tuple[float, float] | None = None,
        landscape: bool = False,
    ) -> None:
        upright = size or formats.papers[0].size_mm
        super().__init__(orientation="landscape" if landscape else "portrait", unit="mm", format=upright)
        self.plan, self.kind, self.formats = plan, kind, formats
        self.c_margin = CELL_MARGIN_MM
        stem = LEAN if _glyphs(_font_file(f"{LEAN}.ttf")) >= _letters(plan) & _glyphs() else "DejaVuSans"
        self.add_font(FONT, "", _font_file(f"{stem}.ttf"))
        self.add_font(FONT, "B", _font_file(f"{stem}-Bold.ttf"))
        for number, file in enumerate(formats.fonts):
            self.add_font(f"further{number}", "", file)
        self.set_fallback_fonts([f"further{number}" for number in range(len(formats.fonts))], exact_match=False)
        self._more = frozenset().union(*(_glyphs(file) for file in formats.fonts))
        self._lacks = False
        self.set_margins(MARGIN_MM, MARGIN_MM, MARGIN_MM)
        self.set_auto_page_break(True, margin=FOOT_MM)
        self.set_title(self.printable(f"{kind}: {plan.title}"))
        self.set_creator(f"lawngis {__version__}")
        self.set_lang(formats.locale.replace("_", "-"))
        self.set_creation_date(written_at)

    def printable(self, text: object) -> str:
        """Return text of which every sign can be printed with the fonts at hand."""
        words = printable(text, self._more)
        self._lacks = self._lacks or LACKING in words
        return words

    def footer(self) -> None:
        """Write the foot of a page."""
        middle = self.h - MARGIN_MM - 0.5
        self.face(6.5)
        self.set_text_color(90)
        wide = self.w - 2 * MARGIN_MM
        words = self.printable(f"{self.kind}, {self.plan.title} · {made_by(self.plan.run_info)}")
        self.words_at(MARGIN_MM + 1, middle, self.wrapped(words, wide * 0.86)[0])
        self.set_xy(MARGIN_MM + wide * 0.86, middle - 1.5)
        self.cell(wide * 0.14, 3, f"page {self.page_no()} of {{nb}}", align="R")
        self.set_text_color(0)

    def face(self, size_pt: float, *, bold: bool = False) -> None:
        """Take up a size and weight of the font."""
        self.set_font(FONT, "B" if bold else "", size_pt)

    # --- text ------------------------------------------------------------------------------------------------
    # The library's own paragraphs and tables take 30 times as long as its plain text, which is all that most need.

    def say(self, text: object, size_pt: float = 9, *, bold: bool = False, wide_mm: float = 0.0) -> None:
        """Write a paragraph at the present place and go below it."""
        self.face(size_pt, bold=bold)
        x, high = self.get_x(), size_pt * LINE_MM_PER_PT
        words = self.printable(text)
        direction = _direction(words)
        for line in self.wrapped(words, (wide_mm or self.w - self.r_margin - x) - 2 * CELL_MARGIN_MM):
            if self.auto_page_break and self.get_y() + high > self.page_break_trigger:
                self.add_page()
                self.face(size_pt, bold=bold)
            y = self.get_y()
            self.words_at(x + CELL_MARGIN_MM, y + high / 2, line, direction)
            self.set_xy(x, y + high)

    def wrapped(self, words: str, wide_mm: float) -> list[str]:
        """Return text in lines that are no longer than a width [mm] in the present font; there is one at least."""
        lines = []
        for paragraph in words.split("\n"):
            line = ""
            for word in paragraph.split(" "):
                longer = f"{line} {word}" if line else word
                if line and self.width_mm(longer) > wide_mm:
                    lines.append(line)
                    longer = word
                while len(longer) > 1 and self.width_mm(longer) > wide_mm:  # a word as long as that is cut
                    fits = max(1, bisect_right(range(len(longer)), wide_mm, key=_width_of_start(self, longer)) - 1)
                    lines.append(longer[:fits])
                    longer = longer[fits:]
                line = longer
            lines.append(line)
        return lines

    def width_mm(self, words: str) -> float:
        """Return how wide text is in the present font [mm]."""
        if self._is_plain(words):
            advances = cast("Any", self.current_font).cw
            return float(sum([advances[ord(letter)] for letter in words])) * self.font_size / 1000
        self.set_text_shaping(_direction(words) is not None)
        width = float(self.get_string_width(words))
        self.set_text_shaping(False)
        return width

    def _is_plain(self, words: str) -> bool:
        """Whether letters stand as they are stored, all of them from our own font."""
        return words.isascii() or (_direction(words) is None and _glyphs().issuperset(map(ord, words)))

    def words_at(self, x: float, middle: float, words: str, direction: str | None = None) -> None:
        """Write one printable line in the present font, its middle at a height of the page."""
        if self._is_plain(words):
            self.text(x, middle + 0.3 * self.font_size, words)
            return
        direction = direction or _direction(words)
        if direction and direction != _direction(words):
            # a line runs as its paragraph does, whatever letter it begins with
            words = {"ltr": "\u200e", "rtl": "\u200f"}[direction] + words
        wide = self.width_mm(words) + 2 * CELL_MARGIN_MM
        self.set_text_shaping(direction is not None)
        self.set_xy(x - CELL_MARGIN_MM, middle - self.font_size / 2)
        self.cell(wide, self.font_size, words)
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
        self.set_text_color(90)
        self.say(f"{self.kind}, parcel {self.plan.parcel_id}", 8)
        self.set_text_color(0)
        self.say(self.plan.summary.get("label") or self.plan.parcel_id, 17, bold=True)
        self.ln(1)
        self.say(lead, 9.5)
        self.set_line_width(0.6)
        self.set_draw_color(0)
        self.line(MARGIN_MM, self.get_y() + 1.5, self.w - MARGIN_MM, self.get_y() + 1.5)
        self.ln(2.5)

    def rows(self, head: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float], align: str) -> None:
        """Write a table, its head on every page; `align` has a letter for each column."""
        room = self.w - self.l_margin - self.r_margin - CELL_MARGIN_MM
        wide = [room * width / sum(widths) for width in widths]
        self._row(head, wide, align, bold=True)
        for cells in rows:
            self.face(8)
            if self.get_y() + self._row_height(cells, wide) > self.page_break_trigger:
                self.add_page()
                self._row(head, wide, align, bold=True)
            self._row(cells, wide, align)

    def _row_height(self, cells: Sequence[str], wide: Sequence[float]) -> float:
        counts = [len(self.wrapped(self.printable(c), w - ROW_GAP_MM)) for c, w in zip(cells, wide, strict=True)]
        return ROW_LINE_MM * max(counts) + 2 * ROW_PAD_MM

    def _row(self, cells: Sequence[str], wide: Sequence[float], align: str, *, bold: bool = False) -> None:
        self.face(7.5 if bold else 8, bold=bold)
        x, y, high = self.l_margin + CELL_MARGIN_MM, self.get_y(), self._row_height(cells, wide)
        for cell, width, side in zip(cells, wide, align, strict=True):
            words = self.printable(cell)
            direction = _direction(words)
            for number, line in enumerate(self.wrapped(words, width - ROW_GAP_MM)):
                left = x + (width - ROW_GAP_MM - self.width_mm(line) if side == "R" else 0.0)
                self.words_at(left, y + ROW_PAD_MM + (number + 0.5) * ROW_LINE_MM, line, direction)
            x += width
        self.set_draw_color(60 if bold else 150)
        self.set_line_width(0.25 if bold else 0.15)
        self.line(self.l_margin + CELL_MARGIN_MM, y + high, x, y + high)
        self.set_draw_color(0)
        self.set_xy(self.l_margin, y + high)

    def site_findings(self) -> None:
        """Write the findings that hold for all parcels of the plan, if there are any."""
        if self.plan.of_run:
            self.heading("True of the whole site")
        for row in self.plan.of_run:
            self.say(f"• {self.finding_words(row)}", 8)

    def finding_words(self, row: Row) -> str:
        """Return what was found and what to do, as one text."""
        text, advice = self.formats.prose(row["text"]), self.formats.prose(row["advice"])
        return f"{row['severity']}: {text}. {advice}".rstrip()

    def standing_parts(self) -> None:
        """Write cautions and data sources, which every document carries."""
        self.heading("Cautions")
        for caution in CAUTIONS:
            self.say(f"• {caution}", 8)
        self.heading("Made from")
        for name, words in data_sources(self.plan.run_info, self.formats):
            self.say(f"• {name}: {words}", 7.5)
        self.say(f"• {made_by(self.plan.run_info)}; document by lawngis {__version__}.", 7.5)
        if self._lacks:
            self.say(f"• {LACKING} stands for a letter that the font lacks; name one that has it with --font.", 7.5)

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
        if len(places):
            self._path(
                [shapely.Polygon(corners + place) for place in places],
                fill=mark.fill,
                stroke=mark.stroke,
                width_mm=0.15,
            )

    def symbol(self, x: float, y: float, symbol: Symbol) -> None:
        """Draw the sample of a legend, 9 by 4 mm, from its upper left corner."""
        if isinstance(symbol, Area):
            self.shapes([shapely.box(x, y, x + 9, y + 4)], symbol)
        elif isinstance(symbol, Line):
            self.shapes([shapely.LineString([(x, y + 2), (x + 9, y + 2)])], symbol)
        else:
            self.marks(np.array([[x + 4.5, y + 2]]), symbol)

    def label(self, x: float, y: float, text: str, size_pt: float = 5.5, *, bold: bool = False) -> None:
        """Write a short text around a place, on a bright ground."""
        words = self.printable(text)
        self.face(size_pt, bold=bold)
        width, height = self.width_mm(words) + 0.5, size_pt * 0.38
        with self.local_context(fill_opacity=0.8):
            self.set_fill_color(255)
            self.rect(x - width / 2, y - height / 2, width, height, style="F")
        self.words_at(x - width / 2 + 0.25, y, words)

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
        """Draw outlines as one path, written in the page's own words: the library copies every point several times."""
        if not (fill or stroke):
            return
        words = ["q", "1 j 0 J"]
        if fill:
            words.append(f"{_rgb(fill)} rg")
        if stroke:
            dashes = " ".join(f"{length * self.k:.3f}" for length in dash_mm)
            words.append(f"{_rgb(stroke)} RG {width_mm * self.k:.3f} w [{dashes}] 0 d")
        for ring in _rings(shapes):
            corners = ring * [self.k, -self.k] + [0.0, self.h * self.k]
            closed = len(corners) > 2 and bool((corners[0] == corners[-1]).all())
            corners = corners[:-1] if closed else corners
            lines = "%.3f %.3f m" + " %.3f %.3f l" * (len(corners) - 1) + (" h" if closed else "")
            words.append(lines % tuple(corners.ravel().tolist()))
        words += ["B*" if fill and stroke else "f*" if fill else "S", "Q"]
        if opacity < 1:
            with self.local_context(fill_opacity=opacity):
                self._out("\n".join(words))
        else:
            self._out("\n".join(words))


ROW_LINE_MM = 3.7
ROW_PAD_MM = 0.6
ROW_GAP_MM = 2.5
"""Height of a line in a table, room above and below it, and room between columns."""


def _width_of_start(paper: Paper, word: str) -> Callable[[int], float]:
    return lambda count: paper.width_mm(word[:count])


def _rgb(colour: str) -> str:
    """A colour such as ``#0072b2`` in the words of a page."""
    return " ".join(f"{int(colour[at : at + 2], 16) / 255:.4g}" for at in (1, 3, 5))


def _rings(shapes: Sequence[BaseGeometry]) -> list[NDArray[np.float64]]:
    rings: list[NDArray[np.float64]] = []
    for part in shapely.get_parts(np.asarray(shapes, dtype=object)).tolist():
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
