"""Profiles: the contract's values, and every way in which a file can be wrong."""

import tomllib

import pytest
from pydantic import ValidationError

from lawngis.errors import ParameterError
from lawngis.mower import MowerProfile, built_in_profile, mower_profile, profile_from, profile_names, profile_text

# The values that the plan contract fixes for the default profile.
CONTRACT = {
    "slope_limit_percent": 35, "edge_slope_limit_percent": 20, "passage_mow_min_m": 1.6, "passage_transit_min_m": 0.9,
    "passage_wire_gap_m": 0.3, "wire_gap_min_m": 0.3, "peg_spacing_straight_m": 0.8, "peg_spacing_bend_m": 0.3,
    "peg_spacing_first_m": 3.0, "trial_start_min_m": 2.0,
    "wire_reel_m": 150, "wire_slack_percent": 2, "wire_section_mm2": 0.75, "loop_length_max_m": 500,
    "signal_reach_max_m": 18, "supply_cable_max_m": 15, "dock_straight_ahead_m": 2.0, "dock_straight_behind_m": 1.0,
    "dock_slope_max_percent": 5, "dock_corner_min_m": 1.0, "dock_sprinkler_min_m": 2.0, "cutting_width_m": 0.24,
    "speed_mps": 0.35, "run_minutes": 70, "charge_minutes": 60, "rigid_trunk_min_m": 0.15, "bump_height_min_m": 0.15,
}  # fmt: skip
SETBACKS = {
    "flush": 0.12, "raised": 0.35, "drop": 0.60, "water": 0.60,
    "soft": 0.25, "steep": 0.40, "boundary": 0.30, "unknown": 0.35,
}  # fmt: skip


def broken(old: str, new: str) -> str:
    text = profile_text("medium")
    assert old in text
    return text.replace(old, new)


def test_default_profile_has_the_contracts_values():
    profile = built_in_profile().model_dump()
    assert {key: profile[key] for key in CONTRACT} == CONTRACT
    assert profile["setback_m"] == SETBACKS


def test_three_profiles_of_different_size():
    widths = [built_in_profile(name).cutting_width_m for name in ("small", "medium", "large")]
    assert len(profile_names()) >= 3 and widths == sorted(widths) and len(set(widths)) == 3


@pytest.mark.parametrize("name", profile_names())
def test_every_value_of_a_profile_has_a_comment(name):
    lines = [line for line in profile_text(name).splitlines() if "=" in line and not line.startswith("#")]
    assert all("#" in line for line in lines if "supplies_offered" not in line)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("speed_mps = 0.35", "speed_kmh = 1.2", ["speed_mps is missing", "unknown key speed_kmh"]),
        ("speed_mps = 0.35", 'speed_mps = "fast"', ["speed_mps", "'fast'"]),
        ("speed_mps = 0.35", "speed_mps = -1", ["speed_mps", "-1"]),
        ("speed_mps = 0.35", "speed_mps = nan", ["speed_mps"]),
        ("passage_mow_min_m = 1.6", "passage_mow_min_m = 0.5", ["passage_transit_min_m", "passage_mow_min_m"]),
        ("edge_slope_limit_percent = 20", "edge_slope_limit_percent = 60", ["edge_slope_limit_percent", "35"]),
        ("water = 0.6", "water = -0.6", ["setback_m.water", "-0.6"]),
        ("speed_mps = 0.35", "speed_mps 0.35", ["TOML"]),
        ('"own_dock"]', '"teleport"]', ["supplies_offered"]),
    ],
)
def test_wrong_profile_names_file_and_key(old, new, words):
    with pytest.raises(ParameterError, match=r"mine\.toml") as caught:
        mower_profile(broken(old, new), source="mine.toml")
    message = str(caught.value)
    assert all(word in message for word in words), message


def test_unknown_name_lists_the_known_ones():
    with pytest.raises(ParameterError, match=r"large, medium, small"):
        profile_from("huge")


def test_profile_file_is_read(tmp_path):
    file = tmp_path / "mine.toml"
    file.write_text(broken("speed_mps = 0.35", "speed_mps = 0.5"), encoding="utf-8")
    assert profile_from(str(file)).speed_mps == 0.5


def test_missing_profile_file(tmp_path):
    with pytest.raises(ParameterError, match=r"none\.toml"):
        profile_from(str(tmp_path / "none.toml"))


def test_units_are_in_the_names():
    unitless = {
        "title",
        "coverage_share",
        "mowings_week",
        "supplies_offered",
        "setback_m",
        "dock_weight",
        "supply_cost",
    }
    endings = ("_m", "_m2", "_mm2", "_percent", "_deg", "_ut", "_a", "_v", "_mps", "_minutes")
    for key in tomllib.loads(profile_text("medium")):
        assert key in unitless or key.endswith(endings), key
    assert {"name", *tomllib.loads(profile_text("medium"))} == set(MowerProfile.model_fields)


def test_a_profile_that_comes_along_is_read_once_and_cannot_be_changed():
    profile = built_in_profile("small")
    assert built_in_profile("small") is profile
    with pytest.raises(ValidationError, match="Instance is frozen"):
        profile.speed_mps = 9.0
    with pytest.raises(ValidationError, match="Instance is frozen"):
        profile.setback_m.water = 9.0


def test_a_profile_file_that_has_changed_is_read_anew(tmp_path):
    file = tmp_path / "mine.toml"
    for speed in ("0.5", "0.6"):
        file.write_text(broken("speed_mps = 0.35", f"speed_mps = {speed}"), encoding="utf-8")
        assert profile_from(str(file)).speed_mps == float(speed)
    file.write_text("title = 3", encoding="utf-8")
    for _ in range(2):
        with pytest.raises(ParameterError, match=r"mine\.toml"):
            profile_from(str(file))


def test_the_same_wrong_text_is_refused_by_the_name_of_each_file():
    for name in ("one.toml", "two.toml"):
        with pytest.raises(ParameterError, match=name):
            mower_profile("speed_mps = 1", source=name)
