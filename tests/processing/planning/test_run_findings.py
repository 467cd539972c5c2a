"""What holds for a whole run is said once: rule 14 of the contract, whichever way a plan comes about."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas
import pandas as pd
import pyogrio
import pypdf
import pytest
from typer.testing import CliRunner

from lawngis.processing.cli.main import app
from lawngis.processing.files.gpkg import RawColumns, raw_columns
from lawngis.processing.model.catalogue import sentences
from lawngis.processing.planning.plan_writer import RunFindings, merged

SAMPLE = Path(__file__).parents[3] / "sample_parcels"

ON_BOUNDARY_M = 1e-3
"""A finding at the parcel's edge may lie beyond it by as much as coordinates are rounded [m]."""


def findings(out: Path) -> geopandas.GeoDataFrame:
    return pyogrio.read_dataframe(out / "plan.gpkg", layer="findings")


def of_run(found: pd.DataFrame) -> list[tuple[str, str]]:
    return sorted(found.loc[found["parcel_id"].isna(), ["code", "text"]].itertuples(index=False, name=None))


def of_parcels(found: pd.DataFrame) -> list[tuple[str, str, str]]:
    rows = found.loc[found["parcel_id"].notna(), ["finding_id", "code", "text"]]
    return sorted(rows.itertuples(index=False, name=None))


@pytest.fixture(scope="module")
def sample(tmp_path_factory):
    out = tmp_path_factory.mktemp("sample")
    parcels = [word for number in (1, 2, 4, 5, 6, 7) for word in ("--parcel", f"P{number:02d}")]
    words = ["--out", str(out), "--set", "schedule.departures=0", *parcels]
    done = CliRunner().invoke(app, ["plan", str(SAMPLE), *words])
    assert done.exit_code == 0, done.output
    return out


@pytest.fixture
def garden(tmp_path, build):
    """A site of three parcels that lacks most layers, with a bed that can't be drawn."""
    lots = [build.block(0, 0, 12, 9), build.block(14, 0, 9, 9), build.block(25, 0, 8, 8)]
    site = build.site(tmp_path / "garden", parcels=lots)
    build.layer(site / "site.gpkg", "beds", [build.block(3, 3, 1, 1), None])
    return site


def test_no_sentence_is_repeated_on_all_parcels_of_the_sample(sample):
    found = findings(sample)
    planned = pyogrio.read_dataframe(sample / "plan.gpkg", layer="summary").query("status == 'planned'")
    repeated = found.groupby(["code", "text"])["parcel_id"].nunique()
    assert len(planned) > 5 and repeated.max() < len(planned)
    assert {code for code, _ in of_run(found)} >= {"growth", "quiet-hours", "supply-safety"}


def test_each_finding_on_a_parcel_lies_in_it(sample):
    found = findings(sample)
    outlines = pyogrio.read_dataframe(sample / "plan.gpkg", layer="summary").set_index("parcel_id").geometry
    own = found[found["parcel_id"].notna()]
    assert len(own) > 25 and not own.geometry.is_empty.any()
    off = own.geometry.distance(geopandas.GeoSeries(outlines[own["parcel_id"]].to_numpy(), own.index, own.crs))
    assert off.max() < ON_BOUNDARY_M


def test_findings_on_the_run_have_no_place_no_parcel_and_names_of_their_own(sample):
    found = findings(sample)
    whole = found[found["parcel_id"].isna()]
    assert whole.geometry.is_empty.all()
    assert list(whole["finding_id"]) == [f"F{number}" for number in range(1, len(whole) + 1)]
    assert found["finding_id"].is_unique
    assert not whole.duplicated(["code", "text"]).any()
    assert all(sentences().of_run(code) for code in whole["code"])
    assert not any(sentences().of_run(code) for code in found.loc[found["parcel_id"].notna(), "code"])
    assert all(json.loads(values) is not None for values in found["values"])


@pytest.mark.slow
def test_all_ways_to_a_plan_say_the_same_once(lawngis, garden, tmp_path):
    one = tmp_path / "one"
    assert lawngis("plan", garden, "--out", one).code == 0
    whole, own = of_run(findings(one)), of_parcels(findings(one))
    assert [code for code, _ in whole].count("no-lawns") == 1 and "feature-left-out" in dict(whole)
    for words in (["--workers", "2"], ["--resume"]):
        out = tmp_path / words[0].strip("-")
        assert lawngis("plan", garden, "--out", out, *words).code == 0
        assert (of_run(findings(out)), of_parcels(findings(out))) == (whole, own), words
    log = tmp_path / "log.jsonl"
    assert lawngis("plan", garden, "--out", tmp_path / "resume", "--resume", "--log", log).code == 0
    assert [json.loads(line)["kept"] for line in log.read_text().splitlines()] == [True, True, True]
    assert (of_run(findings(tmp_path / "resume")), of_parcels(findings(tmp_path / "resume"))) == (whole, own)
    for step in ("zones", "summary"):
        assert lawngis("plan", garden, "--out", one, "--from", step).code == 0
        assert (of_run(findings(one)), of_parcels(findings(one))) == (whole, own), step
    assert lawngis("plan", garden, "--out", one, "--from", "schedule", "--parcel", "P2").code == 0
    assert of_run(findings(one)) == whole
    assert set(findings(one)["parcel_id"].dropna()) == {"P1", "P2", "P3"}


