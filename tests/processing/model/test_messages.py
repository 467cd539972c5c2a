"""What is told: in words for people, as lines of JSON for programs."""

import json

import pytest

from lawngis.errors import LayerError
from lawngis.processing.model import messages


@pytest.fixture
def lines(capsys):
    def read():
        return [json.loads(line) for line in capsys.readouterr().err.splitlines()]

    return read


def test_people_read_the_text_alone(capsys):
    with messages.told(as_json=False):
        messages.step_of("P1", "wire", 0.5)
        messages.stop_findings([{"severity": "stop", "code": "c", "text": "t", "advice": "", "parcel_id": "P1"}])
        messages.error(LayerError("has no CRS", where=("a.gpkg", "trees"), advice="Say which."))
    assert capsys.readouterr().err == "lawngis: a.gpkg, trees: has no CRS. Say which.\n"


def test_programs_read_what_where_and_advice(lines):
    with messages.told(as_json=True):
        messages.error(LayerError("has no\nCRS", where=("a.gpkg", "trees"), advice="Say which."))
        messages.stop_findings(
            {"severity": severity, "code": "no-dock", "text": "t", "advice": "a", "parcel_id": "P1"}
            for severity in ("stop", "info")
        )
    error, finding = lines()
    assert error == {
        "kind": "error", "code": "LayerError", "what": "has no\nCRS", "where": ["a.gpkg", "trees"],
        "advice": "Say which.", "text": "lawngis: a.gpkg, trees: has no CRS. Say which.",
    }  # fmt: skip
    assert (finding["kind"], finding["severity"], finding["code"], finding["parcel"]) == (
        "finding", "stop", "no-dock", "P1",
    )  # fmt: skip


def test_the_share_never_falls_and_ends_at_one(lines):
    with messages.told(as_json=True):
        messages.begin(2)
        for parcel in ("P1", "P2"):
            messages.step_of(parcel, "lawn", 0.0)
            messages.step_of(parcel, "wire", 0.5)
            messages.step_of(parcel, "lawn", 0.0)  # planned once more, on other versions of its data
            messages.parcel_done(parcel, "planned")
    said = lines()
    assert [line["share"] for line in said] == [0, 0.25, 0.25, 0.5, 0.5, 0.75, 0.75, 1]
    assert [line.get("step") for line in said[:4]] == ["lawn", "wire", "lawn", None]
