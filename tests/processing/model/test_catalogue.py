"""Sentences by code and values: how they are filled in, and that steps and tables know the same codes and values."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from string import Formatter
from typing import NamedTuple

import numpy as np
import pytest

from lawngis.errors import PlanError
from lawngis.processing.model import catalogue as module
from lawngis.processing.model.catalogue import AS_WRITTEN, Catalogue, sentences, stored_values, values_text
from lawngis.processing.model.site_layers import SITE_LAYERS

PROCESSING = Path(module.__file__).parents[1]
"""Source of this package."""

ROOMS = sorted(path.name for path in PROCESSING.iterdir() if any(path.glob("*.py")))

# --- how sentences are filled in -------------------------------------------------------------------------


def filled(text: str, **values: object) -> str:
    """The sentence filled in, with some words and parts at hand."""
    tables = {
        "finding": {"it": {"text": text}},
        "word": {"colour": {"r": "red", "": "no colour"}, "value": {"None": "nothing", "True": "yes", "False": "no"}},
        "part": {"far": {"text": "{away_m:.1f} m"}, "near": {"cases": {"very": {"text": "very near"}}}},
    }
    return Catalogue([tables]).said("finding", "it", "text", values)


@pytest.mark.parametrize(
    ("text", "values", "said"),
    [
        ("{area_m2:.0f} m²", {"area_m2": 12.4}, "12 m²"),
        ("{value:.{digits}f}", {"value": 1.25, "digits": 1}, "1.2"),
        ("{n:# zone|# zones}", {"n": 1}, "1 zone"),
        ("{n:# zone|# zones}", {"n": 0}, "0 zones"),
        ("{n:# zone|# zones}", {"n": 7}, "7 zones"),
        ("{n:is|are}", {"n": 1.0}, "is"),
        ("{names:list}", {"names": ["a", "b", "c"]}, "a, b, c"),
        ("{names:list ;}", {"names": ["a", "b"]}, "a; b"),
        ("{names:and}", {"names": ["a"]}, "a"),
        ("{names:and}", {"names": ["a", "b", "c"]}, "a, b and c"),
        ("{uses:and colour}", {"uses": ["r", "g"]}, "red and g"),
        ("{names:or}", {"names": ["a", "b"]}, "a or b"),
        ("{c:word colour}", {"c": "r"}, "red"),
        ("{c:word colour}", {"c": ""}, "no colour"),
        ("{c:word colour}", {"c": "mauve"}, "mauve"),
        ("{v:value}", {"v": None}, "nothing"),
        ("{v:value}", {"v": False}, "no"),
        ("{v:value}", {"v": 0.6}, "0.60"),
        ("{v:value}", {"v": 3}, "3"),
        ("{v:value}", {"v": "flush"}, "flush"),
        ("{p:part}", {"p": ("far", {"away_m": 2})}, "2.0 m"),
        ("{p:part}", {"p": []}, ""),
        ("{p:part}", {"p": [["far", {"away_m": 2}], ["near", {"case": "very"}]]}, "2.0 m, very near"),
        ("{p:part and}", {"p": [("far", {"away_m": 2}), ("far", {"away_m": 3})]}, "2.0 m and 3.0 m"),
        ("{p:part .}.", {"p": [("far", {"away_m": 2}), ("far", {"away_m": 3})]}, "2.0 m. 3.0 m."),
        ("at home{p:also}", {"p": [("far", {"away_m": 2}), ("far", {"away_m": 3})]}, "at home; 2.0 m; 3.0 m"),
        ("at home{p:also}", {"p": []}, "at home"),
        ("is gone{note:if  (#)}", {"note": "a wedding"}, "is gone (a wedding)"),
        ("is gone{note:if  (#)}", {"note": ""}, "is gone"),
        ("is gone{note:if  (#)}", {"note": None}, "is gone"),
    ],
)
def test_forms_of_fields(text: str, values: dict[str, object], said: str) -> None:
    assert filled(text, **values) == said


def test_a_case_has_its_own_words_and_else_those_of_all() -> None:
    entry = {"text": "{n} left", "advice": "Look.", "cases": {"none": {"text": "none left"}}}
    found = Catalogue([{"finding": {"it": entry}}])
    assert found.said("finding", "it", "text", {"n": 2}) == "2 left"
    assert found.said("finding", "it", "text", {"n": 0, "case": "none"}) == "none left"
    assert found.said("finding", "it", "advice", {"n": 0, "case": "none"}) == "Look."


@pytest.mark.parametrize(
    ("code", "values", "named"),
    [
        ("strange", {}, "finding strange"),
        ("it", {"n": 1, "case": "strange"}, "finding it, case strange"),
        ("it", {}, "finding it can't be made of {}: 'n'"),
        ("it", {"n": "many"}, "finding it can't be made of"),
        ("it", {"n": None}, "finding it can't be made of"),
    ],
)
def test_what_is_missing_is_named(code: str, values: dict[str, object], named: str) -> None:
    with pytest.raises(PlanError, match=f"sentence for {named}"):
        Catalogue([{"finding": {"it": {"text": "{n:.0f}", "cases": {}}}}]).said("finding", code, "text", values)


def test_a_missing_part_and_an_unknown_table_of_words_are_named() -> None:
    with pytest.raises(PlanError, match="sentence for part strange"):
        filled("{p:part}", p=("strange", {}))
    with pytest.raises(PlanError, match="sentence for word strange"):
        filled("{c:word strange}", c="r")


def test_one_code_has_one_sentence() -> None:
    table = {"finding": {"it": {"text": "x"}}}
    with pytest.raises(PlanError, match="two sentences for finding it"):
        Catalogue([table]).with_tables([table])


def test_values_are_stored_as_json_and_read_again() -> None:
    values = {"area_m2": np.float64(2.5), "n": np.int64(3), "sd_m": np.nan, "p": ("far", {"away_m": 1.0})}
    text = values_text(values)
    assert text == '{"area_m2": 2.5, "n": 3, "sd_m": null, "p": ["far", {"away_m": 1.0}]}'
    assert stored_values({"values": text}, ()) == {"area_m2": 2.5, "n": 3, "sd_m": None, "p": ["far", {"away_m": 1.0}]}
    earlier = stored_values({"values": None, "text": "as it stood"}, ("text", "advice"))
    assert earlier == {AS_WRITTEN: {"text": "as it stood", "advice": ""}}
    assert sentences().said("finding", "a code of an earlier version", "text", earlier) == "as it stood"


# --- what tables and source know of each other -----------------------------------------------------------

SAID_KINDS = ("part", "verdict", "reason")
"""Kinds of what a pair of code and values may be."""

PARTS = {
    "finding": ("text", "advice"),
    "check": ("measure_what", "measured_how", "decides"),
    "watch": ("expect",),
    "laying": ("text", "takes", "done_when"),
    **dict.fromkeys(SAID_KINDS, ("text",)),
}

OF_FACTS = {"applied": "override-applied", "follows": "override-decides", "contradicts": "override-contradicts"}
"""Functions that make a finding of a case and values, and its code."""


class Sentence(NamedTuple):
    """A place in the source at which a code is given with values."""

    where: str
    kind: str
    code: str | None
    cases: tuple[str, ...] | None
    """Those that it may be, empty for the plain sentence; None when the source doesn't tell."""
    keys: frozenset[str] | None
    """Names of its values; None when the source doesn't tell them all."""
    given: tuple[ast.expr, ...]
    """Expressions of these values but for the case."""


