"""Mower profiles: what a mower can do and how its wire is laid, as a typed and checked model.

A profile is a TOML file. Every number carries its unit in its name; unknown keys, values out of range and
combinations that cannot be are refused with the file and the key. The profiles that come with lawngis are
invented: they describe no product.
"""

from __future__ import annotations

import tomllib
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from lawngis.errors import ParameterError
from lawngis.toml_table import toml_table

EdgeClass = Literal["flush", "raised", "drop", "water", "soft", "steep", "boundary", "unknown"]
Supply = Literal["own_dock", "own_source", "main_wire"]

DEFAULT_PROFILE = "medium"


class _Checked(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=False, allow_inf_nan=False)


def _number(description: str, low: float, high: float) -> Any:
    return Field(ge=low, le=high, strict=True, description=description)


class Setbacks(_Checked):
    """Distance from wire to edge by what lies beyond the edge [m]."""

    flush: float = _number("beside paving at lawn level", 0.0, 2.0)
    raised: float = _number("beside a wall, a kerb or a house", 0.0, 2.0)
    drop: float = _number("along a knee-high drop; a deeper fall and doubt of its place add to it", 0.0, 2.0)
    water: float = _number("along open water", 0.0, 3.0)
    soft: float = _number("beside beds and hedges", 0.0, 2.0)
    steep: float = _number("below or above ground that is too steep", 0.0, 3.0)
    boundary: float = _number("along the property line where nothing stands", 0.0, 2.0)
    unknown: float = _number("where the maps don't say what lies beyond", 0.0, 2.0)


class DockWeights(_Checked):
    """Weights of the criteria that rank the places for the dock; they need not add up to 1."""

    shade: float = _number("shade in the hot hours of the mowing season", 0.0, 100.0)
    hidden: float = _number("not seen from the street", 0.0, 100.0)
    supply: float = _number("short supply cable", 0.0, 100.0)
    flat: float = _number("level ground", 0.0, 100.0)
    straight: float = _number("long straight wire ahead", 0.0, 100.0)
    central: float = _number("near the middle of the home zone", 0.0, 100.0)
    neighbours: float = _number("far from neighbours' houses", 0.0, 100.0)
    beds: float = _number("far from beds", 0.0, 100.0)


class SupplyCosts(_Checked):
    """What a metre of supply cable costs to lay, relative to a metre along a wall or edge."""

    beside_edge: float = _number("along a wall, fence, bed or edge of paving", 0.01, 1000)
    bed: float = _number("through a bed", 0.01, 1000)
    wall_over_paving: float = _number("fixed to a wall above paving", 0.01, 1000)
    open_lawn: float = _number("buried across open lawn", 0.01, 1000)
    paving: float = _number("across a path, terrace, drive or steps", 0.01, 1000)


