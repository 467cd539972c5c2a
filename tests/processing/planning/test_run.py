"""One run: what is stored on the way, and what is left when it is broken off."""

from __future__ import annotations

import json

import pyogrio
import pytest

from lawngis.errors import PlanError
from lawngis.processing.files import packing
from lawngis.processing.planning import run
from lawngis.processing.planning.plan_writer import PlanWriter
from lawngis.processing.planning.run_folder import FOLDER_START, RunFolder


@pytest.fixture
def packed(monkeypatch):
    """Counts the layers that are packed."""
    counts = []
    sound = packing._packed_layer
    monkeypatch.setattr(packing, "_packed_layer", lambda raw: counts.append(1) or sound(raw))
    return counts


@pytest.fixture
def broken_off(monkeypatch):
    """Breaks off the writing of the plan with an error."""

    def breaking(error):
        def write(*_):
            raise error

        monkeypatch.setattr(PlanWriter, "write", write)
        return monkeypatch

    return breaking


def layers(out):
    tables = {name: pyogrio.read_dataframe(out / "plan.gpkg", layer=name) for name in ("summary", "pegs", "findings")}
    tables["summary"] = tables["summary"].drop(columns="seconds")
    return tables


def test_a_single_parcels_rows_go_into_the_plan_as_they_are(lawngis, site, tmp_path, packed):
    assert lawngis("plan", site, "--out", tmp_path / "one").code == 0
    assert packed == []
    assert lawngis("plan", site, "--out", tmp_path / "stored", "--resume").code == 0
    assert packed != []
    one, stored = layers(tmp_path / "one"), layers(tmp_path / "stored")
    assert len(one["pegs"]) > 10
    for name, table in one.items():
        assert table.equals(stored[name]), name
    assert [path.name for path in (tmp_path / "one").iterdir()] == ["plan.gpkg"]


def test_of_several_parcels_each_is_stored_as_soon_as_it_is_done(lawngis, build, tmp_path, monkeypatch):
    site = build.site(tmp_path / "site", parcels=[build.parcel(), build.block(24, 0, 12, 12)])
    stored = []
    sound = RunFolder.store

    def store(folder, results):
        stored.append([result.outcome.parcel_id for result in results])
        return sound(folder, results)

    monkeypatch.setattr(RunFolder, "store", store)
    assert lawngis("plan", site, "--out", tmp_path / "out").code == 0
    assert stored == [["P1"], ["P2"]]


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (KeyboardInterrupt(), 130, "interrupted; 1 of 1 parcels are kept: the same command with --resume goes on"),
        (PlanError("no room"), 2, "no room"),
    ],
)
def test_a_single_parcel_is_stored_when_the_writing_is_broken_off(
    lawngis, site, tmp_path, broken_off, error, code, said
):
    out = tmp_path / "out"
    patched = broken_off(error)
    outcome = lawngis("plan", site, "--out", out)
    assert (outcome.code, outcome.said) == (code, f"lawngis: {said}")
    (folder,) = out.glob(f"{FOLDER_START}*")
    assert len(list(folder.glob("*.shard"))) == 1
    patched.undo()
    patched.setattr(run, "parcel_results", None)  # nothing is planned again
    again = lawngis("plan", site, "--out", out, "--resume", "--log", tmp_path / "log.jsonl")
    assert again.code == 0
    assert json.loads((tmp_path / "log.jsonl").read_text())["kept"] is True
    assert list(layers(out)["summary"]["status"]) == ["planned"]


def test_on_a_full_disk_the_first_error_is_said_and_nothing_is_claimed_to_be_kept(
    lawngis, site, tmp_path, broken_off, monkeypatch
):
    broken_off(KeyboardInterrupt())

    def full(*_):
        raise PlanError("could not be written (No space left on device)")

    monkeypatch.setattr(RunFolder, "store", full)
    assert lawngis("plan", site, "--out", tmp_path / "out").said == "lawngis: interrupted; nothing was written"
    assert list((tmp_path / "out").iterdir()) == []
