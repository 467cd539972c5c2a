"""What a step sees of a site and a plan: what it declares to read, and nothing else.

So a step that runs alone on what it declares finds all that it found in a full plan, and gives the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from lawngis.errors import PlanError

from .facts import FACT_KINDS
from .plan import Plan, Row
from .site import DataAccuracy, Site
from .site_layers import RASTERS, SITE_LAYERS
from .step import Step

_WHOLE: Mapping[str, str] = {
    "label": "site:parcels",
    "parcel": "site:parcels",
    "dem": "raster:dem",
    "dem_around": "raster:dem",
    "dsm": "raster:dsm",
    "imagery": "raster:imagery",
    "complete": "site:parcels",
}
"""Attributes of a site that are one input each, by the name under which a step declares it."""

_BY_PART: Mapping[str, str] = {"layers": "site", "accuracy": "accuracy", "facts": "fact"}
"""Attributes of a site whose parts are inputs, by the word before their names."""

_GIVEN = ("parcel_id", "frame")
"""Attributes that every step sees: they say which parcel it is and in which frame, not what is there."""

SITE_INPUTS = frozenset(
    [
        *_WHOLE.values(),
        *(f"site:{name}" for name in SITE_LAYERS),
        *(f"raster:{name}" for name in RASTERS),
        *(f"accuracy:{name}" for name in DataAccuracy.model_fields),
        *(f"fact:{name}" for name in FACT_KINDS),
    ]
)
"""All that a step may declare to read of a site."""


class Reads:
    """What one step may read, and what it has read so far.

    Parameters
    ----------
    step
        The step.
    parcel_id
        Parcel on which it runs.
    """

    def __init__(self, step: Step, parcel_id: str) -> None:
        self.step_id = step.id
        self.parcel_id = parcel_id
        self.declared = frozenset(step.reads)
        self.made: set[str] = set()

    def note(self, names: Iterable[str]) -> None:
        """Note that inputs are read.

        Raises
        ------
        PlanError
            When the step doesn't declare one of them.
        """
        for name in names:
            if name not in self.declared:
                raise PlanError(
                    f"step {self.step_id} reads {name}, which it doesn't declare",
                    where=self.parcel_id,
                    advice="Name it in what the step's declaration reads.",
                )
            self.made.add(name)

    @contextmanager
    def apart(self) -> Iterator[set[str]]:
        """Collect what is read meanwhile in a set of its own as well."""
        before, self.made = self.made, set()
        try:
            yield self.made
        finally:
            before |= self.made
            self.made = before


class SiteView(Site):
    """A site as one step sees it."""

    def __init__(self, site: Site, reads: Reads) -> None:
        object.__setattr__(self, "_site", site)
        object.__setattr__(self, "_reads", reads)

    def __getattribute__(self, name: str) -> Any:
        """Return an attribute of the site, after noting that it is read."""
        own = super().__getattribute__
        if name not in Site.__dataclass_fields__:
            return own(name)
        value = getattr(own("_site"), name)
        if name in _BY_PART:
            return _Parts(value, _BY_PART[name], own("_reads"))
        if name not in _GIVEN:
            own("_reads").note([_WHOLE.get(name, f"site.{name}")])
        return value

    def __repr__(self) -> str:
        return f"<site of {self.parcel_id} as one step sees it>"


class _Parts(Mapping[str, Any]):
    """Part of a site, each piece of which is an input: layers by name, or attributes."""

    def __init__(self, whole: Any, word: str, reads: Reads) -> None:
        self._whole, self._word, self._reads = whole, word, reads

    def __getitem__(self, name: str) -> Any:
        self._reads.note([f"{self._word}:{name}"])
        return self._whole[name]

    def __contains__(self, name: object) -> bool:
        self._reads.note([f"{self._word}:{name}"])
        return name in self._whole

    def __iter__(self) -> Iterator[str]:
        return (name for name in self._whole if f"{self._word}:{name}" in self._reads.declared)

    def __len__(self) -> int:
        return sum(1 for _ in self)

    def __getattr__(self, name: str) -> Any:
        self._reads.note([f"{self._word}:{name}"])
        return getattr(self._whole, name)


class PlanView(Plan):
    """A plan as one step sees it; what the step writes it returns."""

    def __init__(self, plan: Plan, reads: Reads) -> None:
        self.parcel_id, self.crs, self.specs, self.catalogue = plan.parcel_id, plan.crs, plan.specs, plan.catalogue
        self._plan = plan
        self.reads = reads

    def __contains__(self, layer: str) -> bool:
        self.reads.note([layer])
        return layer in self._plan

    @property
    def layers(self) -> list[str]:
        """Names of the layers that the step declares to read and that are written."""
        return [name for name in self._plan.layers if name in self.reads.declared]

    def rows(self, layer: str) -> list[Row]:
        """Return the rows of a layer that the step declares to read."""
        self.reads.note([layer])
        return self._plan.rows(layer)

    def derived(self, name: str, compute: Callable[[], Any]) -> Any:
        """Return a value that several steps derive from the same layers; each must declare what it is derived from."""
        with self.reads.apart() as read:
            value = self._plan.derived(name, compute)
        # Who computes it reads; who finds it computed has read as much.
        self.reads.note(self._plan.derived_from.setdefault(name, frozenset(read)))
        return value


def views(step: Step, site: Site, plan: Plan) -> tuple[SiteView, PlanView]:
    """Return a site and a plan as a step sees them."""
    reads = Reads(step, site.parcel_id)
    return SiteView(site, reads), PlanView(plan, reads)
