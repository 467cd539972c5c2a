"""Packages that only some of the work needs, and what is said when they are missing."""

from __future__ import annotations

import importlib.util

from lawngis.errors import ParameterError

_DOCUMENTS = ("babel", "ezdxf", "fpdf", "gpxpy", "icalendar", "jinja2")
EXTRAS = {"documents": _DOCUMENTS, "notebook": ("matplotlib", *_DOCUMENTS)}
"""Modules that an extra of the package brings, by its name."""


def refuse_without(extra: str, what: str) -> None:
    """Say what to install when packages of an extra are missing.

    Parameters
    ----------
    extra
        Its name.
    what
        What needs it, as the subject of a sentence in the plural.

    Raises
    ------
    ParameterError
        Naming the packages.
    """
    missing = [name for name in EXTRAS[extra] if importlib.util.find_spec(name) is None]
    if missing:
        raise ParameterError(
            f"{what} need packages that are missing: {', '.join(missing)}",
            advice=f"Install them with pip install 'lawngis[{extra}]'.",
        )
