"""Many parcels: a bad one, or a defect of ours, never stops the others."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely

from lawngis.mower import built_in_profile
from lawngis.processing.planning.progress import ROWS_MAX, shown_rows
from lawngis.processing.planning.supervisor import (
    CHUNK,
    CHUNK_LAST,
    Job,
    chunks,
    multipolygon,
    packed_results,
    parcel_results,
)
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource
from lawngis.processing.steps.workflow import Settings


def test_a_defect_of_ours_fails_one_parcel_only(build, tmp_path, monkeypatch):
    source = SiteSource(site_files(build.site(tmp_path / "s", parcels=[build.parcel(), build.block(24, 0, 8, 8)])))
    sound = source.site

    def site(parcel_id):
        if parcel_id == "P1":
            raise ZeroDivisionError("division by zero")
        return sound(parcel_id)

    monkeypatch.setattr(source, "site", site)
    results = {r.parcel_id: r for r in parcel_results(source, Settings(built_in_profile()), parcel_ids=["P1", "P2"])}
    assert results["P1"].failure == "internal error, please report it: ZeroDivisionError: division by zero"
    assert results["P1"].summary["status"] == "failed"
    assert results["P1"].summary["geometry"].area == pytest.approx(300)
    assert results["P2"].failure == ""
    assert results["P2"].seconds["reading"] > 0


def test_outlines_of_any_kind_become_one_kind():
    square = shapely.box(0, 0, 1, 1)
    assert multipolygon(None).is_empty
    assert multipolygon(square).equals(square)
    assert multipolygon(square).geom_type == "MultiPolygon"
    assert multipolygon(shapely.Point(0, 0)).is_empty


def test_of_many_parcels_those_that_need_a_look_are_shown():
    sound = [{"parcel_id": f"P{n}", "readiness": "ready"} for n in range(ROWS_MAX + 5)]
    bad = {"parcel_id": "bad", "readiness": "failed"}
    stopped = {"parcel_id": "stop", "readiness": "settle"}
    assert shown_rows(sound[:3]) == sound[:3]
    assert shown_rows([*sound, bad, stopped]) == [bad, stopped]
    assert len(shown_rows([bad] * ROWS_MAX * 2)) == ROWS_MAX


def slices(parcel_ids, most):
    return [parcel_ids[at : at + most] for at in range(0, len(parcel_ids), most)]


@pytest.mark.parametrize(("parcels", "workers"), [(1, 1), (7, 4), (40, 2), (1000, 2), (1003, 3)])
def test_tasks_hold_every_parcel_once_and_are_small_in_the_end(parcels, workers):
    names = [f"P{number}" for number in range(parcels)]
    groups = chunks(SimpleNamespace(chunks=slices), names, workers)
    assert [name for group in groups for name in group] == names
    assert max(map(len, groups)) <= CHUNK
    assert all(len(group) <= CHUNK_LAST for group in groups[-workers:])


def test_a_parcel_that_can_not_be_packed_fails_alone(build, tmp_path, monkeypatch):
    source = SiteSource(site_files(build.site(tmp_path / "s", parcels=[build.parcel(), build.block(24, 0, 8, 8)])))

    def lost(rows):
        return [{**row, "geometry": shapely.Point(np.inf, 0)} for row in rows]

    def broken(source, job, *, parcel_ids, may_end_process):
        for result in parcel_results(source, job, parcel_ids=parcel_ids):
            rows = {**result.rows, "pegs": lost(result.rows["pegs"])} if result.parcel_id == "P1" else result.rows
            yield replace(result, rows=rows)

    monkeypatch.setattr("lawngis.processing.planning.supervisor.parcel_results", broken)
    bad, good = packed_results(source, Job(Settings(built_in_profile())), ["P1", "P2"])
    assert (bad.outcome.status, good.outcome.status) == ("failed", "planned")
    assert "no finite place" in bad.outcome.failure