class MowerProfile(_Checked):
    """A mower and the way its wire is laid."""

    name: Annotated[str, Field(max_length=80, description="by which price books know it; default: the file's")] = ""
    title: Annotated[str, Field(min_length=1, max_length=80, description="name in words")]

    # slopes and passages
    slope_limit_percent: float = _number("steepest ground that is mown", 1, 100)
    edge_slope_limit_percent: float = _number("steepest ground in the band along the wire", 1, 100)
    edge_band_m: float = _number("width of the band along the wire with the stricter limit", 0, 5)
    steep_area_min_m2: float = _number("smallest steep area that is kept out", 0, 100)
    passage_mow_min_m: float = _number("narrowest passage that is mown, edge to edge", 0.2, 10)
    passage_transit_min_m: float = _number("narrowest passage that is driven through, edge to edge", 0.2, 10)
    passage_wire_gap_m: float = _number("between the two wires in a transit passage", 0.05, 2)
    crossing_length_max_m: float = _number("longest way across flush paving between two zones", 0, 20)
    zone_area_min_m2: float = _number("smallest zone worth a wire; less is mown by hand", 0, 1000)

    # obstacles
    rigid_trunk_min_m: float = _number("a trunk at least this thick may be bumped", 0.01, 2)
    bump_height_min_m: float = _number("lowest thing that the bumper feels; a lower one gets an island", 0.02, 1)
    sapling_island_radius_m: float = _number("radius kept free around a thin trunk", 0.05, 3)

    # wire
    setback_m: Setbacks
    wire_gap_min_m: float = _number("between stretches that are no neighbours along the loop", 0.05, 2)
    wire_tolerance_m: float = _number("how far the laid wire may leave the computed curve", 0.0005, 0.015)
    corner_cut_m: float = _number("how far before a square corner the 45 degree cut begins", 0.03, 1)
    wire_reel_m: float = _number("length of wire on one reel", 5, 5000)
    wire_slack_percent: float = _number("length in hand for joints and settling", 0, 30)
    wire_section_mm2: float = _number("copper cross-section of the wire", 0.2, 10)
    loop_length_max_m: float = _number("longest loop that the signal source can drive", 20, 5000)
    peg_spacing_straight_m: float = _number("between pegs on straight wire", 0.1, 5)
    peg_spacing_bend_m: float = _number("between pegs along bends", 0.05, 2)
    peg_spacing_first_m: float = _number("between pegs while the wire can still be moved, before the trial", 0.1, 20)

    # signal
    signal_reach_max_m: float = _number("farthest from the wire at which the mower still hears it", 1, 100)
    loop_current_a: float = _number("signal current in the loop, peak", 0.001, 10)
    antenna_height_m: float = _number("height of the mower's antenna above ground", 0.0, 0.5)
    signal_min_ut: float = _number("weakest vertical field at which the mower still works", 1e-6, 10)

    # dock and supply
    dock_straight_ahead_m: float = _number("straight wire ahead of the dock, along which the mower comes in", 0, 10)
    dock_straight_behind_m: float = _number("straight wire behind the dock", 0, 10)
    dock_slope_max_percent: float = _number("steepest ground under the dock", 0, 30)
    dock_corner_min_m: float = _number("from dock to the next corner of the wire", 0, 10)
    dock_sprinkler_min_m: float = _number("from dock to the next sprinkler", 0, 20)
    dock_approach_slope_max_percent: float = _number("steepest ground on the way into the dock", 0, 60)
    dock_wire_min_m: float = _number("from dock to wire around an island", 0, 10)
    dock_passage_min_m: float = _number("from dock to the next passage", 0, 20)
    dock_danger_min_m: float = _number("from dock to open water or a drop", 0, 20)
    trial_start_min_m: float = _number("before the dock, where the mower is set down for its first way home", 0.5, 20)
    dock_vehicle_min_m: float = _number("from dock to drives and roads", 0, 20)
    dock_height_m: float = _number("height of the dock, as seen from the street", 0.05, 2)
    street_eye_height_m: float = _number("height of the eyes in the street", 0.5, 3)
    dock_pad_length_m: float = _number("length of the dock's base along the wire", 0.2, 3)
    dock_pad_width_m: float = _number("width of the dock's base across the wire", 0.2, 3)
    supply_cable_max_m: float = _number("longest cable from power supply to dock", 0, 200)
    supply_section_mm2: float = _number("copper cross-section of the supply cable", 0.2, 10)
    supply_voltage_v: float = _number("voltage of the supply cable", 1, 60)
    supply_current_a: float = _number("current in the supply cable while charging", 0.05, 50)
    dock_weight: DockWeights
    supply_cost: SupplyCosts

    # mowing
    cutting_width_m: float = _number("width of one swath", 0.05, 3)
    wheelbase_m: float = _number("distance between front and rear wheels", 0.1, 3)
    speed_mps: float = _number("driving speed while mowing", 0.05, 3)
    run_minutes: float = _number("mowing on one charge", 5, 1000)
    charge_minutes: float = _number("charging afterwards", 1, 1000)
    coverage_share: float = _number("share of the lawn to be cut at each mowing", 0.1, 0.999)
    mowings_week: float = _number("mowings a week in the growing season", 0.2, 14)

    # what the installer offers for zones that the mower can't reach
    supplies_offered: tuple[Supply, ...] = Field(
        min_length=1, description="ways to serve a detached zone that the installer offers"
    )

    @model_validator(mode="after")
    def _possible(self) -> Self:
        _not_above(self, "passage_transit_min_m", "passage_mow_min_m")
        _not_above(self, "edge_slope_limit_percent", "slope_limit_percent")
        _not_above(self, "dock_slope_max_percent", "edge_slope_limit_percent")
        _not_above(self, "dock_slope_max_percent", "dock_approach_slope_max_percent")
        _not_above(self, "passage_wire_gap_m", "passage_transit_min_m")
        _not_above(self, "wire_gap_min_m", "passage_wire_gap_m")
        _not_above(self, "peg_spacing_bend_m", "peg_spacing_straight_m")
        _not_above(self, "peg_spacing_straight_m", "peg_spacing_first_m")
        _not_above(self, "cutting_width_m", "passage_transit_min_m")
        return self


