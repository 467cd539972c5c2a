"""The pages: one file, safe with any name, and in a real browser quiet, accessible and obedient."""

import importlib.util
import os
import re
import shutil
import subprocess
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
in_browser = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed (Debian's package chromium)")


def axe_file() -> Path | None:
    """The accessibility checker axe-core: named by LAWNGIS_AXE, or out of a Python package that brings it along."""
    named = os.environ.get("LAWNGIS_AXE")
    specs = [importlib.util.find_spec(name) for name in ("axe_playwright_python", "axe_core_python")]
    places = [Path(spec.origin).parent / "axe.min.js" for spec in specs if spec and spec.origin]
    return next((path for path in [*([Path(named)] if named else []), *places] if path.is_file()), None)


AXE = axe_file()


class Collector(HTMLParser):
    """Elements with their attributes, and ids."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))


def html(delivered, name: str) -> str:
    return (delivered.docs / name).read_text(encoding="utf-8")


PAGES = ("P1/page.html", "P3/page.html", "index.html")


@pytest.mark.parametrize("name", PAGES)
def test_page_needs_no_other_file_and_runs_no_ones_script(delivered, name):
    elements = Collector(html(delivered, name)).elements
    for tag, attributes in elements:
        assert "src" not in attributes and tag not in ("iframe", "object", "embed")
        for key in ("href", "xlink:href"):
            assert not re.match(r"\w+:", attributes.get(key) or "") or (attributes["href"] or "").startswith("data:,")
        assert not [key for key in attributes if key.startswith("on")]
    assert sum(tag == "script" for tag, _ in elements) == 1
    assert not re.search(r"url\((?!#)|@import", html(delivered, name))


def test_names_come_out_as_they_are(delivered):
    import html as entities

    for name in ("P1/page.html", "index.html"):
        assert delivered.label in entities.unescape(html(delivered, name))
    assert "&lt;b&gt;wet" in html(delivered, "P1/page.html")


@pytest.mark.parametrize("name", PAGES)
def test_page_is_built_for_screen_readers(delivered, name):
    """WCAG 2.2: language, title, labels (1.3.1, 2.4.2, 3.1.1), names that exist (4.1.2), one first heading."""
    elements = Collector(html(delivered, name)).elements
    by_tag = {tag: [attributes for other, attributes in elements if other == tag] for tag, _ in elements}
    assert by_tag["html"][0]["lang"] == "en-GB" and "title" in by_tag
    assert len(by_tag["h1"]) == len(by_tag["main"]) == 1
    ids = [attributes["id"] for _, attributes in elements if attributes.get("id")]
    assert len(set(ids)) == len(ids)
    for _, attributes in elements:
        for key in ("aria-labelledby", "aria-describedby"):
            assert set((attributes.get(key) or "").split()) <= set(ids)
        if attributes.get("tabindex") == "0":
            assert attributes.get("aria-label") or attributes.get("aria-labelledby")
    levels = [int(tag[1]) for tag, _ in elements if re.fullmatch(r"h[1-6]", tag)]
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_every_switch_has_its_layer(delivered):
    elements = Collector(html(delivered, "P1/page.html")).elements
    switches = [attributes["data-layer"] for tag, attributes in elements if tag == "input"]
    assert switches and set(switches) <= {attributes.get("id") for _, attributes in elements}


def run_browser(page: Path, folder: Path, script: str, width: int = 1280) -> str:
    """Open a copy of a page with a script of ours at its end; return the document as it stands then."""
    text = page.read_text(encoding="utf-8").replace("</body>", f"<script>{script}</script></body>")
    copy = folder / "probe.html"
    copy.write_text(text, encoding="utf-8")
    command = [
        str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder / 'profile'}",
        f"--window-size={width},900", "--virtual-time-budget=4000", "--enable-logging=stderr", "--v=0", "--dump-dom",
        copy.as_uri(),
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, timeout=90, check=True)
    assert b"CONSOLE" not in done.stderr, done.stderr.decode(errors="replace")
    return done.stdout.decode("utf-8")


def probed(dom: str) -> str:
    found = re.search(r'<html[^>]* data-probe="([^"]*)"', dom)
    assert found, dom[:400]
    return found[1]


SAY = "document.documentElement.dataset.probe="


@in_browser
@pytest.mark.parametrize("name", ["P1/page.html", "index.html"])
@pytest.mark.parametrize("width", [500, 1280])
def test_page_is_quiet_fetches_nothing_and_fits(delivered, tmp_path, name, width):
    script = f"{SAY}[performance.getEntriesByType('resource').length, document.documentElement.scrollWidth<=innerWidth]"
    assert probed(run_browser(delivered.docs / name, tmp_path, script, width)) == "0,true"


@in_browser
def test_layers_switch_and_hover_tells_why(delivered, tmp_path):
    script = f"""
    var box = document.querySelector("input[data-layer=layer-zones]"), layer = document.getElementById("layer-zones");
    var before = getComputedStyle(layer).display; box.click(); var after = getComputedStyle(layer).display; box.click();
    var feature = document.querySelector("#layer-keepouts .f"); feature.focus();
    var reached = document.activeElement === feature;
    // A window behind others takes the focus without telling the page so: the event is sent by hand.
    feature.dispatchEvent(new FocusEvent("focusin", {{ bubbles: true }}));
    var told = document.getElementById("why").textContent.includes("P1-K1");
    {SAY}[before, after, getComputedStyle(layer).display, reached, told]
    """
    assert probed(run_browser(delivered.first / "page.html", tmp_path, script)) == "inline,none,inline,true,true"


@in_browser
def test_index_sorts_and_filters(delivered, tmp_path):
    script = f"""
    var ids = function () {{ return Array.from(document.querySelectorAll("#parcels tbody tr")).filter(function (r) {{
      return !r.hidden; }}).map(function (r) {{ return r.dataset.parcel; }}).join("+"); }};
    var area = document.querySelectorAll("#parcels thead button")[2];
    area.click(); var up = ids(); area.click(); var down = ids();
    var words = document.getElementById("words"); words.value = "LARGE"; words.dispatchEvent(new Event("input"));
    {SAY}[up, down, ids()]
    """
    assert probed(run_browser(delivered.docs / "index.html", tmp_path, script)) == "P1+../P2+P3,../P2+P1+P3,../P2"


@in_browser
@pytest.mark.skipif(AXE is None, reason="axe-core is not at hand (pip install axe-core-python, or LAWNGIS_AXE)")
@pytest.mark.parametrize("width", [500, 1280])
@pytest.mark.parametrize("name", ["P1/page.html", "P3/page.html", "index.html"])
def test_accessibility_checker_finds_nothing(delivered, tmp_path, name, width):
    script = AXE.read_text(encoding="utf-8").replace("</script", "<\\/script") + (
        f";axe.run().then(function (r) {{ {SAY}'found ' + r.violations.map(function (v) {{ return v.id + ': ' + "
        "v.nodes.map(function (n) { return n.target; }).slice(0, 3); }).join('; '); });"
    )
    assert probed(run_browser(delivered.docs / name, tmp_path, script, width)) == "found "
