"""Finished parcels on disk: whole or not at all, and back to the last bit."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from lawngis.errors import PlanError
from lawngis.processing.files.packing import packed_rows, unpacked_rows
from lawngis.processing.planning.run_folder import (
    FOLDER_START,
    Keys,
    Outcome,
    PackedResult,
    RunFolder,
    unfinished_runs,
)

NOWHERE = shapely.Point(float("inf"), 0)
KEYS = Keys("settings", "run")

VALUES = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**53), 2**53), st.text(max_size=8), st.floats(allow_nan=False)
)


def result(name, value=1.0, **more):
    rows = {"summary": [{"parcel_id": name, "lawn_m2": value, "geometry": shapely.Point(value, 1 / 3)}]}
    return PackedResult(Outcome(name, f"f-{name}", status="planned", **more), packed_rows(rows))


def resumed(folder):
    return {item.outcome.parcel_id: item for item in folder.resumed()}


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(VALUES, VALUES, st.floats(-1e7, 1e7), st.floats(-1e7, 1e7)), min_size=1, max_size=6))
def test_rows_come_back_to_the_last_bit(values):
    rows = [{"a": a, "b": b, "geometry": shapely.Point(x, y)} for a, b, x, y in values]
    back = unpacked_rows(packed_rows({"layer": rows, "empty": []}))
    assert list(back) == ["layer"]
    for row, again in zip(rows, back["layer"], strict=True):
        assert again["geometry"].coords[:] == row["geometry"].coords[:]
        for name in ("a", "b"):
            assert again[name] == row[name]
            assert type(again[name]) is type(row[name])


def test_numbers_of_arrays_become_plain_ones():
    back = unpacked_rows(packed_rows({"layer": [{"n": np.int64(3), "x": np.float64(0.1), "t": np.bool_(True)}]}))
    assert back["layer"] == [{"n": 3, "x": 0.1, "t": True}]


def test_one_layer_can_be_read_without_the_others(tmp_path):
    rows = {
        "zones": [{"zone_id": "Z1", "geometry": shapely.box(0, 0, 1, 1)}],
        "schedule": [{"weekday": "Monday"}, {"weekday": "Friday"}],
        "links": [],
        "findings": [
            {"text": "nowhere", "geometry": shapely.Point()},
            {"text": "here", "geometry": shapely.Point(1, 2)},
        ],
    }
    block = packed_rows(rows)
    assert unpacked_rows(block, only={"schedule", "links", "none"}) == {"schedule": rows["schedule"]}
    back = unpacked_rows(block)
    assert list(back) == ["zones", "schedule", "findings"]
    assert [row["geometry"].is_empty for row in back["findings"]] == [True, False]
    assert back["zones"] == rows["zones"]
    folder = RunFolder(tmp_path, KEYS)
    (stored,) = folder.store([PackedResult(Outcome("A"), block)])
    assert stored.rows(only=("zones",)) == {"zones": rows["zones"]}
    folder.close(keep=False)


def test_columns_of_parcels_put_together_are_their_rows(tmp_path):
    one = [{"text": "here", "geometry": shapely.Point(1, 2)}, {"text": None, "geometry": shapely.Point()}]
    other = [{"text": "there", "colour": "red", "geometry": shapely.Point(3, 4)}]
    folder = RunFolder(tmp_path, KEYS)
    stored = folder.store(
        [PackedResult(Outcome(name), packed_rows({"findings": rows})) for name, rows in (("A", one), ("B", other))]
    )
    folder.close(keep=True)
    columns = stored[0].columns()["findings"]
    columns.extend(stored[1].columns()["findings"])
    assert columns.rows == 3
    assert columns.as_rows() == [{**row, "colour": row.get("colour")} for row in (*one, *other)]


def test_a_place_that_is_no_number_is_said_with_layer_and_row():
    rows = [{"parcel_id": "A", "geometry": shapely.Point(0, 0)}, {"parcel_id": "A", "geometry": NOWHERE}]
    with pytest.raises(PlanError, match=r"pegs.*row 1 \(A\).*no finite place"):
        packed_rows({"pegs": rows})


def test_what_one_run_keeps_another_takes_over(tmp_path):
    one = RunFolder(tmp_path, KEYS)
    stored = one.store([result("A", reaches=[("A-L1", 0.0, 0.0, 1.0, 1.0)]), result("B", 2.0)])
    assert [place.rows()["summary"][0]["lawn_m2"] for place in stored] == [1.0, 2.0]
    one.store([result("A", 7.0)])
    one.close(keep=True)
    assert unfinished_runs(tmp_path) == [one.path]
    other = RunFolder(tmp_path, Keys("settings", "other inputs"))
    taken = resumed(other)
    assert taken["A"].stored.rows()["summary"][0]["lawn_m2"] == 7.0  # the newest
    assert taken["B"].outcome.fingerprint == "f-B"
    assert not taken["A"].same_inputs
    assert not one.path.exists()
    other.close(keep=False)
    assert list(tmp_path.iterdir()) == []


def test_other_settings_and_damage_are_passed_over(tmp_path):
    one = RunFolder(tmp_path, KEYS)
    one.store([result("A")])
    one.store([result("B")])
    damaged = sorted(one.path.glob("*.shard"))[0]
    content = bytearray(damaged.read_bytes())
    content[-1] ^= 1
    damaged.write_bytes(content)
    (one.path / ("0" * 40 + ".shard")).write_bytes(b"")  # as a power cut leaves it
    one.close(keep=True)
    other = RunFolder(tmp_path, KEYS)
    assert len(resumed(other)) == 1
    other.close(keep=True)
    third = RunFolder(tmp_path, Keys("other settings", "run"))
    assert resumed(third) == {}
    third.close(keep=False)


def test_a_shard_that_can_not_be_written_leaves_the_others(tmp_path, monkeypatch):
    folder = RunFolder(tmp_path, KEYS)
    folder.store([result("A")])

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("lawngis.processing.planning.run_folder.os.fsync", full)
    with pytest.raises(PlanError, match=r"No space left on device.*--resume"):
        folder.store([result("B")])
    assert [path.suffix for path in folder.path.iterdir() if path.name != "alive"] == [".shard"]
    folder.close(keep=True)


def test_a_run_that_stored_nothing_leaves_nothing(tmp_path):
    RunFolder(tmp_path, KEYS).close(keep=True)
    assert not list(tmp_path.glob(f"{FOLDER_START}*"))
