"""Broken databases: whatever byte is wrong, a plan or one clear line, never a crash, a traceback or a hang."""

from __future__ import annotations

import os

import pytest
from mutated import SAMPLE, mutated, outcomes

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pipes are waited for otherwise elsewhere")

SOUND = {"0", "1", "2"}
"""Exit codes: done, done but for parcels that are broken, unusable."""


def test_copies_differ_from_the_sample_and_from_one_another():
    whole = SAMPLE.read_bytes()
    copies = {mutated(whole, seed) for seed in range(20)}
    assert len(copies) == 20
    assert whole not in copies
    assert {len(copy) for copy in copies} == {len(whole)}


@pytest.mark.slow
def test_copies_of_the_sample_are_looked_at(tmp_path):
    found = outcomes(tmp_path, range(60), "check")
    assert {seed: said for seed, said in found.items() if said not in SOUND} == {}
    assert len(set(found.values())) > 1


@pytest.mark.slow
def test_copies_of_the_sample_are_planned(tmp_path):
    found = outcomes(tmp_path, range(10), "plan", "--parcel", "P01")
    assert {seed: said for seed, said in found.items() if said not in SOUND} == {}
