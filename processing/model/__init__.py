"""What every other room speaks in: the contract's layers, a site, a plan while it grows, and a step's declaration.

This is also all that a step of another package needs::

    from lawngis.processing.model import Column, Finding, Layer, Parameters, Step, StepResult
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .contract import ColumnSpec as Column
    from .contract import LayerSpec as Layer
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
