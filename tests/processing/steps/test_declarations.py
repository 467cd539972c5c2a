"""What a step declares to read it reads, on some parcel of the sample: declarations don't rot."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from lawngis.errors import PlanError
from lawngis.mower import MowerProfile, profile_from
from lawngis.processing.model.plan import Derived, Plan, StepResult
from lawngis.processing.model.site import Site
from lawngis.processing.model.step import Parameters, Step
from lawngis.processing.model.view import WHOLE_INPUTS
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource
from lawngis.processing.steps.workflow import Settings, installed_steps, ordered, planned

SAMPLE = Path(__file__).parents[3] / "sample_parcels"


class Reads:
    """What was read: all of it, and what of it by computing each derived value, by its declaration."""

    def __init__(self) -> None:
        self.made: set[str] = set()
        self.deriving: defaultdict[Derived, set[str]] = defaultdict(set)
        self._at_work: list[Derived] = []

    def note(self, *names: str) -> None:
        self.made |= set(names)
        for what in self._at_work:
            self.deriving[what] |= set(names)

    def while_deriving(self, what: Derived, compute: Callable[[], Any]) -> Any:
        self._at_work.append(what)
        try:
            return compute()
        finally:
            self._at_work.pop()


class RecordingSite(Site):
    """A site that notes what is read of it."""

    def __init__(self, view: Site, reads: Reads) -> None:
        object.__setattr__(self, "_of", (view, reads))

    def __getattribute__(self, name: str) -> Any:
        if name not in Site.__dataclass_fields__:
            return super().__getattribute__(name)
        view, reads = super().__getattribute__("_of")
        value = getattr(view, name)
        if name in WHOLE_INPUTS:
            reads.note(WHOLE_INPUTS[name])
        words = {"layers": "site:", "accuracy": "accuracy:", "facts": "fact:"}
        return _Parts(value, words[name], reads) if name in words else value


class RecordingPlan(Plan):
    """A plan that notes what is read of it."""

    def __init__(self, view: Plan, reads: Reads) -> None:
        vars(self).update(vars(view), _view=view, _reads=reads, _rows=_Parts(view._rows, "", reads))

    def derived(self, what: Derived, compute: Callable[[], Any]) -> Any:
        self._reads.note(*what.reads)
        return self._view.derived(what, lambda: self._reads.while_deriving(what, compute))


class _Parts(Mapping[str, Any]):
    """Inputs by name, or as attributes."""

    def __init__(self, whole: Any, word: str, reads: Reads) -> None:
        self._whole, self._word, self._reads = whole, word, reads

    def __getitem__(self, name: str) -> Any:
        self._reads.note(self._word + name)
        return self._whole[name]

    def __contains__(self, name: object) -> bool:
        self._reads.note(f"{self._word}{name}")
        return name in self._whole

    def __iter__(self) -> Iterator[str]:
        return iter(self._whole)

    def __len__(self) -> int:
        return len(self._whole)

    def __getattr__(self, name: str) -> Any:
        self._reads.note(self._word + name)
        return getattr(self._whole, name)


@pytest.fixture(scope="module")
def reads() -> dict[str, Reads]:
    """All that each step reads of a parcel with a detached zone, however that is fed, and of one with no zone."""
    found: dict[str, Reads] = defaultdict(Reads)

    def noting(step: Step) -> Step:
        def compute(site: Site, plan: Any, mower: MowerProfile, parameters: Parameters) -> StepResult:
            reads = found[step.id]
            return step.compute(RecordingSite(site, reads), RecordingPlan(plan, reads), mower, parameters)

        return replace(step, compute=compute)

    source, steps = SiteSource(site_files(SAMPLE)), [noting(step) for step in installed_steps()]
    medium = profile_from("medium")
    garden = source.site("P05")
    planned(source.site("P12"), steps, Settings(medium))
    planned(garden, steps, Settings(medium))
    planned(replace(garden, dsm=None, imagery=None, complete=()), steps, Settings(medium))
    for supply in ("main_wire", "own_source"):
        enduring = medium.model_copy(update={"supplies_offered": (supply,), "run_minutes": 400.0})
        assert supply in {zone["supply"] for zone in planned(garden, steps, Settings(enduring)).plan.rows("zones")}
    return found


@pytest.mark.parametrize("step", installed_steps(), ids=lambda step: step.id)
def test_each_step_reads_all_that_it_declares_and_nothing_else(reads: dict[str, Reads], step: Step) -> None:
    assert len(set(step.reads)) == len(step.reads)
    assert reads[step.id].made == set(step.reads)


def test_a_derived_value_is_derived_from_what_it_declares(reads: dict[str, Reads]) -> None:
    """Else a step that finds it computed would see what it doesn't declare."""
    found: dict[Derived, set[str]] = defaultdict(set)
    for step in reads.values():
        for what, names in step.deriving.items():
            found[what] |= names
    assert len(found) >= 6
    # Steps hand the drawn wire to the loops; the terrain gives the size of cells where the image is there no more.
    elsewhere = {"loops": {"fact:wires"}, "outlines seen in the image": {"raster:dem"}}
    assert {what.name: names | elsewhere.get(what.name, set()) for what, names in found.items()} == {
        what.name: set(what.reads) for what in found
    }


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
