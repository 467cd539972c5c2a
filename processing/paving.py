"""Paving by what goes over it: where cars drive, and what lies level with the lawn."""

from __future__ import annotations

import geopandas

from .sites import Site

DRIVEN_ON = ("drive", "road")
"""Paving on which cars go: never crossed by a mower, and by a wire in a duct only."""


def level_paving(site: Site) -> geopandas.GeoDataFrame | None:
    """Return the paving at lawn level on which no cars go, a row for each polygon; None when the site has no paving."""
    if "hard_surfaces" not in site.layers:
        return None
    surfaces = site.layers["hard_surfaces"]
    return surfaces[(surfaces["level"] == "flush") & ~surfaces["use"].isin(DRIVEN_ON)].explode(ignore_index=True)
