"""Where the rows of each parcel lie in a table: found whole, read few."""

from __future__ import annotations

import pandas as pd
import pyogrio
import pytest

from lawngis.errors import LayerError, SiteError
from lawngis.processing.files import gpkg
from lawngis.processing.files.gpkg import spans
from lawngis.processing.files.gpkg.spans import RowSpans, row_spans

NAME = 'a "table"'


@pytest.fixture
def path(tmp_path):
    """Rows of four parcels one after another, and one that somebody added to the first, and one without a name."""
    names = ["A"] * 3 + ["B"] * 2 + ["C'1"] * 4 + ["D"] * 2 + ["A", None]
    pyogrio.write_dataframe(pd.DataFrame({"parcel_id": names, "n": range(13)}), tmp_path / "t.gpkg", layer=NAME)
    return tmp_path / "t.gpkg"


def read(path, where):
    return gpkg.read_table(path, NAME, where=where)["n"].tolist()


def test_each_parcel_has_its_first_and_last_row_and_their_number(path):
    found = row_spans(path, NAME, "parcel_id")
    assert found.spans == {"": (13, 13, 1), "A": (1, 12, 4), "B": (4, 5, 2), "C'1": (6, 9, 4), "D": (10, 11, 2)}
    assert (found.count("A"), found.count(""), found.count("none")) == (4, 1, 0)


def test_conditions_hold_for_the_rows_and_few_others(path):
    found = row_spans(path, NAME, "parcel_id")
    assert read(path, found.where(["B"])) == [3, 4]
    assert read(path, found.where(["D", "B"])) == [3, 4, 9, 10]
    assert read(path, found.where(["A"])) == list(range(12))  # as rows lie between that belong to others
    assert read(path, found.where(["none"])) == read(path, found.where([])) == []


def test_spans_that_meet_or_overlap_are_one():
    found = RowSpans("fid", {"A": (1, 3, 3), "B": (4, 5, 2), "C": (2, 9, 4), "D": (11, 12, 2)})
    assert found.where(["A", "B"]) == '("fid" BETWEEN 1 AND 5)'
    assert found.where(["B", "A", "C"]) == '("fid" BETWEEN 1 AND 9)'
    assert found.where(["D", "B", "D"]) == '("fid" BETWEEN 4 AND 5) OR ("fid" BETWEEN 11 AND 12)'


def test_more_spans_than_a_condition_may_have_are_read_as_one(path, monkeypatch):
    monkeypatch.setattr(spans, "SPANS_MAX", 1)
    assert read(path, row_spans(path, NAME, "parcel_id").where(["B", "D"])) == list(range(3, 11))


def test_a_condition_of_as_many_spans_as_there_may_be_is_understood(tmp_path):
    rows = 2 * spans.SPANS_MAX
    frame = pd.DataFrame({"parcel_id": [f"P{number}" for number in range(rows)], "n": range(rows)})
    pyogrio.write_dataframe(frame, tmp_path / "t.gpkg", layer=NAME)
    found = row_spans(tmp_path / "t.gpkg", NAME, "parcel_id")
    every_second = [f"P{number}" for number in range(0, rows, 2)]
    assert found.where(every_second).count("BETWEEN") == spans.SPANS_MAX
    assert read(tmp_path / "t.gpkg", found.where(every_second)) == list(range(0, rows, 2))


def test_what_is_no_table_is_said(path, tmp_path):
    with pytest.raises(LayerError, match=r"t\.gpkg, none: can't be read"):
        row_spans(path, "none", "parcel_id")
    (tmp_path / "x.gpkg").write_text("grass")
    with pytest.raises(SiteError, match=r"x\.gpkg: is no GeoPackage"):
        row_spans(tmp_path / "x.gpkg", NAME, "parcel_id")
