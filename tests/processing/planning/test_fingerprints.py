"""What a finished parcel depends on: each of it changes the fingerprint, and nothing else does."""

from __future__ import annotations

import os
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from lawngis.mower import built_in_profile
from lawngis.processing.files.digests import sha256
from lawngis.processing.measured.overrides import Override
from lawngis.processing.model.site import DataAccuracy
from lawngis.processing.planning.fingerprints import files_fingerprint, settings_fingerprint, site_fingerprint
from lawngis.processing.reading.read_options import ReadOptions
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource
from lawngis.processing.steps.workflow import Settings

MEDIUM = built_in_profile("medium")


def seen(folder, parcel_id="P1", **options):
    return site_fingerprint(SiteSource(site_files(folder), ReadOptions(**options)).site(parcel_id))


@pytest.fixture
def furnished(build, tmp_path):
    """A site of two neighbours with a bed on the first one, in a folder of its own each time."""

    def make(name, *, bed=(2, 2), dem=None, kind="flowers", parcels=(0, 25), more=()):
        folder = tmp_path / name
        build.site(folder, parcels=[build.block(x, 0, 20, 15) for x in parcels], dem=False)
        build.dem(folder / "dem.tif", **(dem or {}))
        beds = [build.block(*bed, 2, 2), *more]
        build.layer(folder / "site.gpkg", "beds", beds, kind=[kind] * len(beds))
        return folder

    return make


def test_the_same_site_elsewhere_is_the_same(furnished):
    assert seen(furnished("one")) == seen(furnished("two"))
    assert seen(furnished("one2"), "P2") != seen(furnished("two2"), "P1")


@pytest.mark.parametrize(
    "change",
    [
        {"bed": (2, 2.001)},
        {"kind": "shrubs"},
        {"dem": {"cell": 0.25}},
        {"dem": {"holes": lambda x, y: (np.abs(x - 500_010) < 0.3) & (np.abs(y - 5_500_007) < 0.3)}},
        {"parcels": (0, 19)},
    ],
    ids=["a bed moved by a millimetre", "its kind", "finer cells", "a hole in the terrain", "a neighbour overlaps"],
)
def test_what_steps_see_counts(furnished, change):
    assert seen(furnished("before")) != seen(furnished("after", **change))


def test_what_lies_far_away_does_not(furnished, build):
    """A bed 100 m away, and the far end of the terrain model."""
    before = seen(furnished("before"))
    assert before == seen(furnished("after", more=[build.block(150, 0, 3, 3)]))
    assert seen(furnished("wide", dem={"width_m": 120.0})) == seen(furnished("wider", dem={"width_m": 300.0}))


def test_a_layer_more_counts(furnished, build):
    folder = furnished("site")
    before = seen(folder)
    build.layer(folder / "site.gpkg", "trees", [build.at(500, 500)])
    assert seen(folder) != before  # what it can't know without trees is no longer said


def test_accuracy_counts(furnished):
    folder = furnished("site")
    assert seen(folder) != seen(folder, accuracy=DataAccuracy(dem_sd_m=0.02))


def test_every_setting_counts(tmp_path):
    bare = Settings(MEDIUM)
    other = [
        Settings(built_in_profile("small")),
        Settings(MEDIUM.model_copy(update={"speed_mps": MEDIUM.speed_mps + 1e-9})),
        Settings(MEDIUM, {"lawn": {"sliver_width_m": "0.2"}}),
        Settings(MEDIUM, {"lawn": {"sliver_width_m": "0.3"}}),
    ]
    prints = [settings_fingerprint(one, ReadOptions()) for one in (bare, *other)]
    prints += [
        settings_fingerprint(bare, ReadOptions(dem_unit="ft")),
        settings_fingerprint(bare, ReadOptions(bands=("red",))),
    ]
    assert len(set(prints)) == len(prints)
    assert settings_fingerprint(Settings(built_in_profile("medium")), ReadOptions()) == prints[0]


