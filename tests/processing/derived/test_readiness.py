"""Rule 13 of the contract, reason by reason, and the verdict in a sentence."""

from __future__ import annotations

import pytest
from pyproj import CRS

from lawngis.mower import built_in_profile
from lawngis.processing.derived.knowledge import Knowledge
from lawngis.processing.derived.readiness import readiness
from lawngis.processing.derived.verdict import verdict
from lawngis.processing.model.catalogue import sentences, values_text
from lawngis.processing.model.plan import Plan

FRAME = CRS.from_epsg(25832)
ALL_KNOWN = Knowledge("layers", ())


def finding(code, severity="caution", **values):
    return {"code": code, "severity": severity, "values": values_text(values)}


def check(code, at_stake=None):
    return {"code": code, "at_stake": at_stake}


def planned(
    *, findings=(), checks=(), lawn_m2=400.0, mown_m2=400.0, roles=("home",), keepouts=(), hand_mow=(), within=True,
    starts_at="outlet", routes=1, wire_m=90.0,
):  # fmt: skip
    """A plan of one parcel as steps leave it, but for what nobody asks here."""
    plan = Plan("P1", FRAME)
    each = mown_m2 / len(roles) if roles else 0.0
    plan._rows |= {
        "lawn": [{"area_m2": lawn_m2, "source": "derived"}],
        "zones": [
            {"zone_id": f"P1-Z{n}", "loop_id": "P1-L1", "role": role, "area_m2": each}
            for n, role in enumerate(roles, 1)
        ],
        "wire_path": [{"loop_id": "P1-L1", "length_m": wire_m}] if roles else [],
        "dock_candidates": [{"candidate_id": "P1-D1", "chosen": True}] if roles else [],
        "supply_route": [{"candidate_id": "P1-D1", "within_limit": within, "starts_at": starts_at}] * routes,
        "materials": [{"amount": 600.0}, {"amount": 400.0}, {"amount": None}],
        "findings": list(findings),
        "visit_checks": list(checks),
        "keepouts": [{"reason": reason, "area_m2": area, "treatment": "outside"} for reason, area in keepouts],
        "hand_mow": [{"reason": reason, "area_m2": area} for reason, area in hand_mow],
    }
    return plan


def why(plan, known=ALL_KNOWN):
    """The readiness, and the codes of its reasons."""
    word, reasons = readiness(plan, known)
    assert sentences().sentences("reason", reasons, "; ")
    return word, [code for code, _ in reasons]


def test_nothing_left_to_decide_is_ready():
    assert why(planned(checks=[check("dock-slope")])) == ("ready", ["ready"])


@pytest.mark.parametrize(
    ("plan", "known", "readiness_of_it", "code"),
    [
        (planned(findings=[finding("loop-too-long", "stop")]), ALL_KNOWN, "settle", "stops"),
        (planned(findings=[finding("hours-missing", "stop")]), ALL_KNOWN, "settle", "stops"),
        (planned(findings=[finding("no-permitted-hours", "stop")]), ALL_KNOWN, "settle", "stops"),
        (planned(findings=[finding("signal-reach")]), ALL_KNOWN, "visit", "signal"),
        (planned(within=False), ALL_KNOWN, "visit", "no-supply"),
        (planned(routes=0), ALL_KNOWN, "visit", "no-supply"),
        (planned(starts_at="wall"), ALL_KNOWN, "visit", "supply-assumed"),
        (planned(), Knowledge("layers", ("drops",), ("drops",)), "visit", "not-told"),
        (planned(checks=[check("ground-slope", 30.0)]), ALL_KNOWN, "visit", "checks"),
        (planned(checks=[check("edge-class")]), ALL_KNOWN, "visit", "checks"),
        (planned(checks=[check("passage-width", 200.0)]), ALL_KNOWN, "visit", "checks"),
        (planned(checks=[check("under-crowns", 41.0)]), ALL_KNOWN, "visit", "checks"),
        (planned(roles=()), ALL_KNOWN, "none", "no-mower"),
        (planned(findings=[finding("lawn-undecided")]), ALL_KNOWN, "settle", "lawn-undecided"),
        (planned(findings=[finding("lawn-undecided")], roles=()), ALL_KNOWN, "settle", "lawn-undecided"),
    ],
)  # fmt: skip
def test_each_reason_alone_keeps_a_plan_from_being_ready(plan, known, readiness_of_it, code):
    assert why(plan, known) == (readiness_of_it, [code])


@pytest.mark.parametrize(("code", "elsewhere", "word"), [
    ("dock-must-have", True, "ready"), ("dock-must-have", False, "visit"), ("dock-danger", True, "visit"),
])  # fmt: skip
def test_a_doubtful_place_of_a_dock_decides_where_there_is_no_other_or_somebody_may_be_hurt(code, elsewhere, word):
    plan = planned(checks=[{**check(code, 1.0), "target_id": "P1-D1"}])
    places = [("P1-D1", True, True), ("P1-D2", False, elsewhere)]
    plan._rows["dock_candidates"] = [
        {"candidate_id": name, "zone_id": "P1-Z1", "chosen": chosen, "feasible": fits} for name, chosen, fits in places
    ]
    assert why(plan)[0] == word


