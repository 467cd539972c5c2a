"""What findings, checks and verdicts say: a sentence for each code, filled in with values.

A step gives a code and plain values; how that is said stands in tables (``words/en/*.toml``), so that it can be
counted, tested and said in another language. A table holds, by kind and code, the parts of what is said:

.. code-block:: toml

    [finding.no-lead]
    text = "no lead reaches {zone_id}"
    advice = "Take another supply for it."

    [finding.no-lead.cases.island]      # with case = "island" among the values
    advice = "Take the wire around it."

``scope = "run"`` in the entry of a finding says that it is about the site or the settings, whatever the parcel: it is
written once for all parcels of a run.

A field is filled in as :meth:`str.format` does it, or with one of the forms that :class:`_Filler` adds.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterable, Mapping
from functools import lru_cache
from importlib.resources import files
from math import isfinite
from string import Formatter
from typing import Any

import numpy as np

from lawngis.errors import PlanError

Values = Mapping[str, Any]
"""Values of a sentence: texts, numbers, yes or no, lists of these, and parts of it as :data:`Said`."""

Said = tuple[str, Values]
"""Something that is said: its code, and the values that it is filled in with."""

AS_WRITTEN = "as_written"
"""Key of values under which a sentence stands that an earlier plan holds without its values."""


class Catalogue:
    """Sentences by kind, code and part.

    Parameters
    ----------
    tables
        For each kind (``finding``, ``check``, ``verdict``, ...) and code its parts, with parts of their own for cases.
    """

    def __init__(self, tables: Iterable[Mapping[str, Mapping[str, Any]]]) -> None:
        self._entries: dict[str, dict[str, Any]] = {}
        self._filler = _Filler(self)
        for table in tables:
            for kind, entries in table.items():
                known = self._entries.setdefault(kind, {})
                twice = known.keys() & entries.keys()
                if twice:
                    raise PlanError(f"there are two sentences for {kind} {sorted(twice)[0]}")
                known.update(entries)

    def with_tables(self, tables: Iterable[Mapping[str, Mapping[str, Any]]]) -> Catalogue:
        """Return this catalogue with sentences of other packages.

        Raises
        ------
        PlanError
            When one has a code that is there already.
        """
        return Catalogue([self._entries, *tables])

    def codes(self, kind: str) -> frozenset[str]:
        """Return the codes of a kind."""
        return frozenset(self._entries.get(kind, ()))

    def of_run(self, code: str) -> bool:
        """Return whether findings of a code hold for a whole run, and not for one parcel of it."""
        return bool(self._entries.get("finding", {}).get(code, {}).get("scope") == "run")

    def part(self, kind: str, code: str, part: str, case: str = "") -> str:
        """Return a part of a sentence as it stands in the table, its fields unfilled; empty when it has none.

        Raises
        ------
        PlanError
            When there is no such code or case.
        """
        try:
            entry = self._entries[kind][code]
            of_case = entry["cases"][case] if case else {}
        except KeyError as error:
            words = f"{kind} {code}, case {case}" if case else f"{kind} {code}"
            raise PlanError(f"there is no sentence for {words}") from error
        return str(of_case.get(part, entry.get(part, "")))

    def said(self, kind: str, code: str, part: str, values: Values) -> str:
        """Return a part of a sentence, filled in.

        Parameters
        ----------
        kind, code, part
            Which one.
        values
            What it is filled in with; ``case`` says which of several ways of saying it is meant.

        Raises
        ------
        PlanError
            When there is no such sentence, or a value that it needs.

        Examples
        --------
        >>> sentences = Catalogue([{"finding": {"far": {"text": "{away_m:.1f} m from {zones:# zone|# zones}"}}}])
        >>> sentences.said("finding", "far", "text", {"away_m": 2, "zones": 1})
        '2.0 m from 1 zone'
        """
        if AS_WRITTEN in values:
            return str(values[AS_WRITTEN].get(part, ""))
        try:
            return self._filler.vformat(self.part(kind, code, part, str(values.get("case", ""))), (), values)
        except (KeyError, ValueError, TypeError) as error:
            raise PlanError(f"the sentence for {kind} {code} can't be made of {dict(values)}: {error}") from error

    def sentences(self, kind: str, said: Iterable[Said], between: str = " ") -> str:
        """Return several sentences of a kind, one after the other."""
        return between.join(self.said(kind, code, "text", values) for code, values in said)

    def column(self, kind: str, rows: Iterable[Iterable[Said]], between: str) -> list[str]:
        """Return the sentences of each of many rows, as a column of a layer has them."""
        return [self.sentences(kind, said, between) for said in rows]


class _Filler(Formatter):
    """Fills in fields as :meth:`str.format` does, and with these forms as well.

    ========================  =====================================================================
    ``{n:# zone|# zones}``    one of two forms by number
    ``{names:list}``          a list with commas; ``and`` and ``or`` put that word before the last
    ``{uses:and surface}``    such a list in words of the table ``word.surface``
    ``{names:list ;}``        a list with that mark between
    ``{use:word surface}``    the word for a value in the table ``word.surface``, else the value itself
    ``{before:value}``        a value of any type: a number with two decimals, and a word for none
    ``{why:part}``            a part from ``[code, values]``; of a list of several each, with commas between
    ``{why:part and}``        the same with that word or mark between
    ``{more:also}``           parts that are added, each after a semicolon
    ``{note:if  (#)}``        a phrase where there is a value, else nothing
    ========================  =====================================================================
    """

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._forms: dict[str, Callable[[Any, str], str]] = {
            "if": lambda value, rest: "" if value is None or value == "" else rest.replace("#", str(value)),
            "list": lambda value, rest: _mark(rest).join(map(str, value)),
            "and": lambda value, rest: _listed(self._words(value, rest), "and"),
            "or": lambda value, rest: _listed(value, "or"),
            "word": lambda value, rest: self._words([value], rest)[0],
            "value": lambda value, rest: self._value(value),
            "part": lambda value, rest: _mark(rest).join(self._parts(value)),
            "also": lambda value, rest: "".join(f"; {part}" for part in self._parts(value)),
        }

    def format_field(self, value: Any, format_spec: str) -> Any:
        form, _, rest = format_spec.partition(" ")
        if form in self._forms:
            return self._forms[form](value, rest)
        if "|" in format_spec:
            one, _, many = format_spec.partition("|")
            return (one if value == 1 else many).replace("#", str(value))
        return super().format_field(value, format_spec)

    def _words(self, values: Iterable[Any], table: str) -> list[str]:
        return [(table and self._catalogue.part("word", table, str(value))) or str(value) for value in values]

    def _value(self, value: Any) -> str:
        if value is None or value is True or value is False:
            return self._catalogue.part("word", "value", str(value))
        return f"{value:.2f}" if isinstance(value, float) else str(value)

    def _parts(self, value: Any) -> list[str]:
        parts = [value] if value and isinstance(value[0], str) else value
        return [self._catalogue.said("part", code, "text", values) for code, values in parts]


def _mark(between: str) -> str:
    return f" {between} " if between.isalpha() else f"{between or ','} "


def _listed(values: Iterable[Any], word: str) -> str:
    *first, last = map(str, values)
    return f"{', '.join(first)} {word} {last}" if first else last


@lru_cache(maxsize=1)
def sentences() -> Catalogue:
    """Return the sentences of this package in English."""
    tables = sorted(files(__package__).joinpath("words", "en").iterdir(), key=lambda entry: entry.name)
    return Catalogue(tomllib.loads(table.read_text(encoding="utf-8")) for table in tables)


def said_text(said: Iterable[Said]) -> str:
    """Return what is said as JSON: a list of codes, each with its values."""
    return json.dumps(_plain(list(said)), ensure_ascii=False, allow_nan=False)


def values_text(values: Values) -> str:
    """Return values as JSON, as a column holds them."""
    return json.dumps(_plain(values), ensure_ascii=False, allow_nan=False)


def stored_values(row: Mapping[str, Any], parts: Iterable[str]) -> dict[str, Any]:
    """Return the values of a row's sentence; of a plan that has none yet, its parts as they are written."""
    if row.get("values"):
        return dict(json.loads(row["values"]))
    return {AS_WRITTEN: {part: row.get(part) or "" for part in parts}}


def _plain(value: Any) -> Any:
    """Return values as JSON has them: plain numbers, lists, and null for a number that isn't one."""
    if isinstance(value, Mapping):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [_plain(item) for item in value]
    plain = value.item() if isinstance(value, np.generic) else value
    return None if isinstance(plain, float) and not isfinite(plain) else plain