def test_what_was_measured_counts_for_its_own_parcel(furnished):
    folder = furnished("site")
    site = SiteSource(site_files(folder), ReadOptions()).site("P1")
    seen = {
        name: site_fingerprint(site, [Override(*words)])
        for name, words in {
            "own": ("links", "P1-P1", "width_m", "1.2"),
            "own other": ("links", "P1-P1", "width_m", "1.3"),
            "neighbour": ("links", "P2-P1", "width_m", "1.2"),
        }.items()
    }
    assert seen.pop("neighbour") == site_fingerprint(site)
    assert len({*seen.values(), site_fingerprint(site)}) == 3


def test_the_order_in_which_parameters_are_given_does_not():
    one = Settings(MEDIUM, {"lawn": {"a": "1", "b": "2"}, "dock": {"c": "3"}})
    two = Settings(MEDIUM, {"dock": {"c": "3"}, "lawn": {"b": "2", "a": "1"}})
    assert settings_fingerprint(one, ReadOptions()) == settings_fingerprint(two, ReadOptions())


def test_what_is_in_a_file_that_a_parameter_names_counts(tmp_path):
    rules = tmp_path / "rules.toml"
    settings = Settings(MEDIUM, {"schedule": {"quiet_hours": str(rules), "sprinklers": "Monday 05:00-06:00; " * 19}})
    rules.write_text('[permitted]\nMonday = ["07:00-20:00"]\n')
    before = settings_fingerprint(settings, ReadOptions())
    assert settings_fingerprint(settings, ReadOptions()) == before
    rules.write_text('[permitted]\nMonday = ["08:00-12:00"]\n')
    os.utime(rules, ns=(1, 1))
    assert settings_fingerprint(settings, ReadOptions()) != before


def test_files_count_by_what_is_in_them(tmp_path):
    one, two = tmp_path / "one", tmp_path / "two"
    one.write_bytes(b"x" * 3_000_000)
    two.write_bytes(b"x" * 3_000_000)
    assert files_fingerprint([one]) == files_fingerprint([two])
    assert sha256(one) == sha256(two)
    two.write_bytes(b"x" * 2_999_999 + b"y")
    os.utime(two, ns=(7, 7))
    assert files_fingerprint([one]) != files_fingerprint([two])
    assert files_fingerprint([one, tmp_path]) == files_fingerprint([one])  # a folder is no file


def test_sha256_is_that_of_the_standard(tmp_path):
    """FIPS 180-2, appendix B.1: the message "abc"."""
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    assert sha256(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


SMALL = st.one_of(st.none(), st.booleans(), st.integers(-3, 3), st.floats(-2, 2), st.text(max_size=3))
NESTED = st.recursive(
    SMALL, lambda inside: st.lists(inside, max_size=3) | st.dictionaries(st.text(max_size=2), inside, max_size=3)
)


@settings(max_examples=150, deadline=None)
@given(NESTED, NESTED)
def test_different_values_have_different_prints(one, two):
    """Numbers that Python takes for equal, such as 1 and True, count as different: that costs time, never a plan."""
    first, second = (settings_fingerprint(Settings(MEDIUM, {"s": {"v": value}}), None) for value in (one, two))
    if repr(one) == repr(two):
        assert first == second
    elif one != two:
        assert first != second


def test_tables_count_by_column_and_cell(build):
    from lawngis.processing.planning.fingerprints import _digest

    table = pd.DataFrame({"a": [1.0, 2.0], "b": ["x", None]})
    assert _digest(table) == _digest(table.copy())
    for other in (table.rename(columns={"a": "c"}), table.iloc[::-1], table.assign(b=["x", "y"]), table.iloc[:1]):
        assert _digest(other) != _digest(table)
    point, moved = shapely.Point(1, 2), shapely.Point(1, np.nextafter(2, 3))
    assert _digest([point]) != _digest([moved])
    assert _digest(replace(Override("a", "b", "c", "d"), place=point)) != _digest(Override("a", "b", "c", "d"))
