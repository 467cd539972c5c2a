"""What a step sees of a site and a plan: what it declares to read, and nothing else.

So a step that runs alone on what it declares finds all that it found in a full plan, and gives the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NoReturn

from lawngis.errors import PlanError

from .facts import FACT_KINDS
from .plan import Derived, Plan
from .site import DataAccuracy, Site
from .site_layers import RASTERS, SITE_LAYERS
from .step import Step

WHOLE_INPUTS: Mapping[str, str] = {
    "label": "site:parcels",
    "parcel": "site:parcels",
    "dem": "raster:dem",
    "dem_around": "raster:dem",
    "dsm": "raster:dsm",
    "imagery": "raster:imagery",
    "complete": "site:parcels",
}
"""Attributes of a site that are one input each, by the name under which a step declares it."""

_GIVEN = ("parcel_id", "frame")
"""Attributes that every step sees: they say which parcel it is and in which frame, not what is there."""

SITE_INPUTS = frozenset(
    [
        *WHOLE_INPUTS.values(),
        *(f"site:{name}" for name in SITE_LAYERS),
        *(f"raster:{name}" for name in RASTERS),
        *(f"accuracy:{name}" for name in DataAccuracy.model_fields),
        *(f"fact:{name}" for name in FACT_KINDS),
    ]
)
"""All that a step may declare to read of a site."""


def views(step: Step, site: Site, plan: Plan) -> tuple[SiteView, PlanView]:
    """Return a site and a plan as a step sees them."""
    reader = _Reader(step.id, site.parcel_id, frozenset(step.reads))
    return SiteView(site, reader), PlanView(plan, reader)


@dataclass(frozen=True)
class _Reader:
    """A step at work on a parcel, and what it declares to read."""

    step_id: str
    parcel_id: str
    declared: frozenset[str]

    def require(self, names: Iterable[str]) -> None:
        """Raise an error when the step doesn't declare one of some inputs."""
        for name in names:
            if name not in self.declared:
                raise PlanError(
                    f"step {self.step_id} reads {name}, which it doesn't declare",
                    where=self.parcel_id,
                    advice="Name it in what the step's declaration reads.",
                )


class SiteView(Site):
    """A site as one step sees it: it has what the step declares; the rest raises an error where it is read."""

    def __init__(self, site: Site, reader: _Reader) -> None:
        seen = [*_GIVEN, *(name for name, read_as in WHOLE_INPUTS.items() if read_as in reader.declared)]
        given = {name: getattr(site, name) for name in seen}
        given["layers"] = _Layers(site.layers, "site:", reader)
        given["accuracy"] = _Attributes(site.accuracy, "accuracy:", reader)
        given["facts"] = _Attributes(site.facts, "fact:", reader)
        for name, value in {**given, "_reader": reader}.items():
            object.__setattr__(self, name, value)

    def __getattr__(self, name: str) -> NoReturn:
        if name in Site.__dataclass_fields__:
            self._reader.require([WHOLE_INPUTS.get(name, f"site.{name}")])
        raise AttributeError(f"a site has no {name}")

    def __repr__(self) -> str:
        return f"<site of {self.parcel_id} as one step sees it>"


class _Attributes:
    """Those attributes of an object that a step declares."""

    def __init__(self, whole: object, word: str, reader: _Reader) -> None:
        declared = {name: value for name, value in vars(whole).items() if word + name in reader.declared}
        self.__dict__.update(declared, _word=word, _reader=reader)

    def __getattr__(self, name: str) -> NoReturn:
        self._reader.require([self._word + name])
        raise AttributeError(f"there is no {self._word}{name}")


class _Layers(dict[str, Any]):
    """Those layers that a step declares; to ask for another is an error, even where there is none."""

    def __init__(self, layers: Mapping[str, Any], word: str, reader: _Reader) -> None:
        super().__init__({name: layer for name, layer in layers.items() if word + name in reader.declared})
        self._word, self._reader = word, reader

    def __missing__(self, name: str) -> NoReturn:
        self._reader.require([self._word + name])
        raise KeyError(name)

    def __contains__(self, name: object) -> bool:
        self._reader.require([f"{self._word}{name}"])
        return super().__contains__(name)

    def get(self, name: str, default: Any = None) -> Any:
        """Return a layer, or the default where it isn't there."""
        try:
            return self[name]
        except KeyError:
            return default

    def __setitem__(self, name: str, layer: Any) -> NoReturn:
        raise PlanError(f"step {self._reader.step_id} changes {name}", advice="A step writes by what it returns.")


class PlanView(Plan):
    """A plan as one step sees it; what the step writes it returns."""

    def __init__(self, plan: Plan, reader: _Reader) -> None:
        self.parcel_id, self.crs, self.specs, self.catalogue = plan.parcel_id, plan.crs, plan.specs, plan.catalogue
        self._rows = _Layers(plan._rows, "", reader)
        self._derived = plan._derived
        self._reader = reader

    def derived(self, what: Derived, compute: Callable[[], Any]) -> Any:
        """Return a value that several steps derive from the same inputs; the step must declare all of these."""
        self._reader.require(what.reads)
        return super().derived(what, compute)
