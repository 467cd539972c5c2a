"""What is told while work goes on and when it ends: a line for a person, or a JSON object for a program.

Results are printed to standard output; all else goes through here to standard error. Every object has a `kind`
(progress, note, finding, error) and a `text`, the line that a person would read.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

from lawngis.errors import LawngisError

from .text import one_line


@dataclass
class _Telling:
    """How it is told, and how far the work is: parcels, those that are done, and the share told last."""

    as_json: bool = False
    total: int = 1
    done: int = 0
    told_share: float = 0.0


_telling = _Telling()
"""Of this process: workers have none of it and stay silent."""


@contextmanager
def told(*, as_json: bool) -> Iterator[None]:
    """Tell in lines of JSON, or in words."""
    before = vars(_telling).copy()
    vars(_telling).update(vars(_Telling(as_json)))
    try:
        yield
    finally:
        vars(_telling).update(before)


def as_json() -> bool:
    """Return whether a program reads what is told."""
    return _telling.as_json


def note(text: str) -> None:
    """Tell what is worth a line and stops nothing."""
    _tell("note", text)


def stop_findings(rows: Iterable[Mapping[Any, Any]]) -> None:
    """Tell a program those of a plan's findings that stop a parcel; people read them in the plan."""
    for row in rows if _telling.as_json else ():
        if row["severity"] == "stop":
            told = {name: row[name] for name in ("code", "severity", "advice")}
            _tell("finding", row["text"], parcel=row["parcel_id"], **told)


def failed_parcel(parcel: str, reason: str) -> None:
    """Tell why a parcel could not be worked on; the others go on."""
    _tell("error", f"parcel {parcel} failed: {reason}", code="ParcelFailed", what=reason, where=[parcel], advice="")


def error(problem: LawngisError) -> None:
    """Tell what ended the work: what is wrong, where, what to do."""
    unusable(type(problem).__name__, str(problem), problem.what, where=problem.where, advice=problem.advice)


def unusable(code: str, text: str, what: str = "", *, where: tuple[str, ...] = (), advice: str = "") -> None:
    """Tell what ended the work, where no error of ours says it."""
    _tell("error", f"lawngis: {text}", code=code, what=what or text, where=list(where), advice=advice)


def begin(total: int, done: int = 0) -> None:
    """Begin with so many parcels, of which some are done already."""
    _telling.total, _telling.done, _telling.told_share = max(1, total), done, 0.0


def step_of(parcel: str, step: str, share: float) -> None:
    """Tell a program that a step of a parcel begins; `share` of the parcel is behind it."""
    progress((_telling.done + share) / _telling.total, step=step, parcel=parcel)


def parcel_done(parcel: str, status: str, text: str = "") -> None:
    """Tell that a parcel is done; people read `text`, if any."""
    _telling.done += 1
    progress(_telling.done / _telling.total, parcel=parcel, status=status, text=text)


def progress(share: float, *, text: str = "", **values: str | None) -> None:
    """Tell which share of all is done, 0 to 1, never less than was told before; people read `text`, if any."""
    _telling.told_share = share = min(1.0, max(share, _telling.told_share))
    if _telling.as_json or text:
        _tell("progress", text, share=round(share, 4), **values)


def _tell(kind: str, text: str, **values: Any) -> None:
    """Print a line to standard error, if anybody is there to read it."""
    line = one_line(text)
    if _telling.as_json:
        line = json.dumps({"kind": kind, **values, "text": line}, ensure_ascii=False)
    with suppress(OSError):
        print(line, file=sys.stderr, flush=True)
