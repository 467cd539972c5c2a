"""Every command that reads a plan says the same of what is none."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import pytest

COMMANDS = {
    "deliver": ("{}", "--out", "{out}/docs"),
    "compare": ("{}", "{}", "--out", "{out}/cmp"),
    "mowers": ("{}",),
    "reconcile": ("{}", "{out}/walk.csv", "--out", "{out}/rec"),
    "measured": ("{}", "{out}/sheet.csv", "--out", "{out}/o.gpkg"),
}


@pytest.fixture
def said(lawngis, tmp_path):
    (tmp_path / "walk.csv").write_text("x,y\n" + "\n".join(f"{500_000 + n},5500000" for n in range(9)))
    (tmp_path / "sheet.csv").write_text("check_id,measured\nP1-V1,1\n")

    def run(command, path):
        outcome = lawngis(command, *(word.format(path, out=tmp_path) for word in COMMANDS[command]))
        assert outcome.code == 2
        return outcome.said

    return run


@pytest.mark.parametrize("command", COMMANDS)
def test_what_is_no_plan_is_said_alike(said, build, lawngis, tmp_path, command):
    site = build.site(tmp_path / "site")
    (tmp_path / "empty").mkdir()
    ask = "Name a plan.gpkg, or the folder that it is in."
    assert said(command, tmp_path / "none.gpkg") == f"lawngis: {tmp_path}/none.gpkg: there is no plan. {ask}"
    assert (
        said(command, tmp_path / "empty") == f"lawngis: {tmp_path}/empty: there is no plan.gpkg in this folder. {ask}"
    )
    no_plan = f"{site}/site.gpkg: is no plan: the layer summary is missing. Name a plan.gpkg."
    assert said(command, site / "site.gpkg") == f"lawngis: {no_plan}"
    assert lawngis("plan", site, "--out", tmp_path / "out").code == 0
    plan = tmp_path / "out" / "plan.gpkg"
    with closing(sqlite3.connect(plan)) as database:
        database.execute("UPDATE gpkg_geometry_columns SET srs_id = -1")
        database.execute("UPDATE gpkg_contents SET srs_id = -1")
        database.commit()
    assert "plan.gpkg, summary: has no CRS" in said(command, tmp_path / "out")


def test_a_record_is_asked_for_where_a_fault_is_looked_for(lawngis, site, tmp_path):
    outcome = lawngis("fault", site / "site.gpkg", "--from-start", "3")
    assert outcome.code == 2
    assert "is no record: the layer as_laid is missing. Name a record.gpkg." in outcome.said
    assert "there is no record.gpkg in this folder" in lawngis("fault", site, "--from-start", "3").said
