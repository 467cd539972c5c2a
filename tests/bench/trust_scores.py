"""How good a visit list is: recall, needless checks and the truth of stated chances, with their spread over gardens."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr
from trust_decisions import KINDS, RULE_CODES, SAFETY, Check, Decision, stated_chance

Maps = Mapping[tuple[int, int], tuple[Sequence[Decision], Sequence[Check]]]
"""Decisions and checks of every map, by garden and number."""

FloatArray = NDArray[np.float64]

RESAMPLES = 1000
PERFECT_TRUTHS = 20_000
QUANTILES = (0.05, 0.95)
Z_90 = 1.6449
"""Half of a 90 % interval of a normal distribution, in standard deviations."""


@dataclass(frozen=True)
class Case:
    """A decision of one map with the checks that are about it, and whether these would have shown it to be wrong."""

    garden: int
    copy: int
    decision: Decision
    checks: tuple[Check, ...]
    listed: bool

    @property
    def chance(self) -> float:
        return stated_chance([check for check in self.checks if check.of_itself(self.decision)])


@dataclass(frozen=True)
class Asked:
    """A check of one map, and whether any map of its garden has a wrong decision that it is about."""

    garden: int
    copy: int
    check: Check
    needed: bool

    @property
    def kind(self) -> str:
        return self.check.settles[0] if self.check.settles else "other"

    @property
    def counts(self) -> bool:
        """Whether it may be needless: no rule asks for it, and nobody is hurt without it."""
        return self.check.code not in RULE_CODES and self.kind not in SAFETY


@dataclass(frozen=True)
class Figure:
    """A sum of a whole garden by the map's plan and by the truth's; `sd` where the plan states one."""

    garden: int
    name: str
    truth: float
    found: float
    sd: float = np.nan


def cases_of(maps: Maps) -> list[Case]:
    """Return all decisions of all maps with what is asked about each."""
    cases = []
    for (garden, copy), (made, checks) in maps.items():
        shown = {check.check_id for check in checks for item in made if item.wrong and _needs(item, check)}
        for decision in made:
            about = tuple(check for check in checks if check.about(decision))
            listed = any(check.of_itself(decision) or check.check_id in shown for check in about)
            cases.append(Case(garden, copy, decision, about, listed))
    return cases


def asked_of(maps: Maps) -> list[Asked]:
    """Return all checks of all maps, each with whether it is ever needed in its garden."""
    wrong: dict[int, list[Decision]] = {}
    for (garden, _), (made, _) in maps.items():
        wrong.setdefault(garden, []).extend(decision for decision in made if decision.wrong)
    return [
        Asked(garden, copy, check, any(_needs(decision, check) for decision in wrong.get(garden, ())))
        for (garden, copy), (_, checks) in maps.items()
        for check in checks
    ]


def _needs(decision: Decision, check: Check) -> bool:
    return check.about(decision) and check.of_itself(decision)


# --- figures ----------------------------------------------------------------------------------------------


class Perfect(NamedTuple):
    """What a visit list reaches whose model of error is true: recall, share of needless checks, both Brier scores."""

    recall: float
    needless: float
    brier: float
    mean_brier: float


def perfect_model(maps: int, least_chance: float, *, reach_sds: float = 4.0, seed: int = 0) -> Perfect:
    """Return what a perfect model of error reaches with so many maps of each truth, by simulation.

    Truths lie evenly up to so many standard deviations about a limit, maps are off by one, and what may flip with the
    least chance is listed. What misses recall is what no list of that chance has; what is needless flipped in none of
    its maps by luck.
    """
    rng = np.random.default_rng(seed)
    truth = rng.uniform(-reach_sds, reach_sds, (PERFECT_TRUTHS, 1))
    found = truth + rng.normal(size=(PERFECT_TRUTHS, maps))
    wrong, chance = (found > 0) != (truth > 0), ndtr(-np.abs(found))
    listed, share = chance >= least_chance, wrong.mean()
    needless = listed & ~wrong.any(axis=1, keepdims=True)
    recall = (listed & wrong).sum() / wrong.sum()
    return Perfect(
        float(recall), float(needless.sum() / listed.sum()), brier(chance, wrong), float(share * (1 - share))
    )


def brier(chances: ArrayLike, happened: ArrayLike) -> float:
    """Return the mean square of what was said less what came (Brier 1950)."""
    return float(np.mean((np.asarray(chances, dtype=float) - np.asarray(happened, dtype=float)) ** 2))


def share_interval(parts: Iterable[tuple[int, int, int]], seed: int = 0) -> tuple[float, float, float]:
    """Return a share over all gardens and its 90 % interval, by resampling gardens.

    `parts` has garden, how many of it count, and how many of these are meant; a bootstrap of clusters, as maps of one
    garden aren't independent (Davison and Hinkley 1997, section 3.8).
    """
    sums: dict[int, list[int]] = {}
    for garden, of, meant in parts:
        both = sums.setdefault(garden, [0, 0])
        both[0] += of
        both[1] += meant
    table = np.array(list(sums.values()), dtype=float).reshape(-1, 2)
    if not table[:, 0].sum():
        return np.nan, np.nan, np.nan
    drawn = np.random.default_rng(seed).integers(len(table), size=(RESAMPLES, len(table)))
    totals = table[drawn].sum(axis=1)
    shares = totals[totals[:, 0] > 0]
    low, high = np.quantile(shares[:, 1] / shares[:, 0], QUANTILES)
    return float(table[:, 1].sum() / table[:, 0].sum()), float(low), float(high)


def tenths(chances: ArrayLike, happened: ArrayLike) -> list[tuple[int, float, float]]:
    """Return for each tenth of stated chance that occurs: how many, the mean that was said, the share that came."""
    said, came = np.asarray(chances, dtype=float), np.asarray(happened, dtype=float)
    which = np.minimum((said * 10).astype(int), 9)
    return [
        (int((which == tenth).sum()), float(said[which == tenth].mean()), float(came[which == tenth].mean()))
        for tenth in np.unique(which)
    ]


@dataclass(frozen=True)
class KindScore:
    """All figures of one kind of decision, or of several together."""

    name: str
    cases: Sequence[Case]
    asked: Sequence[Asked]

    @cached_property
    def wrong(self) -> list[Case]:
        return [case for case in self.cases if case.decision.wrong]

    @property
    def recall(self) -> tuple[float, float, float]:
        return share_interval((case.garden, 1, case.listed) for case in self.wrong)

    @property
    def needless(self) -> tuple[float, float, float]:
        return share_interval((item.garden, 1, not item.needed) for item in self.asked if item.counts)

    @property
    def happened(self) -> list[bool]:
        return [case.decision.wrong for case in self.cases]

    @property
    def chances(self) -> list[float]:
        return [case.chance for case in self.cases]

    def line(self) -> str:
        """Return the kind's row of the table."""
        counted = [item for item in self.asked if item.counts]
        scores = ["", ""]
        if self.cases and len(self.wrong) < len(self.cases):
            share = np.mean(self.happened)
            scores = [f"{brier(self.chances, self.happened):.4f}", f"{share * (1 - share):.4f}"]
        return (
            f"{self.name:13} {len(self.cases):6} {len(self.wrong):6} {interval_text(self.recall):>19} "
            f"{len(counted):7} {interval_text(self.needless):>19} {len(self.asked) - len(counted):8} "
            f"{scores[0]:>8} {scores[1]:>8}"
        )


