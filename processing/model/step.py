"""Steps: plain functions with a declaration, found through the entry-point group ``lawngis.steps``.

Built-in steps register in ``pyproject.toml`` exactly as another package's do, so any package can add one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from lawngis.errors import ParameterError
from lawngis.mower import MowerProfile

from .contract import Layer
from .plan import Plan, StepResult
from .site import Site

GROUP = "lawngis.steps"

TOML = "application/toml"
"""Media type of the files with which parameters are given: `json_schema_extra={"contentMediaType": TOML}`."""


class Parameters(BaseModel):
    """Base of every step's parameters: frozen, bounded, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def read_by(reader: Callable[[str], Any], value: str) -> str:
    """Return a value that a reader understands; what it says against it becomes the parameter's problem."""
    try:
        reader(value)
    except ParameterError as error:
        raise ValueError(str(error)) from error
    return value


Compute = Callable[[Site, Plan, MowerProfile, Any], StepResult]


@dataclass(frozen=True)
class Step:
    """Declaration of a step.

    Parameters
    ----------
    id
        Its name on the command line, a noun.
    title, description
        For people: one line, and a few.
    reads
        Layers of the plan (``lawn``) and of the site (``site:trees``; its outline is ``site:parcels``), rasters
        (``raster:dem``), accuracies (``accuracy:dem_sd_m``) and what was measured on site (``fact:slopes``). The step
        sees these and nothing else: reading more raises an error.
    writes
        Layers of the plan that it writes; it must write all of them, and no other step may.
    compute
        ``compute(site, plan, mower, parameters) -> StepResult``; it reads no file and changes no argument.
    parameters
        Model of its own parameters beside the mower profile.
    layers
        Declarations of layers that it writes and the contract doesn't have: they become part of the plan's file.
    sentences
        What its own findings and checks say, by kind and code as in :mod:`lawngis.processing.model.catalogue`:
        ``{"finding": {"leaf-fall": {"text": "leaves fall on {zone_id}", "advice": "Rake them."}}}``.
    """

    id: str
    title: str
    description: str
    reads: tuple[str, ...]
    writes: tuple[str, ...]
    compute: Compute
    parameters: type[Parameters] = field(default=Parameters)
    layers: tuple[Layer, ...] = ()
    sentences: Mapping[str, Mapping[str, Any]] = field(default_factory=dict, compare=False)

    @cached_property
    def plan_layers_read(self) -> frozenset[str]:
        """Layers of the plan that must be there before the step runs."""
        return frozenset(name for name in self.reads if ":" not in name)

    def parameters_from(self, values: Mapping[str, Any]) -> Parameters:
        """Return the step's parameters from plain values or text.

        Raises
        ------
        ParameterError
            Naming the step, the parameter and the value that can't be used.
        """
        try:
            return self.parameters.model_validate(dict(values))
        except ValidationError as error:
            raise ParameterError(
                "; ".join(_parameter_problem(item) for item in error.errors()),
                where=f"step {self.id}",
                advice=f"`lawngis describe {self.id}` lists the parameters.",
            ) from error


@dataclass(frozen=True)
class BrokenStep:
    """A registered step that could not be loaded: by which package, and why."""

    id: str
    package: str
    reason: str


def registered_steps() -> dict[str, EntryPoint]:
    """Return the registered steps by id, without loading them."""
    return {entry.name: entry for entry in sorted(entry_points(group=GROUP), key=lambda entry: entry.name)}


def loaded_steps() -> tuple[dict[str, Step], list[BrokenStep]]:
    """Return the steps that load, by id, and those that don't; found once in the life of a process."""
    steps, broken = _loaded_steps()
    return dict(steps), list(broken)


@lru_cache(maxsize=1)
def _loaded_steps() -> tuple[dict[str, Step], list[BrokenStep]]:
    steps: dict[str, Step] = {}
    broken: list[BrokenStep] = []
    for name, entry in registered_steps().items():
        try:
            step = entry.load()
            if not isinstance(step, Step) or step.id != name:
                raise TypeError(f"{entry.value} is not a Step with the id {name!r}")
            steps[name] = step
        except Exception as error:  # a stranger's step may fail in any way and must not stop the others
            broken.append(BrokenStep(name, entry.dist.name if entry.dist else "?", f"{type(error).__name__}: {error}"))
    return steps, broken


def step_named(name: str) -> Step:
    """Return one step.

    Raises
    ------
    ParameterError
        When there is none of that name, or it can't be loaded.
    """
    steps, broken = loaded_steps()
    if name in steps:
        return steps[name]
    for failure in broken:
        if failure.id == name:
            raise ParameterError(f"step {name} of {failure.package} can't be loaded: {failure.reason}")
    raise ParameterError(f"there is no step {name!r}", advice=f"Known are {', '.join(steps)}.")


def _parameter_problem(item: Any) -> str:
    key = ".".join(str(part) for part in item["loc"])
    if item["type"] == "extra_forbidden":
        return f"unknown parameter {key}"
    return f"{key} = {item['input']!r}: {item['msg'][:1].lower()}{item['msg'][1:]}"
