"""Whether a dock may stand within reach of its cable: at a place that the maps only just rule out, or just allow."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from lawngis.arrays import FloatArray
from lawngis.dock.placing import MustHave
from lawngis.ground.mower_slope import SCATTER_M
from lawngis.mower import MowerProfile
from lawngis.trust import flip_probability

from ..model.plan import Row, VisitCheck
from ..model.site import DataAccuracy
from .dock_doubt import distance_sds_m
from .dock_places import DockParameters, DockPlaces, must_haves
from .doubt import in_doubt

ALONG = frozenset({"ahead", "behind", "corner"})
"""Must-haves that hang on one corner of the wire: they fail, and hold, together."""

APART_M = SCATTER_M
"""Places this far apart fail, and hold, each by itself: slopes under docks are told from no ground farther off [m]."""


def cable_reach_checks(
    accuracy: DataAccuracy, dock: Row, places: DockPlaces, index: int, mower: MowerProfile, parameters: DockParameters
) -> list[VisitCheck]:
    """Return the question whether a dock can stand within reach of its cable, where that may be otherwise than mapped.

    Where the chosen place is out of reach, one that is within may be allowed after all; where it is within, all that
    are may fail. It is asked at the one that is most likely allowed.

    Parameters
    ----------
    accuracy
        How far the data is off.
    dock
        The row of `dock_candidates` that is chosen.
    places, index
        All places of its loop, and which of them it is.
    mower, parameters
        Whose limits decide, and how much doubt is looked at.
    """
    limit_m = mower.supply_cable_max_m
    near = places.supply_m <= limit_m
    within = bool(dock["feasible"] and near[index])
    if not near.any() or not (within or places.supply_m[index] > limit_m):
        return []
    chances = np.where(near, _allowed_chances(accuracy, places, mower, parameters), 0.0)
    none, best = _none_chance(places.places.xy, chances), int(chances.argmax())
    x, y = places.places.xy[best]
    values = {
        "case": "surest" if within else "nearer",
        "candidate_id": dock["candidate_id"],
        "length_m": float(places.supply_m[best]),
    }
    check = VisitCheck(
        "supply-length",
        values,
        type(dock["geometry"])(x, y),
        float(places.supply_m[index]),
        None,
        "m",
        limit_m,
        target_layer="dock_candidates",
        target_id=dock["candidate_id"],
        target_column="chosen",
    )
    return in_doubt(check, parameters, chance=none if within else 1 - none)


def _none_chance(xy: FloatArray, chances: FloatArray) -> float:
    """Return the chance that none of some places is allowed: those beside a surer one fail as that does."""
    left, none = chances.copy(), 1.0
    while left.max() > 0:
        surest = int(left.argmax())
        none *= 1 - float(left[surest])
        left[np.hypot(*(xy - xy[surest]).T) < APART_M] = 0.0
    return none


def _allowed_chances(
    accuracy: DataAccuracy, places: DockPlaces, mower: MowerProfile, parameters: DockParameters
) -> FloatArray:
    """Return for each place the chance that all that must hold there does in truth, but for its cable, shape (n,)."""
    sds: Mapping[str, FloatArray | float] = {
        "pad_slope": places.slope_sd_percent,
        "approach": places.approach_sd_percent,
        **distance_sds_m(accuracy),
    }
    found, along = np.ones(len(places.places)), np.ones(len(places.places))
    for must in must_haves(places, mower, parameters):
        if must.key == "supply":
            continue
        flips = _flips(must, sds[must.key]) if must.key in sds else 0.0
        chance = np.where(must.holds(), 1 - flips, flips)
        if must.key in ALONG:
            along = np.minimum(along, chance)
        else:
            found = found * chance
    return np.asarray(found * along)


def _flips(must: MustHave, sd: FloatArray | float) -> FloatArray:
    """Return the chance that a must-have is otherwise at each place, shape (n,): none where its value is unknown."""
    return np.nan_to_num(flip_probability(must.values, sd, must.limit), nan=0.0)