HEADER = (
    f"{'kind':13} {'number':>6} {'wrong':>6} {'recall':>19} {'listed':>7} {'needless':>19} "
    f"{'excused':>8} {'Brier':>8} {'mean':>8}"
)


def interval_text(share: tuple[float, float, float]) -> str:
    return "" if np.isnan(share[0]) else f"{share[0]:.2f} ({share[1]:.2f}-{share[2]:.2f})"


def kind_scores(cases: Sequence[Case], asked: Sequence[Asked]) -> list[KindScore]:
    """Return the score of each kind, of those that could hurt somebody and those that would, and of all."""
    names = [*KINDS, *sorted({item.kind for item in asked} - set(KINDS))]
    scores = [
        KindScore(
            name,
            [case for case in cases if case.decision.kind == name],
            [item for item in asked if item.kind == name],
        )
        for name in names
    ]
    unsafe = [case for case in cases if case.decision.kind in SAFETY]
    excused = [item for item in asked if item.kind in SAFETY]
    harm = [case for case in unsafe if case.decision.harm]
    return [
        *scores,
        KindScore("SAFETY", unsafe, excused),
        KindScore("of it harm", harm, []),
        KindScore("ALL", cases, asked),
    ]


def figure_line(name: str, figures: Sequence[Figure]) -> str:
    """Return bias, spread and, where the plans state an sd, the coverage of 90 % intervals."""
    some = [figure for figure in figures if figure.name == name and figure.truth > 0]
    if not some:
        return f"{name}: nothing to compare"
    ratio = np.array([figure.found / figure.truth - 1 for figure in some])
    off, sd = np.array([(figure.found - figure.truth, figure.sd) for figure in some]).T
    stated = np.isfinite(sd)
    known = "no sd stated"
    if stated.any():
        known = f"{np.mean(np.abs(off[stated]) <= Z_90 * sd[stated]):.0%} of {stated.sum()} within their 90 % intervals"
    far = np.mean(np.abs(ratio) > 0.05)
    return f"{name}: bias {ratio.mean():+.1%}, sd {ratio.std():.1%}, off by more than 5 %: {far:.0%}; {known}"
