"""What a step declares to read it reads, on some parcel of the sample: declarations don't rot."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from lawngis.errors import PlanError
from lawngis.mower import MowerProfile, profile_from
from lawngis.processing.model.plan import Plan, StepResult
from lawngis.processing.model.site import Site
from lawngis.processing.model.step import Parameters, Step
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource
from lawngis.processing.steps.workflow import Settings, installed_steps, ordered, planned

SAMPLE = Path(__file__).parents[3] / "sample_parcels"


@pytest.fixture(scope="module")
def reads() -> dict[str, set[str]]:
    """All that each step reads of a parcel with a detached zone, however that is fed, and of one with no zone."""
    found: dict[str, set[str]] = defaultdict(set)

    def noting(step: Step) -> Step:
        def compute(site: Site, plan: Any, mower: MowerProfile, parameters: Parameters) -> StepResult:
            result = step.compute(site, plan, mower, parameters)
            found[step.id] |= plan.reads.made
            return result

        return replace(step, compute=compute)

    source, steps = SiteSource(site_files(SAMPLE)), [noting(step) for step in installed_steps()]
    medium = profile_from("medium")
    garden = source.site("P05")
    planned(source.site("P12"), steps, Settings(medium))
    planned(garden, steps, Settings(medium))
    planned(replace(garden, dsm=None, imagery=None), steps, Settings(medium))
    for supply in ("main_wire", "own_source"):
        enduring = medium.model_copy(update={"supplies_offered": (supply,), "run_minutes": 400.0})
        assert supply in {zone["supply"] for zone in planned(garden, steps, Settings(enduring)).plan.rows("zones")}
    return found


@pytest.mark.parametrize("step", installed_steps(), ids=lambda step: step.id)
def test_each_step_reads_all_that_it_declares_and_nothing_else(reads: dict[str, set[str]], step: Step) -> None:
    assert len(set(step.reads)) == len(step.reads)
    assert reads[step.id] == set(step.reads)


@pytest.mark.parametrize("name", ["site:tree", "raster:dtm", "accuracy:dem", "fact:guesses", "shade:dem"])
def test_what_no_site_has_can_not_be_declared(name: str) -> None:
    step = Step("shade", "Shade", "", (name,), (), lambda *_: StepResult())
    with pytest.raises(PlanError, match=rf"step shade reads {name}, which no site has"):
        ordered([step])


def test_a_step_that_reads_more_than_it_declares_fails_the_parcel_by_name() -> None:
    def peeking(site: Site, plan: Plan, mower: MowerProfile, parameters: Parameters) -> StepResult:
        assert plan.rows("lawn")
        return StepResult() if site.dsm is None else StepResult({})

    steps = [*installed_steps(), Step("peeking", "Peeking", "", ("lawn",), (), peeking)]
    with pytest.raises(PlanError, match=r"P12: step peeking reads raster:dsm, which it doesn't declare"):
        planned(SiteSource(site_files(SAMPLE)).site("P12"), ordered(steps), Settings(profile_from("medium")))