def test_what_is_found_of_other_parcels_stays_when_one_is_planned_again(lawngis, garden, tmp_path):
    out = tmp_path / "out"
    assert lawngis("plan", garden, "--out", out).code == 0
    was = dict(of_run(findings(out)))["growth"]
    words = ["--from", "schedule", "--parcel", "P2", "--set", "schedule.grass=warm"]
    assert lawngis("plan", garden, "--out", out, *words).code == 0
    texts = [text for code, text in of_run(findings(out)) if code == "growth"]
    assert len(texts) == 2 and was in texts
    assert lawngis("plan", garden, "--out", out, "--from", "schedule", "--set", "schedule.grass=warm").code == 0
    (text,) = [text for code, text in of_run(findings(out)) if code == "growth"]
    assert text != was


def test_a_plan_that_nobody_edited_isnt_taken_for_edited(lawngis, garden, tmp_path):
    assert lawngis("plan", garden, "--out", tmp_path / "out").code == 0
    assert lawngis("plan", garden, "--out", tmp_path / "out").code == 0


def test_a_step_alone_puts_its_own_in_the_place_of_what_it_said(lawngis, garden, tmp_path):
    out = tmp_path / "out"
    assert lawngis("plan", garden, "--out", out).code == 0
    before = of_run(findings(out))
    plan = out / "plan.gpkg"
    words = ["run", "schedule", plan, plan, "--site", garden]
    assert lawngis(*words).code == 0
    assert of_run(findings(out)) == before
    assert lawngis(*words, "--set", "grass=warm", "--parcel", "P1").code == 0
    assert len([code for code, _ in of_run(findings(out)) if code == "growth"]) == 2
    assert lawngis(*words, "--set", "grass=warm").code == 0
    changed = of_run(findings(out))
    assert len([code for code, _ in changed if code == "growth"]) == 1 and changed != before
    assert findings(out)["finding_id"].is_unique


def test_documents_say_it_once_in_a_section_of_its_own(lawngis, garden, tmp_path):
    assert lawngis("plan", garden, "--out", tmp_path / "out").code == 0
    assert lawngis("deliver", tmp_path / "out", "--out", tmp_path / "docs", "--only", "html,pdf").code == 0
    pages = [*(tmp_path / "docs").glob("*/page.html"), tmp_path / "docs" / "index.html"]
    assert len(pages) == 4
    for page in pages:
        text = page.read_text()
        assert text.count("True of the whole site") == 1, page
        assert text.count("the site has no layer lawns") == 1, page
        assert text.index("True of the whole site") < text.index("the site has no layer lawns"), page
    papers = {name: [*(tmp_path / "docs").glob(f"*/{name}.pdf")] for name in ("visit", "sheet", "quote")}
    assert len(papers["visit"]) == 3 and papers["sheet"] and papers["quote"]
    for name, files in papers.items():
        for file in files:  # a customer's quote is no place for what the site lacks
            text = " ".join(" ".join(part.extract_text() for part in pypdf.PdfReader(file).pages).split())
            told = [text.count(words) for words in ("True of the whole site", "the site has no layer lawns")]
            assert told == ([0, 0] if name == "quote" else [1, 1]), file


def test_two_plans_differ_by_what_holds_for_one_run_alone(lawngis, garden, tmp_path):
    for name, words in (("a", []), ("b", ["--set", "schedule.grass=warm"])):
        assert lawngis("plan", garden, "--out", tmp_path / name, *words).code == 0
    assert lawngis("compare", tmp_path / "a", tmp_path / "b", "--out", tmp_path / "c").code == 0
    changed = pyogrio.read_dataframe(tmp_path / "c" / "differences.gpkg", layer="settings_changed", read_geometry=False)
    growth = changed[changed["key"] == "finding growth"]
    assert growth["in_a"].notna().sum() == growth["in_b"].notna().sum() == 1


class _Parcel:
    def __init__(self, rows):
        self.rows = rows

    def columns(self):
        return {"findings": raw_columns(self.rows, "findings")} if self.rows else {}


def _row(parcel_id, code, text="x", severity="info"):
    return {"parcel_id": parcel_id, "finding_id": f"{parcel_id}-F1", "severity": severity, "code": code, "text": text}


def test_rows_of_the_run_come_last_the_gravest_first():
    parcels = {
        "A": _Parcel([_row("A", "own"), _row(None, "whole"), _row(None, "grave", severity="caution")]),
        "B": _Parcel([_row(None, "whole"), _row(None, "whole", "y")]),
        "C": _Parcel([]),
    }
    *own, whole = [layers["findings"] for layers in merged(parcels, {"A": [_row("A", "near")]})]
    assert [part.values.get("code", []) for part in own] == [["own", "near"], [], []]
    assert own[0].values["finding_id"][1] == "A-F2"
    assert list(zip(whole.values["finding_id"], whole.values["code"], whole.values["text"], strict=True)) == [
        ("F1", "grave", "x"), ("F2", "whole", "x"), ("F3", "whole", "y"),
    ]  # fmt: skip


def test_nothing_is_made_of_nothing():
    assert RunFindings().rows == []
    assert RunFindings().taken_out(RawColumns()).rows == 0
