"""The rules on real plots with invented gardens, through the real steps and the independent checker.

A fixed sample is planned here. All 407 plots take a quarter of an hour: ``python tests/contract/test_real_plots.py``
plans them and prints what breaks.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from expected_layers import CONTRACT_PROFILE
from furnished import bubenec, write_site
from made import plan_of, violations_of

from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource

SAMPLE = (3, 13, 29, 30, 81)
"""Among them: crossings, passages, zones apart, ponds, ledges, a surface whose rings touch, wire beside mouths."""


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> SiteSource:
    folder = tmp_path_factory.mktemp("bubenec") / "site"
    return SiteSource(site_files(write_site(folder, bubenec(SAMPLE))))


@pytest.mark.parametrize("number", SAMPLE)
def test_a_furnished_plot_breaks_no_rule_or_says_which(source: SiteSource, number: int) -> None:
    broken = list(broken_rules(source, f"plot-{number}"))
    assert not broken, "\n".join(broken)


def broken_rules(source: SiteSource, parcel_id: str) -> Iterator[str]:
    site = source.site(parcel_id)
    plan = plan_of(site)
    yield from map(str, violations_of(site, plan, CONTRACT_PROFILE))


def main(folder: Path) -> int:
    """Plan all plots and print what breaks; return how many do."""
    source = SiteSource(site_files(write_site(folder, bubenec())))
    count = 0
    for parcel_id in source.parcel_ids:
        try:
            broken = list(broken_rules(source, parcel_id))
        except Exception as error:  # a crash is what this looks for
            broken = [f"{type(error).__name__}: {error}"]
        print("\n".join([f"{parcel_id}:", *broken]) if broken else f"{parcel_id}: all rules hold", flush=True)
        count += bool(broken)
    return count


if __name__ == "__main__":
    with TemporaryDirectory() as folder:
        sys.exit(main(Path(folder) / "site"))
