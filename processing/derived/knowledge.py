"""What a plan of a parcel rests on, and what no layer tells of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ..model.plan import Row
from ..model.site import Site

LAYER_OF: Mapping[str, str] = {
    "buildings": "buildings",
    "paving": "hard_surfaces",
    "drops": "barriers",
    "water": "water",
    "beds": "beds",
    "trees": "trees",
    "outlets": "outlets",
    "streets": "streets",
}
"""What may be unknown of a parcel and the layer that would tell it, what most hangs on first."""

SLOPE = "slope"
"""What no layer but a terrain model tells."""

GROUND = frozenset({"buildings", "paving", "beds"})
"""What covers ground: where it is unknown, the lawn is."""

NEVER_DECISIVE = frozenset({"streets"})
"""What moves a dock's score, and neither the verdict, nor somebody's safety, nor the price."""

READS = (
    "lawn",
    "cover",
    "site:parcels",
    *(f"site:{layer}" for layer in LAYER_OF.values()),
    "raster:dem",
    "raster:dsm",
    "raster:imagery",
    "fact:surveys",
)
"""What a step declares that asks for it."""


@dataclass(frozen=True)
class Knowledge:
    """What a plan rests on.

    Parameters
    ----------
    basis
        ``surveyed``: the lawn itself was; ``layers``: buildings and paving are mapped; ``image``: the ground was looked
        at from the air; ``boundary``: neither, so that the lawn is an upper bound.
    unknown
        What no layer tells, what most hangs on first.
    unmapped
        Of it, that of which nothing is mapped; of the rest something is, and nobody says that it is all.
    """

    basis: str
    unknown: tuple[str, ...]
    unmapped: tuple[str, ...] = ()

    @property
    def doubt(self) -> int:
        """How much is unknown: 2 for each of which nothing is mapped, 1 where something is."""
        return len(self.unknown) + len(self.unmapped)

    @property
    def taken(self) -> tuple[str, ...]:
        """What takes ground from the lawn and is unmapped: crowns look like lawn in an image."""
        kinds = {"boundary": GROUND, "image": GROUND | {"trees"}}.get(self.basis, frozenset())
        return tuple(topic for topic in self.unmapped if topic in kinds)

    @property
    def decisive(self) -> tuple[str, ...]:
        """Return what of the unknown may change the verdict, somebody's safety or the price."""
        settled = NEVER_DECISIVE | (GROUND if self.basis == "surveyed" else frozenset())
        return tuple(topic for topic in self.unknown if topic not in settled)

    def values(self, topics: Sequence[str]) -> dict[str, Any]:
        """Return values of a sentence on unknown topics: what is unmapped, and what may be mapped in part alone."""
        unmapped = [topic for topic in topics if topic in self.unmapped]
        unsure = [topic for topic in topics if topic not in self.unmapped]
        case = "both" if unmapped and unsure else "unmapped" if unmapped else "unsure"
        return {"case": case, "unmapped": unmapped, "unsure": unsure}


def knowledge(site: Site, *, lawn: Sequence[Row], covered: bool) -> Knowledge:
    """Return what the plan of a parcel rests on.

    A layer is known where the site says that it is complete, or somebody said so on the spot. That it has features
    there tells that it was mapped, not that nothing is missing.

    Parameters
    ----------
    site
        The parcel.
    lawn
        Its pieces of lawn.
    covered
        An image shows what covers its ground.
    """
    of_survey = bool(lawn) and all(row["source"] == "surveyed" for row in lawn)
    mapped = {topic for topic, layer in LAYER_OF.items() if _maps(site, layer)}
    complete = {topic for topic, layer in LAYER_OF.items() if layer in site.complete}
    no_terrain = () if site.has_terrain else (SLOPE,)
    if any(fact.value for fact in site.facts.surveys):
        return Knowledge("surveyed" if of_survey else "layers", no_terrain, no_terrain)
    # One outlet is enough to know where the supply comes from.
    known = complete | _seen_from_above(site, covered=covered) | (mapped & {"outlets"})
    unknown = (*(topic for topic in LAYER_OF if topic not in known), *no_terrain)
    layers = {"buildings", "paving"} <= mapped | complete
    basis = "surveyed" if of_survey else "layers" if layers else "image" if covered else "boundary"
    return Knowledge(basis, unknown, tuple(topic for topic in unknown if topic not in mapped))


def _seen_from_above(site: Site, *, covered: bool) -> frozenset[str]:
    """Return what an image shows so surely that nobody has to ask: near infrared parts green from what isn't."""
    if not covered or site.imagery is None or site.imagery.nir is None:
        return frozenset()
    return GROUND | {"trees"} if site.dsm is not None else GROUND


def _maps(site: Site, layer: str) -> bool:
    """Return whether a layer has anything on the parcel."""
    return bool(len(site.layers.get(layer, ())) and site.layers[layer].intersects(site.parcel).any())
