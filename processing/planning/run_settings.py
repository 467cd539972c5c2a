"""What a run is asked to do, from what somebody named and what the site says."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lawngis.mower import DEFAULT_PROFILE, MowerProfile, profile_from

from ..measured.overrides import site_overrides
from ..reading.site_files import SiteFiles
from ..reading.site_source import SiteSource
from ..steps.workflow import Settings, check_parameters, installed_steps, with_shared


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
        Name or file of the mower's profile; None for the site's.
    parameters
        Of steps, by their id.
    draws, draw_seed
        On how many versions of its data each parcel is planned as well, and by which seed they are drawn.

    Raises
    ------
    ParameterError
        When the profile, a step or a parameter is unknown, or a value is out of range.
    """
    shared = with_shared(parameters, installed_steps(), source.files.settings.shared_parameters)
    settings = Settings(mower_of(profile, source.files), shared, site_overrides(source), draws, draw_seed)
    check_parameters(settings.parameters, installed_steps())
    return settings


def mower_of(profile: str | None, files: SiteFiles) -> MowerProfile:
    """Return the mower that somebody named, else that of the site's settings, else the default one."""
    return profile_from(profile or files.settings.profile or DEFAULT_PROFILE)
