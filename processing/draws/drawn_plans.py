"""The plan of a parcel on other versions of its data, with the steps that decide."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import shapely
from shapely.errors import ShapelyError
from shapely.geometry.base import BaseGeometry

from lawngis.errors import LawngisError

from ..model.plan import Plan, Row
from ..model.site import Site
from ..model.step import Step
from ..steps.workflow import Settings, Start, planned
from .versions import site_versions

TAKEN = ("cover", "trees_found")
"""Layers that are taken from the plan of the maps: what an image shows, of which no accuracy tells."""

DECIDING: Mapping[str, tuple[str, ...]] = {
    "lawn": ("geometry",),
    "keepouts": ("geometry", "reason"),
    "zones": ("geometry", "role", "supply", "area_m2"),
    "links": ("geometry", "surface", "kind"),
    "hand_mow": ("geometry",),
    "edges": ("geometry", "edge_class"),
    "wire_path": ("length_m",),
    "dock_candidates": ("geometry", "chosen", "feasible", "slope_percent"),
    "materials": ("item", "amount"),
    "schedule": (),
}
"""Layers and columns that decisions and figures are taken from; steps that none of them needs don't run again.

The weekly plan decides by what its step finds.
"""

FOUND = ("code",)

UNCHANGED = {"schedule": {"departures": 0}}
"""Parameters of steps that are other than asked for: which places stay thin decides nothing here."""


@dataclass(frozen=True, eq=False)
class Picture:
    """What a plan decides: rows by layer, with what is asked of them often."""

    layers: Mapping[str, Sequence[Row]]
    _grounds: dict[tuple[str, str | None], BaseGeometry] = field(default_factory=dict)

    @classmethod
    def of(cls, plan: Plan) -> Picture:
        """Return the picture of a plan."""
        kept = {**DECIDING, "findings": FOUND}
        return cls({name: [{one: row[one] for one in some} for row in plan.rows(name)] for name, some in kept.items()})

    def ground(self, layer: str, reason: str | None = None) -> BaseGeometry:
        """Return all ground of a layer, or that of one reason."""
        key = (layer, reason)
        if key not in self._grounds:
            rows = [row["geometry"] for row in self.layers[layer] if reason in (None, row.get("reason"))]
            self._grounds[key] = shapely.union_all(rows)
            shapely.prepare(self._grounds[key])
        return self._grounds[key]

    @cached_property
    def codes(self) -> set[str]:
        """Codes of all that was found."""
        return {row["code"] for row in self.layers["findings"]}

    @property
    def wired(self) -> bool:
        """Whether there is a wire at all."""
        return bool(self.layers["wire_path"])

    @property
    def wire_m(self) -> float:
        """Length of all wire along the ground [m]."""
        return float(sum(row["length_m"] for row in self.layers["wire_path"]))

    @property
    def amount(self) -> float:
        """Price of mower and materials."""
        return float(sum(self.amounts.values()))

    @property
    def amounts(self) -> dict[str, float]:
        """Amounts by what is paid."""
        found: dict[str, float] = {}
        for row in self.layers["materials"]:
            if row["amount"] is not None:
                found[row["item"]] = found.get(row["item"], 0.0) + float(row["amount"])
        return found

    @property
    def mown_m2(self) -> float:
        """Ground in zones that a mower serves [m²]."""
        return float(sum(row["area_m2"] for row in self.layers["zones"]))


def drawn_plans(site: Site, plan: Plan, steps: Sequence[Step], settings: Settings) -> list[Picture]:
    """Plan a parcel on versions of its data, as many as the settings say; one that can't be planned is left out.

    Parameters
    ----------
    site
        The parcel as it was read.
    plan
        Its plan from the maps.
    steps
        All steps, in order.
    settings
        Those of the plan.
    """
    first, *rest = _deciding(steps)
    start = Start(rest[0].id, {name: plan.rows(name) for name in first.writes})
    parameters: dict[str, dict[str, Any]] = {name: dict(values) for name, values in settings.parameters.items()}
    for name in UNCHANGED.keys() & {step.id for step in rest}:
        parameters[name] = {**parameters.get(name, {}), **UNCHANGED[name]}
    again = replace(settings, parameters=parameters)
    found = []
    for version in site_versions(site, settings.draws, settings.draw_seed):
        try:
            found.append(Picture.of(planned(version, [first, *rest], again, start).plan))
        except (LawngisError, ShapelyError):
            continue
    return found


def _deciding(steps: Sequence[Step]) -> list[Step]:
    """Return the steps that write what decides, and before them the one whose layers are taken over."""
    writer = {name: step for step in steps for name in step.writes}
    needed: set[str] = set()
    wanted = [writer[name].id for name in DECIDING if name in writer]
    by_id = {step.id: step for step in steps}
    while wanted:
        step = by_id[wanted.pop()]
        if step.id not in needed:
            needed.add(step.id)
            wanted += [writer[name].id for name in step.plan_layers_read if name in writer]
    taken = writer[TAKEN[0]]
    return [taken, *(step for step in steps if step.id in needed and step.id != taken.id)]
