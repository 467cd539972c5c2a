"""Whether a dock may stand within reach of its cable: at a place that the maps only just rule out, or just allow."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from lawngis.arrays import FloatArray
from lawngis.dock.placing import MustHave
from lawngis.mower import MowerProfile
from lawngis.trust import flip_probability

from ..model.plan import Row, VisitCheck
from ..model.site import DataAccuracy
from .dock_doubt import distance_sds_m
from .dock_places import DockParameters, DockPlaces, must_haves
from .doubt import in_doubt

ALONG = frozenset({"ahead", "behind", "corner"})
"""Must-haves that hang on one corner of the wire: they fail, and hold, together."""


def cable_reach_checks(
    accuracy: DataAccuracy, dock: Row, places: DockPlaces, index: int, mower: MowerProfile, parameters: DockParameters
) -> list[VisitCheck]:
    """Return the question whether a dock can stand within reach of its cable, where that may be otherwise than mapped.

    It is asked at the place within reach that is most likely allowed. Where the chosen place is out of reach, that one
    may be allowed after all; where it is within, all others may fail with it: what is wrong with the surest place is
    mostly wrong with those beside it, on the same slope or along the same edge.

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
    best = int(chances.argmax())
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
    return in_doubt(check, parameters, chance=float(1 - chances[best] if within else chances[best]))


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
