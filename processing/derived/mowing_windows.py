"""When a mower may work and how often the grass asks for it: shared by the weekly plan and the choice of mowers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, field_validator

from lawngis.errors import ParameterError
from lawngis.mowing.growth import (
    PEAK_GROWTH_MM_WEEK,
    WARM_GRASS_LATITUDE,
    assumed_temperatures_c,
    growth_potential_cool,
    growth_potential_warm,
    mowings_week_by_month,
    temperatures_from,
)
from lawngis.mowing.hours import common_windows, quiet_hours_from, windows_from_text, windows_longer, windows_without
from lawngis.mowing.week import Windows

from ..model.catalogue import Said
from ..model.step import TOML, Parameters, read_by


@dataclass(frozen=True)
class WeekHours:
    """Hours of the week.

    Parameters
    ----------
    wanted, permitted
        Hours in which a mower disturbs least, and those that rules and sprinklers leave.
    title, source
        Whose rules they are.
    assumed
        Nobody gave rules: they are an example's.
    """

    wanted: Windows
    permitted: Windows
    title: str
    source: str
    assumed: bool


@dataclass(frozen=True)
class Growth:
    """Mowings a week that the grass asks for, month by month, and what that rests on.

    Parameters
    ----------
    mowings
        A week, by month, shape (12,) [1/week].
    potential
        Growth as a share of its best, shape (12,).
    grass
        `cool` or `warm`.
    basis
        Where the temperatures are from, as part of a sentence.
    """

    mowings: NDArray[np.float64]
    potential: NDArray[np.float64]
    grass: str
    basis: Said

    @property
    def most(self) -> float:
        """Mowings a week when it grows most."""
        return float(self.mowings.max())

    @property
    def strongest(self) -> int:
        """Month in which it grows most, 0 for January."""
        return int(self.mowings.argmax())


class GrowthParameters(Parameters):
    """How the grass grows and how high it is cut: how often it must be mown."""

    cut_height_mm: float = Field(default=40.0, ge=10, le=150, description="height of the cut [mm]")
    growth_mm_week: float = Field(
        default=PEAK_GROWTH_MM_WEEK, ge=1, le=150, description="growth in the best of weathers [mm a week]"
    )
    temperatures_c: str | None = Field(
        default=None,
        description="monthly mean temperatures, January first: 12 numbers, or a CSV file with month and temperature_c; "
        "assumed from the latitude when absent [°C]",
        json_schema_extra={"contentMediaType": "text/csv"},
    )
    grass: Literal["auto", "cool", "warm"] = Field(
        default="auto", description="cool- or warm-season grass; auto: by latitude"
    )

    @field_validator("temperatures_c")
    @classmethod
    def _readable_temperatures(cls, value: str | None) -> str | None:
        try:
            if value is not None:
                temperatures_from(value)
        except ParameterError as error:
            raise ValueError(str(error)) from error
        return value

    def growth(self, latitude_deg: float) -> Growth:
        """Return the mowings a week that the grass asks for at a latitude, month by month."""
        return grass_growth(
            latitude_deg,
            temperatures_c=self.temperatures_c,
            grass=self.grass,
            cut_height_mm=self.cut_height_mm,
            growth_mm_week=self.growth_mm_week,
        )


class WeekParameters(GrowthParameters):
    """When mowers may work, and how many there may be."""

    start_h: float = Field(default=9.0, ge=0, le=24, description="begin of the hours wanted, decimal hour")
    end_h: float = Field(default=19.0, ge=0, le=24, description="end of the hours wanted, decimal hour")
    weekdays: tuple[int, ...] = Field(
        default=(0, 1, 2, 3, 4, 5), description="days wanted, 0 Monday to 6 Sunday; local quiet hours decide"
    )
    quiet_hours: str | None = Field(
        default=None,
        description="TOML file with the hours that local rules permit; an example of working days 7 to 20 when absent",
        json_schema_extra={"contentMediaType": TOML},
    )
    sprinklers: str = Field(
        default="",
        max_length=400,
        description='when sprinklers run, such as "Monday-Friday 05:00-06:00; Saturday 20:00-21:00"',
    )
    sprinkler_dry_h: float = Field(default=1.0, ge=0, le=24, description="until the lawn has dried after that [h]")
    own_mowers: bool = Field(
        default=False,
        description="a zone with a dock of its own has a mower of its own; otherwise one is carried there",
    )

    @field_validator("weekdays", mode="before")
    @classmethod
    def _days_from_text(cls, value: Any) -> Any:
        return words_of(value)

    @field_validator("weekdays")
    @classmethod
    def _known_days(cls, value: tuple[int, ...]) -> tuple[int, ...]:
        if any(not 0 <= day <= 6 for day in value):
            raise ValueError("days go from 0 (Monday) to 6 (Sunday)")
        return tuple(sorted(set(value)))

    @field_validator("sprinklers")
    @classmethod
    def _known_hours(cls, value: str) -> str:
        return read_by(windows_from_text, value)

    @field_validator("quiet_hours")
    @classmethod
    def _readable_hours(cls, value: str | None) -> str | None:
        return value if value is None else read_by(quiet_hours_from, value)

    def hours_of_week(self) -> WeekHours:
        """Return the hours of the week in which a mower should run, and in which it may."""
        return week_hours(
            self.start_h,
            self.end_h,
            weekdays=self.weekdays,
            quiet_hours=self.quiet_hours,
            sprinklers=self.sprinklers,
            sprinkler_dry_h=self.sprinkler_dry_h,
        )


def words_of(value: Any) -> Any:
    """Return what stands between the commas of a text; anything else as it is."""
    return tuple(word.strip() for word in value.split(",") if word.strip()) if isinstance(value, str) else value


WEEK_PARAMETERS = tuple(WeekParameters.model_fields)
"""Parameters that mean the same in every step that has them."""


def week_hours(
    start_h: float,
    end_h: float,
    *,
    weekdays: Sequence[int],
    quiet_hours: str | None = None,
    sprinklers: str = "",
    sprinkler_dry_h: float = 0.0,
) -> WeekHours:
    """Return the hours of the week in which a mower should run, and in which it may.

    Parameters
    ----------
    start_h, end_h
        The hours wanted [decimal hours of the day].
    weekdays
        The days wanted, 0 for Monday.
    quiet_hours
        TOML file with the hours that local rules permit; an example when absent, which forbids nothing that is wanted.
    sprinklers
        When sprinklers run, as :func:`lawngis.mowing.hours.windows_from_text` reads it.
    sprinkler_dry_h
        Until the lawn has dried after that [h].

    Raises
    ------
    ParameterError
        When the file or the text can't be understood.
    """
    wanted: dict[int, list[tuple[float, float]]] = {}
    if end_h > start_h:
        wanted = {day: [(start_h, end_h)] for day in weekdays}
    quiet = quiet_hours_from(quiet_hours)
    permitted = {day: list(spans) for day, spans in quiet.permitted.items()}
    if quiet_hours is None:  # an example forbids nothing that somebody asked for
        for day, spans in wanted.items():
            permitted.setdefault(day, []).extend(spans)
    for sprinkling in (windows_from_text(sprinklers), quiet.sprinklers):
        wet = windows_longer(sprinkling, sprinkler_dry_h)
        permitted = {day: list(spans) for day, spans in windows_without(permitted, wet).items()}
    return WeekHours(common_windows(wanted, permitted), permitted, quiet.title, quiet.source, quiet_hours is None)


def grass_growth(
    latitude_deg: float,
    *,
    temperatures_c: str | None = None,
    grass: str = "auto",
    cut_height_mm: float,
    growth_mm_week: float,
) -> Growth:
    """Return how often the grass of a place has to be mown.

    Parameters
    ----------
    latitude_deg
        Of the place, north positive [degrees].
    temperatures_c
        Monthly means as :func:`lawngis.mowing.growth.temperatures_from` reads them; by latitude when absent.
    grass
        `cool`, `warm`, or `auto`: by latitude.
    cut_height_mm, growth_mm_week
        Height of the cut, and growth in the best of weathers [mm, mm a week].

    Raises
    ------
    ParameterError
        When the temperatures can't be understood.
    """
    if temperatures_c is None:
        temperatures = assumed_temperatures_c(latitude_deg)
        side = "north" if latitude_deg >= 0 else "south"
        basis: Said = ("growth-basis", {"case": "assumed", "latitude_deg": abs(latitude_deg), "side": side})
    else:
        temperatures, basis = temperatures_from(temperatures_c), ("growth-basis", {"case": "given"})
    if grass == "auto":
        grass = "warm" if abs(latitude_deg) < WARM_GRASS_LATITUDE else "cool"
    potential = (growth_potential_warm if grass == "warm" else growth_potential_cool)(temperatures)
    mowings = mowings_week_by_month(potential, cut_height_mm=cut_height_mm, peak_growth_mm_week=growth_mm_week)
    return Growth(mowings, potential, grass, basis)
