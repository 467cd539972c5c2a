"""What a simulated walk finds, and what it falsely claims, by the receiver's noise.

Run with ``python -m pytest tests/bench/bench_reconcile.py --benchmark-enable -o python_files='bench_*.py' -s``.
"""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from lawngis.record.deviation import deviations
from lawngis.record.islands import islands_found
from lawngis.record.matching import walk_match

WALKS = 20


def _walks():
    path = Path(__file__).parents[1] / "record" / "walks.py"
    spec = importlib.util.spec_from_file_location("simulated_walks_bench", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["simulated_walks_bench"] = module
    spec.loader.exec_module(module)
    return module


APART = (
    ({}, {}),
    ({"wrong_way": {"I1"}}, {"I1": "wrong_way"}),
    ({"missing": {"I2"}}, {"I2": "missing"}),
    ({"wrong_way": {"I2"}, "missing": {"I1"}}, {"I1": "missing", "I2": "wrong_way"}),
)
NESTED = (
    ({}, {}),
    ({"missing": {"I1b"}}, {"I1b": "missing"}),
    ({"wrong_way": {"I1b"}}, {"I1b": "wrong_way"}),
    ({"missing": {"I1"}}, {"I1": "missing", "I1b": "missing"}),
    ({"wrong_way": {"I1"}}, {"I1": "wrong_way", "I1b": "wrong_way"}),
)
"""What was laid otherwise, and what each island then is; of the second, an island's lead leaves from another."""


@pytest.mark.benchmark(group="reconcile")
@pytest.mark.parametrize("leads", ["apart", "nested"])
@pytest.mark.parametrize("noise", [0.02, 0.1, 0.3, 0.7, 1.0, 2.0])
def test_rates(benchmark, noise, leads):
    walks = _walks()
    loop, cases = (walks.planned_loop(), APART) if leads == "apart" else (walks.nested_loop(), NESTED)

    def judged():
        right = false = undecided = nodes = claimed = turned = 0
        for seed in range(WALKS):
            case, is_otherwise = cases[seed % len(cases)]
            receiver = walks.Receiver(noise, (noise, -noise / 2), alike=0.5)
            low = 0.55 + 0.02 * (seed % 10)
            track = walks.walk(
                walks.laid_otherwise(loop, **case), receiver, seed=seed, start_share=0.05 * seed,
                backwards=seed % 2 == 1, repeats=5, gaps=[(low, low + 0.05)],
            )  # fmt: skip
            match = walk_match(track, loop.xy, loop.chainage, sd_m=noise)
            off = deviations(match, loop.xy, loop.chainage, sd_m=noise, bias_sd_m=noise)
            turned += match.reversed_walk == (seed % 2 == 1)
            for item in islands_found(match, loop.islands, loop.xy, loop.chainage, sd_m=off.point_sd_m):
                truth = is_otherwise.get(item.island.name, "as_planned")
                right += item.verdict == truth
                undecided += item.verdict == "cannot_tell"
                false += item.verdict not in (truth, "cannot_tell")
            outside = off.chainage_m > loop.islands[-1].lead_to_m + 2  # laid as planned in every case
            nodes += outside.sum()
            claimed += off.claimed[outside].sum()
        islands = len(loop.islands) * WALKS
        return right / islands, false / islands, undecided / islands, claimed / nodes, turned / WALKS

    rates = benchmark.pedantic(judged, rounds=1, iterations=1)
    words = ("islands right", "islands false", "undecided", "deviation claimed falsely", "direction right")
    print(
        f"\n{noise:g} m, leads {leads}:",
        ", ".join(f"{word} {rate:.1%}" for word, rate in zip(words, rates, strict=True)),
    )
    assert rates[4] == 1.0


@pytest.mark.benchmark(group="laid")
@pytest.mark.parametrize("noise", [0.02, 0.3, 1.0])
def test_known_truths(benchmark, noise):
    walks = _walks()

    def table():
        return {kind: [walks.told(walks.simulated(kind, noise, seed)) for seed in range(WALKS)] for kind in walks.KINDS}

    found = benchmark.pedantic(table, rounds=1, iterations=1)
    print(f"\nnoise {noise:g} m: length off, claimed sd, within 90 %, change told, islands right / undecided / false")
    for kind, some in found.items():
        error, sd = np.array([one.error_m for one in some]), np.array([one.sd_m for one in some])
        islands = [sum(getattr(one, word) for one in some) for word in ("right", "undecided", "false")]
        print(
            f"{kind:18} {np.sqrt((error**2).mean()):6.2f} m {sd.mean():6.2f} m {(abs(error) < 1.645 * sd).mean():6.0%}"
            f" {np.mean([one.told for one in some]):6.0%} {' / '.join(map(str, islands))}"
        )
