"""Which feature a measured fact is about, and what is said of it: used, contradicting the map, or without a target."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from difflib import get_close_matches
from typing import Any, TypeVar

import numpy as np
import shapely
from shapely import Point
from shapely.geometry.base import BaseGeometry

from ..model.catalogue import Said, Values
from ..model.facts import Fact
from ..model.plan import Finding

NEAR_M = 5.0
"""A fact without a name is about the nearest feature within this distance."""

ON_IT_M = 0.1
"""A place this near a feature lies on it: then no other is meant, whatever the name."""

SURE_SDS = 3.0
"""A measured value this many standard deviations from the derived one says that the map is wrong."""

Feature = tuple[str, BaseGeometry]
"""Name of a feature, empty where no plan shows it, and its shape."""

Value = TypeVar("Value")


def matched(
    facts: Iterable[Fact[Value]], features: Sequence[Feature], findings: list[Finding]
) -> Iterator[tuple[Fact[Value], int]]:
    """Yield each fact with the index of the feature that it is about; what finds none is added to the findings.

    Names may have shifted since somebody noted one; a place doesn't. Where another feature than that of the name lies
    at the place, that one is meant.
    """
    for fact in facts:
        index = next((number for number, (name, _) in enumerate(features) if name and name == fact.name), None)
        if fact.place is not None and features:
            away_m = shapely.distance([shape for _, shape in features], fact.place)
            nearest = int(np.argmin(away_m))
            named_m = np.inf if index is None else away_m[index]
            if away_m[nearest] <= NEAR_M and (named_m > NEAR_M or away_m[nearest] <= ON_IT_M < named_m):
                index = nearest
                if fact.name:
                    values = {"label": fact.label, "feature_id": features[index][0]}
                    findings.append(Finding("caution", "override-renamed", values, _middle(fact.place)))
        if index is not None:
            yield fact, index
        else:
            findings.append(no_target(fact, _nearest(fact, features)))


def _nearest(fact: Fact[Any], features: Sequence[Feature]) -> list[Said]:
    if fact.place is None:
        alike = get_close_matches(fact.name, [name for name, _ in features if name], n=3, cutoff=0.0)
        return [("nearest", {"case": "alike", "feature_id": name}) for name in alike]
    away = sorted((float(shape.distance(fact.place)), name) for name, shape in features)
    return [("nearest", {"case": "feature", "feature_id": name, "away_m": away_m}) for away_m, name in away[:3]]


def applied(fact: Fact[Any], case: str, values: Values, place: BaseGeometry | None = None) -> Finding:
    """Return the finding that a fact was used; case and values say for what and how."""
    used = {"case": case, "layer": fact.layer, "note": fact.note, **values}
    return Finding("info", "override-applied", used, _middle(fact.place if place is None else place))


def follows(case: str, values: Values, place: BaseGeometry | None) -> Finding:
    """Return the finding that something else, told by case and values, follows from what was measured."""
    return Finding("info", "override-decides", {"case": case, **values}, _middle(place))


def contradicts(case: str, values: Values, place: BaseGeometry | None) -> Finding:
    """Return the finding that what was measured and the map, told by case and values, can't both be right."""
    return Finding("caution", "override-contradicts", {"case": case, **values}, _middle(place))


def no_target(fact: Fact[Any], nearest: Sequence[Said]) -> Finding:
    """Return the finding that a fact is about nothing that is there; beside the parcel it may be the neighbour's."""
    if not fact.ours:
        return Finding("info", "override-beside", {"label": fact.label}, _middle(fact.place))
    values = {
        "case": "near" if nearest else "none",
        "label": fact.label,
        "features": len(nearest[:3]),
        "nearest": nearest[:3],
    }
    return Finding("stop", "override-no-target", values, _middle(fact.place))


def _middle(shape: BaseGeometry | None) -> Point | None:
    return None if shape is None or shapely.is_empty(shape) else shape.representative_point()