@lru_cache
def trees(room: str) -> list[tuple[Path, ast.Module]]:
    return [(path, ast.parse(path.read_text(encoding="utf-8"))) for path in sorted((PROCESSING / room).rglob("*.py"))]


def sentences_in(room: str) -> list[Sentence]:
    return [sentence for path, tree in trees(room) for scope in scopes(tree) for sentence in sentences_of(path, scope)]


def scopes(tree: ast.Module) -> Iterator[list[ast.AST]]:
    """The nodes of each function, and those of the module outside of all."""
    inner = [node for node in tree.body if isinstance(node, ast.FunctionDef | ast.ClassDef)]
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    outer = [node for node in functions if not any(node is not one and node in ast.walk(one) for one in functions)]
    yield from (list(ast.walk(node)) for node in outer)
    yield [node for top in tree.body if top not in inner for node in ast.walk(top)]


def sentences_of(path: Path, scope: list[ast.AST]) -> Iterator[Sentence]:
    for node in scope:
        where = f"{path.relative_to(PROCESSING)}:{getattr(node, 'lineno', 0)}"
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            arguments = {**dict(enumerate(node.args)), **{word.arg: word.value for word in node.keywords}}
            if node.func.id == "Finding":
                code, values = arguments.get(1, arguments.get("code")), arguments.get(2, arguments.get("values"))
                yield sentence(where, "finding", code, values, scope, node)
            elif node.func.id == "VisitCheck":
                code, values = arguments.get(0, arguments.get("code")), arguments.get(1, arguments.get("values"))
                yield sentence(where, "check", code, values, scope, node)
            elif node.func.id in ("LayingStep", "WatchPoint"):
                kind = "laying" if node.func.id == "LayingStep" else "watch"
                yield sentence(where, kind, arguments[0], arguments[1], scope, node)
            elif node.func.id in OF_FACTS:
                first = 1 if node.func.id == "applied" else 0
                told = sentence(where, "finding", None, arguments[first + 1], scope, node)
                more = {"case", "layer", "note"} if node.func.id == "applied" else {"case"}
                keys = None if told.keys is None else told.keys | more
                yield told._replace(code=OF_FACTS[node.func.id], cases=constants(arguments[first]), keys=keys)
        elif isinstance(node, ast.Tuple) and len(node.elts) == 2 and isinstance(node.elts[1], ast.Dict):
            code = node.elts[0]
            kinds = [kind for kind in SAID_KINDS if isinstance(code, ast.Constant) and code.value in codes(kind)]
            if isinstance(code, ast.Constant) and isinstance(code.value, str):
                yield sentence(where, kinds[0] if kinds else "part", code, node.elts[1], scope, node)


