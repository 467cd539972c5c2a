"""What a notebook shows of a plan: the page's own map in a frame, and a picture in the plan's styles."""

import builtins
import importlib.util
import re
from html import unescape
from html.parser import HTMLParser

import matplotlib
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from shapely import Polygon

import lawngis
from lawngis.errors import LawngisError, ParameterError
from lawngis.processing.model.styles import STYLES, Area
from lawngis.processing.notebook.plan_picture import _draw

matplotlib.use("agg")

HOSTILE = "\"><script>alert('$x_y')</script>"


@pytest.fixture(scope="module")
def plan(build, tmp_path_factory):
    folder = build.site(tmp_path_factory.mktemp("shown") / "site", ids=[HOSTILE], label=[HOSTILE])
    build.layer(folder / "site.gpkg", "beds", [build.block(8, 6, 3, 3)], kind=["bed"])
    return lawngis.open_site(folder).plans().__next__()


class Tags(HTMLParser):
    """Tags of a page, each with its attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))


def test_verdict_and_map_are_shown_in_a_frame_that_can_do_nothing_outside(plan):
    ((tag, attributes),) = Tags(plan._repr_html_()).tags
    assert tag == "iframe"
    assert attributes["sandbox"] == "allow-scripts", "with the notebook's own origin it could act in its name"
    page = attributes["srcdoc"]
    assert plan.verdict in unescape(page)
    assert "viewBox" in page and 'id="layer-zones"' in page
    assert "h-findings" not in page and "<dl" not in page, "verdict and map alone"


def test_a_strangers_names_stay_words(plan):
    page = Tags(plan._repr_html_()).tags[0][1]["srcdoc"]
    assert sum(tag == "script" for tag, _ in Tags(page).tags) == 1, "the page's own"
    assert "alert" in unescape(page)
    assert HOSTILE not in page
    assert HOSTILE in repr(plan)


def test_without_what_draws_it_a_notebook_shows_words(plan, monkeypatch):
    real = builtins.__import__

    def without_documents(name, *rest):
        if name.endswith("deliver.page"):
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without_documents)
    assert plan._repr_html_() is None


def test_a_picture_has_the_plans_styles_in_the_crs_of_the_parcels(plan):
    axes = plan.plot()
    left, bottom, right, top = plan.summary.total_bounds
    assert axes.get_xlim()[0] < left < right < axes.get_xlim()[1]
    assert axes.get_ylim()[0] < bottom < top < axes.get_ylim()[1]
    colours = {to_hex(colour) for drawn in axes.collections for colour in drawn.get_edgecolor()}
    (wire, *_), (home, *_) = STYLES["wire_runs"].rules, STYLES["zones"].rules
    assert {wire.symbol.stroke, home.symbol.stroke} <= colours
    labels = [text.get_text() for text in axes.get_legend().get_texts()]
    assert {wire.label, home.label, "Bed"} <= set(labels)
    assert len(labels) == len(set(labels))
    assert HOSTILE in axes.get_title()
    axes.figure.canvas.draw()  # a $ in a name is no formula


def test_an_island_is_a_hole_whichever_way_it_is_drawn():
    square = [(0, 0), (10, 0), (10, 10), (0, 10)]
    hole = [(3, 3), (7, 3), (7, 7), (3, 7)]
    figure = Figure()
    FigureCanvasAgg(figure)
    axes = figure.subplots()
    axes.set(xlim=(0, 10), ylim=(0, 10))
    _draw(axes, [Polygon(square, [hole])], Area("#009e73"))
    figure.canvas.draw()
    pixels = np.asarray(figure.canvas.buffer_rgba())

    def seen(x, y):
        column, row = axes.transData.transform((x, y)).round().astype(int)
        return to_hex(pixels[pixels.shape[0] - row, column] / 255)

    assert (seen(5, 5), seen(1, 1)) == ("#ffffff", "#009e73")


def test_it_draws_on_axes_that_are_there(plan):
    figure = Figure()
    axes = figure.subplots()
    assert plan.plot(axes, layers="zones") is axes
    assert [text.get_text() for text in axes.get_legend().get_texts()] == ["Home zone"]


def test_what_cannot_be_drawn_is_said(plan):
    with pytest.raises(LawngisError, match="'materials' can't be drawn"):
        plan.plot(layers=["materials"])


def test_missing_packages_are_named_with_what_installs_them(plan, monkeypatch):
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "matplotlib" else object())
    with pytest.raises(ParameterError, match=re.escape("pip install 'lawngis[notebook]'")):
        plan.plot()


def test_documents_are_those_of_the_command_line(plan, tmp_path, lawngis):
    out = plan.deliver(str(tmp_path / "papers"), only=["csv", "gpx"], units="feet")
    lawngis("deliver", plan.file.path, "--out", tmp_path / "cli", "--only", "csv,gpx", "--units", "feet")
    names = sorted(path.relative_to(out) for path in out.rglob("*") if path.is_file())
    assert names == sorted(
        path.relative_to(tmp_path / "cli") for path in (tmp_path / "cli").rglob("*") if path.is_file()
    )
    for name in names:
        if name.suffix == ".csv":  # points have the time at which they were written
            assert (out / name).read_bytes() == (tmp_path / "cli" / name).read_bytes()
