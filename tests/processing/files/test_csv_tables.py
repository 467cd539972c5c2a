"""Tables as CSV: two readers get back what was written, and no spreadsheet takes text for a formula."""

from __future__ import annotations

import csv
import io

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lawngis.processing.files.csv_tables import csv_bytes
from lawngis.processing.model.text import name_of
from lawngis.processing.planning.ranking import write_table

FORMULAS = [
    '=HYPERLINK("http://x";"y")', "+1+1", "-2+3", "@SUM(1)", "\t=1", "\r=1", "\n=1", "\x00=1", " =1", "\u200b=1",
    "\uff1d1+1", "\uff0b1", "\uff0d1", "\uff20SUM(1)", "\ufe661", "a\r=1", "a\n=1+1", "\u2028=1", "\ufeff=1",
]  # fmt: skip
PLAIN = ["7", "a;=1", 'say "no"', "a,b", "-5", "1e5", "Gärten", "'=1", "", "007"]


def both(content):
    """Cells as two readers have them: Python's own, and pandas'."""
    text = content.decode("utf-8-sig")
    rows = list(csv.reader(io.StringIO(text, newline="")))
    frame = pd.read_csv(io.BytesIO(content), dtype=str, keep_default_na=False)
    assert [list(frame.columns), *frame.to_numpy().tolist()] == rows
    return rows


@pytest.mark.parametrize("text", FORMULAS)
def test_no_cell_begins_like_a_formula_and_none_begins_another(text):
    content = csv_bytes(["name", "m"], [[text, 1.5], ["x", text]])
    rows = both(content)
    assert [len(row) for row in rows] == [2, 2, 2] and content.count(b"\n") == content.count(b"\r") == 3
    for cell in (rows[1][0], rows[2][1]):
        assert cell.startswith("'") or cell == f"a {name_of(text)[2:]}"
        assert cell.removeprefix("'") == name_of(text)


def test_all_text_is_quoted_and_numbers_stand_as_they_are():
    row = ["a;=1", 2, -2.5, np.int64(3), np.float64(0.1), "12.50", True, None, pd.NA, float("nan"), ""]
    content = csv_bytes([str(number) for number in range(len(row))], [row])
    assert content.splitlines()[1] == b'"a;=1",2,-2.5,3,0.1,12.50,"True",,,,'
    assert both(content)[1] == ["a;=1", "2", "-2.5", "3", "0.1", "12.50", "True", "", "", "", ""]
    assert csv_bytes(["a"], [], marked=True) == b'\xef\xbb\xbf"a"\r\n'


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.text(), st.text()), max_size=4))
def test_whatever_the_text_the_cells_stay_the_cells(cells):
    rows = both(csv_bytes(["a", "b"], cells))
    assert len(rows) == len(cells) + 1
    for row, texts in zip(rows[1:], cells, strict=True):
        for cell, text in zip(row, texts, strict=True):
            plain = name_of(text).encode("utf-8", "replace").decode()
            assert cell in (plain, f"'{plain}")


def test_texts_that_are_none_stay_as_they_are():
    rows = both(csv_bytes(["a"], [[text] for text in PLAIN if text]))
    assert [row[0] for row in rows[1:]] == [text for text in PLAIN if text]


def test_the_portfolio_table_is_written_so_and_whole(tmp_path):
    table = pd.DataFrame(
        {"label": ["\uff1d1", None], "m": [1.23456, np.nan], "day": pd.array([1, None], dtype="Int64")}
    )
    write_table(tmp_path / "portfolio.csv", table)
    assert (tmp_path / "portfolio.csv").read_bytes() == '"label","m","day"\r\n"\'＝1",1.235,1\r\n,,\r\n'.encode()
    back = pd.read_csv(tmp_path / "portfolio.csv")
    assert back["m"].tolist()[0] == 1.235 and back["label"].tolist()[0] == "'＝1"
    assert [path.name for path in tmp_path.iterdir()] == ["portfolio.csv"]
