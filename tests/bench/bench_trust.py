"""How far a plan's visit list can be trusted, measured on made gardens whose truth is known.

``python tests/bench/bench_trust.py [--gardens 20] [--maps 20] [--quality good middling poor] [--missed] [--needless]``

Gardens are invented by seed, and mapped with errors of three qualities (`trust_gardens`); lawngis is told the true
model of these errors. It plans the truth as well: what it decides there is right. Decisions are matched by place, never
by name (`trust_decisions`). One is wrong when the map's plan falls otherwise than the truth's, and listed when a row of
`visit_checks` is about it: of a kind that settles it, and near. Which zones are reached follows from passages and
slopes, whether a small lawn is a zone as well, and whether a cable is too long from which zones are reached: a check of
one of these beside lists it only if that one is wrong itself, and doesn't state its chance. A check is needless if it
is about no decision that comes out wrong in any of the maps of its garden; checks that a rule asks for, and those that
keep somebody from harm, are excused. Brier scores are those of the stated chances (0 where nothing is asked) and of
always saying the share of wrong ones; a chance is the most that a check gives it, added up over the limits that are
asked about. What a perfect model of error would reach is simulated beside it (`trust_scores.perfect_model`): it too
misses what may flip with less than the least chance, and the fewer maps of each garden, the more seems needless. What
was reached stands in DEVELOPERS.md.
Intervals of 90 % come from resampling gardens: maps of one garden aren't independent.

A row for each kind: decisions, wrong ones, share of these listed (recall), checks that may be needless, share of those
that are, checks excused, both Brier scores. Below: chance that was said > share that came (number), by tenths.

The qualities `vectors` and `rasters` have one half of the errors of middling maps. Options that this doesn't know go on
to `lawngis plan`: ``--set=keepouts.ledge_reach_m=2``, say. The full run, 20 gardens by 20 maps
of three qualities, takes some 35 minutes of one core; 6 by 4 of one quality less than one.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from trust_decisions import Check, Decision, PlanOfGarden, decisions, plans_of
from trust_gardens import QUALITIES, TRUTH, Garden, Quality, corner, garden, parcel_name, write_site
from trust_scores import (
    HEADER,
    Asked,
    Case,
    Figure,
    Maps,
    asked_of,
    cases_of,
    figure_line,
    kind_scores,
    perfect_model,
    tenths,
)

from lawngis.mower import built_in_profile
from lawngis.processing.derived.doubt import DoubtParameters

NEARBY_M = 5.0


def main(words: Sequence[str] | None = None) -> None:
    """Make gardens and maps, plan them, and print what came of it."""
    options, options.passed_on = _parser().parse_known_args(words)
    lots = [garden(options.seed, number) for number in range(options.gardens)]
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.keep or Path(scratch)
        truth = _planned(folder / "truth", lots, TRUTH, 1, options)
        for name in options.quality:
            found = _planned(folder / name, lots, QUALITIES[name], options.maps, options)
            _report(name, lots, truth, found, options)


def _parser() -> argparse.ArgumentParser:
    said = "How far a plan's visit list can be trusted. Further options are passed on to `lawngis plan`."
    parser = argparse.ArgumentParser(description=said)
    parser.add_argument("--gardens", type=int, default=20)
    parser.add_argument("--maps", type=int, default=20, help="maps of each garden")
    parser.add_argument("--quality", nargs="+", choices=list(QUALITIES), default=["good", "middling", "poor"])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--profile", default="medium", help="a built-in mower")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder in which sites and plans stay")
    parser.add_argument("--reuse", action="store_true", help="take the plans that --keep left")
    parser.add_argument("--missed", action="store_true", help="print the wrong decisions that nothing listed")
    parser.add_argument("--needless", action="store_true", help="print the checks that were needless")
    return parser


def _planned(
    folder: Path, lots: Sequence[Garden], quality: Quality, copies: int, options: argparse.Namespace
) -> dict[tuple[int, int], PlanOfGarden]:
    """Return the plans of all maps of a quality, by garden and number."""
    site, out = folder / "site", folder / "plan"
    if not (options.reuse and (out / "plan.gpkg").exists()):
        write_site(site, lots, quality, copies, options.seed)
        lawngis = Path(sys.executable).with_name("lawngis")
        command = [lawngis, "plan", site, "--out", out, "--workers", options.workers, "--profile", options.profile]
        done = subprocess.run(list(map(str, command + options.passed_on)), capture_output=True, text=True, check=False)
        if done.returncode > 1:
            raise SystemExit(f"lawngis plan {site} failed:\n{done.stderr}")
    places = {(number, copy): parcel_name(number, copy) for number in range(len(lots)) for copy in range(copies)}
    plans = plans_of(out / "plan.gpkg", {name: corner(*place) for place, name in places.items()})
    return {place: plans[name] for place, name in places.items() if len(plans[name].rows("summary"))}


# --- what is printed --------------------------------------------------------------------------------------


def _report(
    name: str,
    lots: Sequence[Garden],
    truth: Mapping[tuple[int, int], PlanOfGarden],
    found: Mapping[tuple[int, int], PlanOfGarden],
    options: argparse.Namespace,
) -> None:
    mower = built_in_profile(options.profile)
    maps: dict[tuple[int, int], tuple[Sequence[Decision], Sequence[Check]]] = {}
    figures: list[Figure] = []
    for (number, copy), plan in found.items():
        true = truth[number, 0]
        checks = plan.checks()
        maps[number, copy] = decisions(lots[number], true, plan, checks, mower), checks
        figures += _figures(number, true, plan)
    cases, asked = cases_of(maps), asked_of(maps)
    print(f"\n{name}: {options.gardens} gardens, {options.maps} maps each, seed {options.seed}\n{HEADER}")
    for score in (scores := kind_scores(cases, asked)):
        print(score.line())
    for figure in ("wire", "price"):
        print(figure_line(figure, figures))
    best = perfect_model(options.maps, DoubtParameters().doubt_min)
    told = f"recall {best.recall:.2f}, needless {best.needless:.2f}, Brier {best.brier:.3f}, mean {best.mean_brier:.3f}"
    print(f"a perfect model of error, truths spread evenly about a limit: {told}")
    print("said > came (number), by tenths of chance:")
    for score in scores:
        if any(score.chances) and len(score.wrong) < len(score.cases):
            parts = tenths(score.chances, score.happened)
            print(f"  {score.name:13}", "  ".join(f"{said:.2f} > {came:.2f} ({count})" for count, said, came in parts))
    unknown = Counter(item.check.code for item in asked if not item.check.settles)
    if unknown:
        print("checks of kinds that the table SETTLES doesn't have:", dict(unknown))
    if options.missed:
        _print_missed(cases, maps)
    if options.needless:
        _print_needless(asked)


def _figures(garden_number: int, truth: PlanOfGarden, found: PlanOfGarden) -> list[Figure]:
    """Return wire and price of a map's plan beside those of the truth, with their sd where the plan has one."""
    if {truth.summary["status"], found.summary["status"]} != {"planned"}:
        return []
    columns = {"wire": ("wire_m", "wire_sd_m"), "price": ("amount", "amount_sd")}
    return [
        Figure(
            garden_number,
            name,
            float(truth.summary[value]),
            float(found.summary[value]),
            float(found.summary.get(sd, np.nan) or np.nan),
        )
        for name, (value, sd) in columns.items()
    ]