def test_a_check_that_moves_ground_or_price_by_less_than_a_tenth_does_not():
    assert why(planned(checks=[check("under-crowns", 39.0)])) == ("ready", ["ready"])
    assert why(planned(checks=[check("passage-width", 99.0)])) == ("ready", ["ready"])
    assert why(planned(checks=[check("passage-width", 101.0)])) == ("visit", ["checks"])
    assert why(planned(checks=[check("passage-width")])) == ("visit", ["checks"])


def test_what_somebody_s_safety_or_the_verdict_hangs_on_decides_however_little_it_moves():
    assert why(planned(checks=[check("ground-slope", 0.1)])) == ("visit", ["checks"])
    assert why(planned(checks=[check("week-area", 0.1)])) == ("visit", ["checks"])


def test_streets_unknown_do_not_and_ground_does_not_where_the_lawn_was_surveyed():
    assert why(planned(), Knowledge("layers", ("streets",), ("streets",)))[0] == "ready"
    assert (
        why(planned(), Knowledge("surveyed", ("buildings", "paving", "beds"), ("buildings", "paving", "beds")))[0]
        == "ready"
    )
    assert why(planned(), Knowledge("layers", ("buildings",)))[0] == "visit"


def said(plan, known=ALL_KNOWN, stops=0):
    return sentences().sentences("verdict", verdict(plan, built_in_profile(), known, stops))


@pytest.mark.parametrize(
    ("plan", "sentence"),
    [
        (planned(), "A mower can serve 100 % of the lawn in one zone."),
        (planned(roles=("home", "linked")), "A mower can serve 100 % of the lawn in 2 zones."),
        (
            planned(roles=("home", "detached")),
            "A mower can serve 100 % of the lawn in 2 zones; one of them is not reached by the mower itself.",
        ),
        (
            planned(mown_m2=236.0, keepouts=[("steep", 160.0)]),
            "A mower can serve 59 % of the lawn in one zone; the rest is too steep.",
        ),
        (
            planned(mown_m2=300.0, keepouts=[("steep", 50.0)], hand_mow=[("narrow", 45.0)]),
            "A mower can serve 75 % of the lawn in one zone; 50 m² are too steep; 45 m² are too narrow.",
        ),
        (planned(lawn_m2=0.0, roles=()), "No mower: there is no lawn."),
        (planned(roles=(), keepouts=[("steep", 201.0)]), "No mower: most of the lawn is too steep."),
        (planned(roles=()), "No mower: no piece of the lawn is large and wide enough."),
    ],
)
def test_the_verdict_is_a_sentence_with_its_reason(plan, sentence):
    assert said(plan) == sentence


def test_an_upper_bound_and_what_must_be_settled_are_said_in_the_verdict():
    text = said(
        planned(), Knowledge("boundary", ("buildings", "paving", "drops"), ("buildings", "paving", "drops")), stops=1
    )
    assert text.startswith("At most 400 m² could be mown in one zone. No layer tells of buildings and paving. ")
    assert text.endswith("One thing must be settled before the wire is laid.")
    assert said(planned(), stops=2).endswith("2 things must be settled before the wire is laid.")


def test_ground_of_unknown_slope_is_said_to_be_so():
    known = Knowledge("layers", ("slope",), ("slope",))
    assert said(planned(), known).endswith("in one zone. No terrain model tells how steep it is.")
    assert why(planned(), known) == ("visit", ["not-told"])


def test_crowns_look_like_lawn_in_an_image_without_heights():
    known = Knowledge("image", ("drops", "trees"), ("drops", "trees"))
    assert said(planned(), known) == "At most 400 m² could be mown in one zone. No layer tells of trees."
    assert said(planned(), Knowledge("image", ("drops",), ("drops",))).startswith("A mower can serve 100 %")


def test_more_than_the_mower_can_do_is_no_share_of_the_lawn():
    plan = planned(findings=[finding("loop-too-long", "stop")], lawn_m2=4300.0, mown_m2=4261.0, wire_m=747.0)
    text = said(plan, stops=1)
    assert text.startswith("Not with") and "747 m of wire" in text and "%" not in text


def test_undecided_is_no_verdict_for_or_against():
    text = said(planned(findings=[finding("lawn-undecided")], lawn_m2=8.0, roles=()))
    assert text.startswith("It is undecided whether there is a lawn")
    some = finding("lawn-undecided", case="how-much", area_low_m2=54.0, area_high_m2=433.0)
    assert said(planned(findings=[some])).startswith("It is undecided how much lawn there is, 54 to 433 m²: the image")
