"""What every other room speaks in: the contract's layers, a site, a plan while it grows, and a step's declaration.

This is also the door for a step of another package, which needs no more than is named here::

    from lawngis.processing.model import Column, Finding, Layer, Parameters, Step, StepResult
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .contract import Column as Column
    from .contract import Layer as Layer
    from .plan import Derived as Derived
    from .plan import Finding as Finding
    from .plan import Plan as Plan
    from .plan import StepResult as StepResult
    from .plan import VisitCheck as VisitCheck
    from .site import Site as Site
    from .step import Parameters as Parameters
    from .step import Step as Step
    from .styles import Area as Area
    from .styles import LayerStyle as LayerStyle
    from .styles import Line as Line
    from .styles import Mark as Mark
    from .styles import categorized as categorized
    from .styles import single_symbol as single_symbol

_NAMES = {
    "contract": ("Column", "Layer"),
    "plan": ("Derived", "Finding", "Plan", "StepResult", "VisitCheck"),
    "site": ("Site",),
    "step": ("Parameters", "Step"),
    "styles": ("Area", "LayerStyle", "Line", "Mark", "categorized", "single_symbol"),
}
_MODULE_OF = {name: module for module, names in _NAMES.items() for name in names}


def __getattr__(name: str) -> Any:
    """Return what is named at this door; loaded when it is asked for, so that the command line starts quickly."""
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f".{_MODULE_OF[name]}", __name__), name)


def __dir__() -> list[str]:
    return sorted(_MODULE_OF)