def codes(kind: str) -> frozenset[str]:
    return sentences().codes(kind)


def sentence(
    where: str, kind: str, code: ast.expr | None, values: ast.expr | None, scope: list[ast.AST], call: ast.AST
) -> Sentence:
    told = code.value if isinstance(code, ast.Constant) else None
    items = [] if values is None else literal_items(values, scope, call)
    if items is None:
        return Sentence(where, kind, told, None, None, () if values is None else (values,))
    case = next((value for key, value in items if key == "case"), None)
    keys = None if any(key is None for key, _ in items) else frozenset(str(key) for key, _ in items)
    cases = ("",) if case is None and keys is not None else None if case is None else constants(case)
    return Sentence(where, kind, told, cases, keys, tuple(value for key, value in items if key != "case"))


def literal_items(values: ast.expr, scope: list[ast.AST], call: ast.AST) -> list[tuple[str | None, ast.expr]] | None:
    """Names and expressions of values that are written out, there or above in the function; a name may be unknown."""
    if isinstance(values, ast.Name):
        before = [
            node
            for node in scope
            if isinstance(node, ast.Assign | ast.AnnAssign)
            and node.lineno < call.lineno  # type: ignore[attr-defined]
            and values.id in {t.id for t in targets(node) if isinstance(t, ast.Name)}
        ]
        last = max(before, key=lambda node: node.lineno, default=None)
        if last is None or not isinstance(last.value, ast.Dict):
            return None
        return literal_items(last.value, scope, last)
    if not isinstance(values, ast.Dict):
        return None
    items: list[tuple[str | None, ast.expr]] = []
    for key, value in zip(values.keys, values.values, strict=True):
        if key is None:
            items += literal_items(value, scope, call) or [(None, value)]
        else:
            items.append((str(key.value) if isinstance(key, ast.Constant) else None, value))
    return items


def targets(node: ast.Assign | ast.AnnAssign) -> list[ast.expr]:
    return node.targets if isinstance(node, ast.Assign) else [node.target]


def constants(case: ast.expr) -> tuple[str, ...] | None:
    """The texts that an expression may be; None when they aren't written out."""
    if isinstance(case, ast.Constant):
        return (str(case.value),)
    if isinstance(case, ast.IfExp):
        either = constants(case.body), constants(case.orelse)
        return None if None in either else (*(either[0] or ()), *(either[1] or ()))
    return None


def fields(text: str) -> set[str]:
    """Names of the values that a sentence needs, those in how a field is printed among them."""
    found: set[str] = set()
    for _, name, spec, _ in Formatter().parse(text):
        if name is not None:
            found |= {name, *fields(spec or "")}
    return found


def put_together(value: ast.expr) -> bool:
    """Whether words are put together in an expression: a sentence in the making."""
    for node in ast.walk(value):
        if isinstance(node, ast.JoinedStr):
            return True
        if isinstance(node, ast.BinOp) and any(
            isinstance(side, ast.Constant) and isinstance(side.value, str) for side in (node.left, node.right)
        ):
            return True
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in ("join", "format"):
            return True
    return False


def entry(kind: str, code: str) -> dict:
    return sentences()._entries[kind][code]