def _print_missed(cases: Sequence[Case], maps: Maps) -> None:
    print("wrong and not listed: garden, map, kind, place from the tile's middle, truth > map, checks nearby")
    for case in cases:
        if case.decision.wrong and not case.listed:
            made = case.decision
            at = made.ground.representative_point()
            near = [check for check in maps[case.garden, case.copy][1] if check.ground.dwithin(made.ground, NEARBY_M)]
            words = ", ".join(f"{check.code} {check.value:.2f}/{check.limit:g} p{check.chance:.2f}" for check in near)
            name, place = parcel_name(case.garden, case.copy), f"({at.x:+.1f}, {at.y:+.1f})"
            print(f"  {name} {made.kind:13} {place:16} {made.truth} > {made.found}; {words or '-'}")


def _print_needless(asked: Sequence[Asked]) -> None:
    print("needless: garden, map, code, place from the tile's middle, value, sd, limit, chance")
    for item in asked:
        if item.counts and not item.needed:
            check, at = item.check, item.check.ground.representative_point()
            print(
                f"  {parcel_name(item.garden, item.copy)} {check.code:14} ({at.x:+.1f}, {at.y:+.1f}) "
                f"{check.value:.2f} {check.sd:.2f} {check.limit:g} {check.chance:.2f}"
            )


if __name__ == "__main__":
    main()
