"""The plug-in for the desktop GIS: what is written, what runs without the GIS, and all of it inside the real one."""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from lawngis.mower import profile_text
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.map_layers import drawing_order
from lawngis.processing.model.step import step_named
from lawngis.processing.services.plugin.running import message, run
from lawngis.processing.services.writing import PLUGIN_NAME


def test_the_plugin_has_all_it_needs_and_takes_the_place_of_an_older_one(lawngis, tmp_path):
    for _ in range(2):
        assert lawngis("provider", "--out", tmp_path).code == 0
    folder = tmp_path / PLUGIN_NAME
    source = Path(__file__).parents[3] / "processing" / "services" / "plugin"
    here = {path.name for path in source.iterdir() if path.suffix in (".py", ".svg")}
    assert {path.name for path in folder.iterdir()} == here | {"processes.json", "metadata.txt"}
    said = json.loads((folder / "processes.json").read_text(encoding="utf-8"))
    assert said["command"][0] == sys.executable
    assert {"plan", "slope", "check", "deliver", "cover", "zones"} <= {one["id"] for one in said["processes"]}
    order = list(said["shown"])
    assert order == [spec.name for spec in drawing_order(list(PLAN_LAYERS.values()))] and order.index("pegs") < 10
    assert {name for name, shown in said["shown"].items() if not shown} == {"watch_points", "laying_steps", "cover"}
    imported = "".join(path.read_text(encoding="utf-8") for path in folder.glob("*.py"))
    assert "import lawngis" not in imported and "from lawngis" not in imported  # its libraries clash with the GIS's


def test_a_folder_of_somebody_else_stays(lawngis, tmp_path):
    (tmp_path / PLUGIN_NAME).mkdir()
    (tmp_path / PLUGIN_NAME / "mine.txt").write_text("mine")
    assert "is there already" in lawngis("provider", "--out", tmp_path).said
    assert [path.name for path in (tmp_path / PLUGIN_NAME).iterdir()] == ["mine.txt"]


def test_messages_of_a_process_come_one_by_one_and_its_python_is_its_own(monkeypatch):
    monkeypatch.setenv("PYTHONPATH", "/of/the/gis")
    monkeypatch.setenv("PROJ_LIB", "/of/the/gis")
    code = """import json, os, sys
print(json.dumps({"kind": "progress", "share": 0.5}), file=sys.stderr)
print("plain words", file=sys.stderr)
print([name for name in os.environ if name.startswith(("PYTHON", "PROJ_"))])
sys.exit(3)"""
    told = []
    assert run([sys.executable, "-c", code], told.append, lambda: False) == (3, "[]\n")
    assert told == [{"kind": "progress", "share": 0.5}, {"kind": "note", "text": "plain words"}]
    assert message("7") == {"kind": "note", "text": "7"}


def test_cancelling_ends_the_process_with_all_that_it_started(tmp_path):
    stubborn = "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); print(flush=True); time.sleep(600)"
    code = f"""import subprocess, sys, time
child = subprocess.Popen([sys.executable, "-c", {stubborn!r}], stdout=subprocess.PIPE)
child.stdout.readline()
open({str(tmp_path / "child")!r}, "w").write(str(child.pid))
print("started", file=sys.stderr, flush=True)
time.sleep(600)"""
    told = []
    assert run([sys.executable, "-c", code], told.append, lambda: bool(told)) == (None, "")
    child = int((tmp_path / "child").read_text())
    for _ in range(100):  # the system buries it in its own time
        if not Path(f"/proc/{child}").exists() or "Z" in Path(f"/proc/{child}/stat").read_text().split()[2]:
            return
        time.sleep(0.05)
    pytest.fail("what the process started goes on")


@pytest.mark.slow
def test_algorithms_run_in_the_real_gis(gis, lawngis, site, tmp_path):
    assert lawngis("provider", "--out", tmp_path / "plugins").code == 0
    (tmp_path / "own.toml").write_text(profile_text("large"), encoding="utf-8")
    script = Path(__file__).with_name("in_the_gis.py")
    environment = {**os.environ, "HOME": str(tmp_path), "XDG_RUNTIME_DIR": str(tmp_path)}
    ran = subprocess.run([gis, script, tmp_path / "plugins", site, tmp_path], capture_output=True, text=True,
                         timeout=300, env=environment, check=False)  # fmt: skip
    lines = [line for line in ran.stdout.splitlines() if line.startswith("SAID ")]
    assert lines, ran.stderr
    assert "Warning" not in ran.stderr, ran.stderr
    said = json.loads(lines[0].removeprefix("SAID "))
    assert {name for name, group in said["algorithms"].items() if group == "Whole jobs"} == {
        "plan", "slope", "check", "deliver",
    }  # fmt: skip
    assert said["icon"] and said["unloaded"] and said["check"] is True
    widgets = said["widgets"]
    assert (widgets["source"], widgets["profile"], widgets["price_book"]) == ("file", "enum", "file")
    assert (widgets["dem"], widgets["weekdays"], widgets["own_mowers"]) == ("raster", "matrix", "boolean")
    assert widgets["source_folder"] == "file"
    assert said["neither"] == said["both"] == [False, "Site: name a folder or a GeoPackage, and not both."]
    assert (widgets["mowers_max"], widgets["out"]) == ("number", "fileDestination")
    declared = step_named("zones").parameters.model_fields["doubt_min"].default
    assert said["bounds"] == [0, 0.5, declared]
    assert said["slope"] == [True, 100]
    assert not list(Path(site).glob("*.aux.xml"))
    assert not {"Day of laying", "To watch on the first walk around"} - set(said["plan"]["off"])
    layers = said["plan"]["layers"]
    drawn = ["To be measured on site", "Pegs", "Wire, runs in order", "Zones", "Lawn", "Parcels and verdicts"]
    assert [name for name in layers if name in drawn] == drawn
    assert said["plan"]["renderers"]["Zones"] == "QgsCategorizedSymbolRenderer"
    assert len(said["plan"]["shares"]) > 10 and said["plan"]["shares"][11] > 50
    assert said["lawn"] == ["out"]
    assert (tmp_path / "lawn.gpkg").exists()
    assert said["error"].startswith("lawngis: ") and "there is no such file or folder" in said["error"]
