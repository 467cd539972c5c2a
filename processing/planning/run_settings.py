"""What a run is asked to do, from what somebody named and what the site says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from lawngis.errors import ParameterError
from lawngis.mower import DEFAULT_PROFILE, profile_from
from lawngis.mowing.mower_prices import mower_book_from

from ..derived.mower_demands import PricedMower
from ..fleet.mower_choice import mower_offers
from ..measured.overrides import site_overrides
from ..reading.site_source import SiteSource
from ..steps.workflow import Settings, check_parameters, installed_steps, with_shared
from .ranking import week_parameters

AUTO = "auto"
"""In place of a profile: each parcel gets the least costly mower."""


def run_settings(
    source: SiteSource,
    profile: str | None,
    parameters: Mapping[str, Mapping[str, Any]],
    *,
    draws: int = 0,
    draw_seed: int = 1,
) -> Settings:
    """Return mower, parameters and what was measured on site.

    Parameters
    ----------
    source
        The site.
    profile
        Name or file of the mower's profile, or :data:`AUTO`; None for the site's.
    parameters
        Of steps, by their id.
    draws, draw_seed
        On how many versions of its data each parcel is planned as well, and by which seed they are drawn.

    Raises
    ------
    ParameterError
        When the profile, a step or a parameter is unknown, a value is out of range, or mowers to choose from have no
        price.
    """
    named = profile or source.files.settings.profile or DEFAULT_PROFILE
    shared = with_shared(parameters, installed_steps(), source.files.settings.shared_parameters)
    mower = profile_from(DEFAULT_PROFILE if named == AUTO else named)
    settings = Settings(mower, shared, site_overrides(source), draws, draw_seed)
    check_parameters(settings.parameters, installed_steps())
    return _with_choice(settings) if named == AUTO else settings


def _with_choice(settings: Settings) -> Settings:
    """Return the settings with a choice of the mowers that the weekly plan compares and the price book prices."""
    names = week_parameters(settings).compare
    file = settings.parameters.get("materials", {}).get("price_book")
    offers = mower_offers(names, mower_book_from(file))
    choice = [
        PricedMower(profile_from(name), offer)
        for name, offer in zip(names, offers, strict=True)
        if offer.price is not None
    ]
    if not choice:
        raise ParameterError(
            f"the price book has no price for any of {', '.join(offer.name for offer in offers)}",
            where=str(file or ""),
            advice="Give it a table mowers.NAME for each, or name others with --set schedule.compare=NAME,FILE.",
        )
    choice.sort(key=lambda one: one.offer.price_year or 0.0)
    return replace(settings, mower=choice[0].profile, choice=tuple(choice))
