"""The settings sheet: what is typed in, in the units of its reader, as the plan has it."""

import json
import re
from dataclasses import replace
from io import BytesIO

import pypdf
import pytest

from lawngis.processing.deliver.formats import Formats
from lawngis.processing.deliver.settings import settings_sheet, typed_area

FEET = Formats("en_US", "feet")


def finding(code, text="", advice="", **values):
    return {"code": code, "severity": "info", "text": text, "advice": advice, "values": json.dumps(values)}


def text_of(delivered, formats=FEET, *, of_run=(), pages=1, **layers):
    plan = delivered.parcels["P1"]
    made = replace(plan, rows={**plan.rows, **layers}, of_run=of_run)
    reader = pypdf.PdfReader(BytesIO(settings_sheet(made, formats, delivered.wishes.written_at)))
    assert len(reader.pages) == pages
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in reader.pages))


def session(zone_id, weekday, start, *, edge=False, sets_out=None):
    hours = {"start_time": start, "end_time": "12:00", "mowing_h": 1.25, "charging_h": 0.5}
    return {"zone_id": zone_id, "weekday": weekday, **hours, "edge_pass": edge, "sets_out": sets_out}


@pytest.mark.parametrize(
    ("area_m2", "metric", "feet"),
    [
        (7.2, "8 m²", "78 sq ft"),
        (360.0, "360 m²", "3,900 sq ft"),
        (361.0, "370 m²", "3,900 sq ft"),
        (1201, "1,300 m²", "13,000 sq ft"),
    ],
)
def test_areas_are_typed_with_two_figures_and_never_less_than_there_is(area_m2, metric, feet):
    assert (typed_area(area_m2, Formats()), typed_area(area_m2, FEET)) == (metric, feet)


def test_zones_of_a_mower_are_typed_one_by_one_and_together(delivered):
    (zone,) = delivered.parcels["P1"].rows["zones"]
    zones = [
        {**zone, "zone_id": name, "mower_no": number, "area_m2": area_m2, "hours_week": 3.0}
        for name, number, area_m2 in (("A", 1, 101.0), ("B", 2, 333.0), ("C", 1, 52.0))
    ]
    said = text_of(delivered, Formats(), zones=zones)
    assert "1 A home 110 m² 101 m² 3.0 1 C home 52 m² 52 m² 3.0 1 all of it 160 m² 153 m² 6.0 2 B home 340 m²" in said
    assert "2 all of it" not in said
    assert "1 A home 1,100 sq ft 1,087 sq ft" in text_of(delivered, zones=zones)


def test_the_week_has_like_days_in_one_line_and_says_when_the_edge_is_mown(delivered):
    week = [
        session("Z1", "Monday", "09:00", edge=True),
        session("Z1", "Wednesday", "09:00"),
        session("Z1", "Friday", "10:00"),
    ]
    said = text_of(delivered, schedule=week)
    assert "Z1 Monday, Wednesday 09:00 12:00 2.5 h Monday Z1 Friday 10:00 12:00 1.2 h –" in said
    assert "wears the grass there, and it takes energy" in said and "no source" in said
    without = text_of(delivered, schedule=[{**row, "edge_pass": False} for row in week])
    assert "Edge pass None is planned." in without and "wears the grass" not in without


def test_heights_of_the_first_weeks_take_off_a_third_at_most(delivered):
    """3 inches are cut from 4.5, and these from 6.75 (Cornell: mow at 4.5 in what is kept at 3)."""
    growth = finding("growth", cut_height_mm=76.2)
    said = text_of(delivered, of_run=[growth])
    assert "up to 4½″ 3″ up to 6¾″ 4½″, then 3″" in said.replace("0′ ", "")
    metric = text_of(delivered, Formats(), findings=[finding("growth", cut_height_mm=40.0)])
    assert "up to 60 mm 40 mm up to 90 mm 60 mm, then 40 mm up to 135 mm 90 mm, then 60 mm, then 40 mm" in metric
    unknown = text_of(delivered)
    assert "up to" not in unknown and "more than a third" in unknown


def test_set_out_places_and_quiet_hours_come_from_the_plan(delivered):
    week = [session("Z1", "Monday", "09:00", sets_out="60 % at the entry, 40 % at 30.48 m")]
    quiet = finding("quiet-hours", "the weekly plan wants Monday 09:00-19:00", "Local quiet hours decide.")
    thin = finding("thin-place", "2 m² of Z1 stay thin", "Set out beside it now and then.", case="start")
    said = text_of(delivered, schedule=week, of_run=[quiet], findings=[thin])
    assert re.search(r"Set-out places.* 22 sq ft of Z1 stay thin. Set out beside it now and then. Quiet hours", said)
    assert said.count("stay thin") == 1
    assert "Z1 60 % at the entry, 40 % at 100′ 0″" in said
    assert "The weekly plan wants Monday 09:00-19:00. Local quiet hours decide." in said
    neither = text_of(delivered)
    assert "None is planned: the mower sets out as it comes." in neither
    assert "The plan names none: ask which local rules hold" in neither


def test_what_is_mown_by_hand_is_on_the_sheet(delivered):
    left = [
        {"area_id": "H1", "reason": "narrow", "area_m2": 12.4},
        {"area_id": "H2", "reason": "out_of_signal", "area_m2": 2.0},
    ]
    thin = finding("thin-place", "3.5 m² of Z1 behind an island stay thin", "Mow it by hand now and then.", case="hand")
    said = text_of(delivered, Formats(), hand_mow=left, findings=[thin], schedule=[])
    assert "H1 narrow 12 m² H2 out of the signal's reach 2.0 m² P1-Z1 no hours in the week 399 m²" in said
    assert said.count("behind an island stay thin. Mow it by hand now and then.") == 1
    assert "The plan has no hours" in said
    nothing = text_of(delivered, schedule=[session("P1-Z1", "Monday", "09:00")])
    assert "No ground is left over." in nothing