def _not_above(profile: MowerProfile, lower: str, upper: str) -> None:
    low, high = getattr(profile, lower), getattr(profile, upper)
    if low > high:
        raise ValueError(f"{lower} = {low:g} is more than {upper} = {high:g}")


def profile_names() -> list[str]:
    """Return the names of the profiles that come with lawngis, sorted."""
    folder = resources.files("lawngis.profiles")
    return sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml"))


def mower_profile(text: str, *, source: str) -> MowerProfile:
    """Return the profile that a TOML text describes.

    Parameters
    ----------
    text
        TOML text.
    source
        Name of the file, for errors.

    Raises
    ------
    ParameterError
        When the text is no TOML, or a key is unknown, missing, out of range or at odds with another.
    """
    return _checked(text, source)


@lru_cache(maxsize=64)
def _checked(text: str, source: str) -> MowerProfile:
    """Return the profile of a text; it can't be changed, so whoever asks for the same one may have the same one."""
    try:
        return MowerProfile.model_validate({"name": Path(source).stem, **toml_table(text)})
    except tomllib.TOMLDecodeError as error:
        raise ParameterError(f"not readable as TOML ({error})", where=source) from error
    except ValidationError as error:
        raise ParameterError(
            "; ".join(_problem(item) for item in error.errors()),
            where=source,
            advice="`lawngis profiles NAME` shows a complete profile to compare with.",
        ) from error


def built_in_profile(name: str = DEFAULT_PROFILE) -> MowerProfile:
    """Return a profile that comes with lawngis.

    Raises
    ------
    ParameterError
        When there is none of that name.

    Examples
    --------
    >>> built_in_profile("medium").passage_mow_min_m
    1.6
    """
    if name not in profile_names():
        raise ParameterError(
            f"there is no profile {name!r}",
            advice=f"Known are {', '.join(profile_names())}; or give the path of a TOML file.",
        )
    return mower_profile(profile_text(name), source=f"{name}.toml")


def profile_text(name: str) -> str:
    """Return the TOML text, comments included, of a profile that comes with lawngis."""
    return resources.files("lawngis.profiles").joinpath(f"{name}.toml").read_text(encoding="utf-8")


def profile_from(name_or_file: str) -> MowerProfile:
    """Return a built-in profile by name, or one from a TOML file by path.

    Raises
    ------
    ParameterError
        When the file can't be read or holds no valid profile, or the name is unknown.
    """
    path = Path(name_or_file)
    if path.suffix.lower() != ".toml":
        return built_in_profile(name_or_file)
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ParameterError("the profile can't be read", where=str(path), advice=str(error)) from error
    return mower_profile(text, source=str(path))


def _problem(item: Any) -> str:
    key = ".".join(str(part) for part in item["loc"])
    if item["type"] == "extra_forbidden":
        return f"unknown key {key}"
    if item["type"] == "missing":
        return f"key {key} is missing"
    if item["type"] == "value_error":
        return str(item["ctx"]["error"])
    return f"{key} = {item['input']!r}: {item['msg'][:1].lower()}{item['msg'][1:]}"
