"""`plan --draws` on the command line: the same plan whoever makes it, and nothing more where nothing is drawn."""

from __future__ import annotations

from pathlib import Path

import pyogrio
import pytest

SAMPLE = Path(__file__).parents[3] / "sample_parcels"


def rows(plan: Path, layer: str):
    frame = pyogrio.read_dataframe(plan / "plan.gpkg", layer=layer, read_geometry=False)
    return frame.drop(columns=[name for name in ("seconds",) if name in frame])


@pytest.mark.slow
def test_draws_are_the_same_whatever_the_workers_and_leave_what_is_planned(tmp_path, lawngis) -> None:
    """On two sample parcels: one of two zones, one of them behind a passage (P04), and one on a slope (P08)."""
    words = ["plan", SAMPLE, *(word for name in ("P04", "P08") for word in ("--parcel", name))]
    for folder, more in {"one": ["--workers", 1], "two": ["--workers", 2], "none": []}.items():
        drawn = [] if folder == "none" else ["--draws", 2]
        assert lawngis(*words, "--out", tmp_path / folder, *drawn, *more).code == 0
    for layer in ("summary", "visit_checks", "zones", "materials"):
        assert rows(tmp_path / "one", layer).equals(rows(tmp_path / "two", layer)), layer
    for layer in ("lawn", "keepouts", "zones", "links", "edges", "wire_path", "pegs", "dock_candidates"):
        assert rows(tmp_path / "one", layer).equals(rows(tmp_path / "none", layer)), layer
    checks, before = rows(tmp_path / "one", "visit_checks"), rows(tmp_path / "none", "visit_checks")
    assert set(before.check_id) <= set(checks.check_id)
    assert before[["flip_sd", "price_share", "mown_share"]].isna().all(axis=None)
    assert checks.flip_sd.notna().any() and checks.price_share.between(0, 1).any()
    summary, plain = rows(tmp_path / "one", "summary"), rows(tmp_path / "none", "summary")
    assert (summary.wire_low_m <= summary.wire_high_m).all() and plain.mowable_low_m2.isna().all()
    told = rows(tmp_path / "one", "run_info").set_index(["parcel_id", "key"]).value
    assert told["P04", "draws"] == "2 of 2 versions drawn with seed 1 could be planned"
    assert not rows(tmp_path / "none", "run_info").key.isin(["draws", "draw seed"]).any()


@pytest.mark.slow
def test_what_was_drawn_is_resumed_and_drawn_anew_for_another_number_or_seed(tmp_path, lawngis) -> None:
    words = ["plan", SAMPLE, "--out", tmp_path, "--parcel", "P12", "--parcel", "P01", "--resume", "--draws"]
    for more, resumed in ((["1"], 0), (["1"], 2), (["1", "--draw-seed", "2"], 0), (["2"], 0)):
        (tmp_path / "plan.log.jsonl").unlink(missing_ok=True)
        assert lawngis(*words, *more).code == 0
        assert (tmp_path / "plan.log.jsonl").read_text().count('"kept": true') == resumed, more


def test_draws_do_not_go_with_a_plan_that_somebody_edited(tmp_path, lawngis) -> None:
    outcome = lawngis("plan", SAMPLE, "--out", tmp_path, "--draws", 2, "--from", "wire")
    assert outcome.code == 2 and "--from" in outcome.said