def problems(found: Sentence) -> Iterator[str]:
    """What is wrong between a place in the source and the tables."""
    if any(put_together(value) for value in found.given):
        yield "words are put together in its values"
    if found.code is None:
        return
    if found.code not in codes(found.kind):
        yield f"there is no sentence for {found.kind} {found.code}"
        return
    known = entry(found.kind, found.code).get("cases", {})
    for case in found.cases if found.cases is not None else known or ("",):
        if case and case not in known:
            yield f"there is no case {case} of {found.code}"
            continue
        first, *others = (sentences().part(found.kind, found.code, part, case) for part in PARTS[found.kind])
        if not first:
            yield f"{found.code}, case {case!r}, has no words"
        if found.keys is not None:
            lacking = fields(" ".join([first, *others])) - found.keys
            if lacking:
                yield f"{found.code}, case {case!r}, lacks {sorted(lacking)}"


@pytest.mark.parametrize("room", ROOMS)
def test_each_code_has_a_sentence_and_all_values_that_it_needs(room: str) -> None:
    found = [f"{place.where}: {problem}" for place in sentences_in(room) for problem in problems(place)]
    assert not found, "\n".join(found)


def test_the_look_at_the_source_sees_what_it_is_for() -> None:
    """Without this the test above would pass on a source that it doesn't understand."""
    places = [place for room in ("steps", "derived", "measured") for place in sentences_in(room)]
    told = [place for place in places if place.code is not None]
    assert len(told) > 90 and sum(place.keys is not None for place in told) > 0.9 * len(told)
    assert {"no-wire", "override-applied", "dock-slope", "wire-fault", "lawn-derived"} <= {place.code for place in told}

    def of_source(source: str) -> list[str]:
        scope = list(ast.walk(ast.parse(source)))
        return [problem for place in sentences_of(PROCESSING / "x.py", scope) for problem in problems(place)]

    assert not of_source("Finding('stop', 'loop-too-long', {'loop_id': a, 'length_m': b, 'limit_m': c})")
    assert of_source("Finding('stop', 'no-such-code', {})") == ["there is no sentence for finding no-such-code"]
    assert "lacks ['limit_m']" in of_source("Finding('stop', 'loop-too-long', {'loop_id': a, 'length_m': b})")[0]
    assert of_source("Finding('stop', 'no-wire', {'case': 'x', **y})") == ["there is no case x of no-wire"]
    assert "has no words" in of_source("Finding('stop', 'no-wire', {'zone_id': a})")[0]
    for value in ("f'{a} m'", "a + ' m'", "'%.1f m' % a", "', '.join(a)", "'{}'.format(a)"):
        assert of_source(f"v = {{'note': {value}}}\nFinding('stop', code, v)") == [
            "words are put together in its values"
        ]
    assert of_source("applied(fact, 'dock', {})") == ["override-applied, case 'dock', lacks ['candidate_id']"]
    assert of_source("[('more-places', {})]") == ["more-places, case '', lacks ['places']"]
    assert "lacks" in of_source("VisitCheck('passage-width', {'case': 'mown'}, place)")[0]


def all_texts() -> Iterator[tuple[str, str, str]]:
    """Kind, code and text of all that stands in the tables."""
    for kind, entries in sentences()._entries.items():
        for code, known in entries.items():
            for some in (known, *known.get("cases", {}).values()):
                yield from ((kind, code, text) for text in some.values() if isinstance(text, str))


def test_no_code_is_unused() -> None:
    rooms = [path for path in PROCESSING.iterdir() if path.is_dir()]
    nodes = [node for room in rooms for _, tree in trees(room.name) for node in ast.walk(tree)]
    used = {node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)}
    used |= {f"no-{layer}" for layer in SITE_LAYERS}  # a code for each layer that a site may lack
    for kind, _, text in all_texts():
        if kind != "word":
            specs = [spec for _, name, spec, _ in Formatter().parse(text) if name is not None]
            used |= {spec.partition(" ")[2] for spec in specs if spec and spec.startswith("word ")}
    unused = {f"{kind} {code}" for kind, code, _ in all_texts() if code not in used}
    assert not unused


def test_each_table_of_words_that_a_sentence_asks_is_there() -> None:
    for kind, code, text in all_texts():
        if kind == "word":
            continue
        for _, name, spec, _ in Formatter().parse(text):
            if name is not None and spec and spec.startswith(("word ", "and ")):
                assert spec.partition(" ")[2] in codes("word"), f"{kind} {code}"
