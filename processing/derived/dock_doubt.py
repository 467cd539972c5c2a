"""Which of what must hold of a dock's place may not: each must-have with its value, how sure that is, and its limit."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from lawngis.dock.placing import MustHave
from lawngis.error_model import distance_sd_m
from lawngis.ground.raster import values_at
from lawngis.mower import MowerProfile
from lawngis.trust import flip_probability

from ..model.facts import answers
from ..model.plan import Row, VisitCheck
from ..model.site import DataAccuracy, Site, vector_error
from .dock_places import DockParameters, DockPlaces, must_haves, slope_of_pads
from .doubt import worth_a_look

DANGER = "danger"
"""The must-have of which somebody's safety hangs."""

WEIGHT = 0.4
"""How much it matters that a dock is moved, beside whether a zone is mown; a danger counts whole."""

NOT_ASKED = {
    "pad_slope": "the slope under every dock is measured anyway",
    "supply": "the way of its cable is asked about where it is known",
    "hollow": "elevations are hardly better than the depth that counts; it is seen where the slope is read",
    "room": "dock and wire are laid from the edges as they are found, so that what room there is goes with them",
    "behind": "whoever sets the dock measures it from the corner behind; what is missing there is missing ahead",
    "corner": "whoever sets the dock measures it from that corner",
}
"""Must-haves without a check of their own, and why."""


def pad_check(site: Site, dock: Row, mower: MowerProfile) -> VisitCheck:
    """Return the check that every dock has until the ground under itself was measured.

    Parameters
    ----------
    site
        The parcel.
    dock
        The row of `dock_candidates` that is chosen.
    mower
        Whose limit decides.
    """
    value, limit = dock["slope_percent"], mower.dock_slope_max_percent
    xy = [[dock["geometry"].x, dock["geometry"].y]]
    sd = float(values_at(slope_of_pads(site, mower).sd_percent, site.frame, xy)[0])
    known = value is not None and bool(np.isfinite(sd))
    return VisitCheck(
        "dock-slope",
        {"candidate_id": dock["candidate_id"]},
        dock["geometry"],
        value if known else None,
        sd if known else None,
        "%",
        limit,
        float(flip_probability(value, sd, limit)) if known else 0.5,
        1.0,
        "dock_candidates",
        dock["candidate_id"],
        "slope_percent",
    )


def must_have_checks(
    accuracy: DataAccuracy, dock: Row, places: DockPlaces, index: int, mower: MowerProfile, parameters: DockParameters
) -> list[VisitCheck]:
    """Return a check for each must-have of a chosen place that may be other than the maps say.

    Parameters
    ----------
    accuracy
        How far the data is off.
    dock
        The row of `dock_candidates` that is chosen.
    places, index
        All places of its loop, and which of them it is.
    mower, parameters
        Whose limits decide.
    """
    words = {"candidate_id": dock["candidate_id"], "answers": answers("dock_candidates", "chosen")}
    checks = []
    for must, value, sd in _doubts(accuracy, places, index, mower, parameters):
        chance = float(flip_probability(value, sd, must.limit))
        if not worth_a_look(chance, parameters, safety=must.key == DANGER):
            continue
        checks.append(
            VisitCheck(
                "dock-danger" if must.key == DANGER else "dock-must-have",
                words if must.key == DANGER else {"case": must.key, **words},
                place=dock["geometry"],
                value=value,
                sd=sd,
                unit=must.unit,
                limit_value=must.limit,
                flip_probability=chance,
                weight=1.0 if must.key == DANGER else WEIGHT,
                target_layer="dock_candidates",
                target_id=dock["candidate_id"],
                target_column="chosen",
            )
        )
    return checks


def _doubts(
    accuracy: DataAccuracy, places: DockPlaces, index: int, mower: MowerProfile, parameters: DockParameters
) -> Iterator[tuple[MustHave, float, float]]:
    """Yield each must-have that is asked about with the value at a place and its standard deviation."""
    sds = {"approach": float(places.approach_sd_percent[index]), **distance_sds_m(accuracy)}
    for must in must_haves(places, mower, parameters):
        if must.key not in NOT_ASKED:
            value = float(must.values[index])
            if must.key == "ahead":  # a dock is moved along its wire
                value += max(0.0, float(places.places.straight_behind_m[index]) - mower.dock_straight_behind_m)
            if np.isfinite(value):
                yield must, value, sds[must.key]


def distance_sds_m(accuracy: DataAccuracy) -> dict[str, float]:
    """Return the standard deviation of each distance that must hold, by its must-have [m].

    The wire keeps its distance from the edge, and is off as that is. Straights lie on one edge, whose shift takes the
    dock along.
    """
    edge = vector_error(accuracy)
    along = distance_sd_m(edge, edge, same_feature=True)
    across = distance_sd_m(edge, edge)
    return {
        "ahead": along,
        "sprinkler": distance_sd_m(edge, vector_error(accuracy, "sprinklers")),
        "passage": across,
        "vehicle": distance_sd_m(edge, vector_error(accuracy, "hard_surfaces")),
        DANGER: max(distance_sd_m(edge, vector_error(accuracy, layer)) for layer in ("water", "barriers")),
        "island": across,
    }
