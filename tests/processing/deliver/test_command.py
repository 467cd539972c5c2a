"""The command without its extra."""

import importlib.util

from lawngis.processing.cli.main import main


def test_without_the_extra_it_is_said_what_to_install(monkeypatch, capsys, tmp_path):
    found = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name in ("babel", "fpdf") else found(name))
    assert main(["deliver", str(tmp_path / "plan.gpkg"), "--out", str(tmp_path / "out")]) == 2
    assert "missing: babel, fpdf. Install them with pip install 'lawngis[documents]'." in capsys.readouterr().err
