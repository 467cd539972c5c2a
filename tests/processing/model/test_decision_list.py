"""The closed list of decisions covers every limit, kind, check and stop that there is."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

from lawngis.mower import MowerProfile
from lawngis.processing.model import decision_list as module
from lawngis.processing.model.catalogue import sentences
from lawngis.processing.model.decision_list import DECISIONS, Decision, decisions_checked_by
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.steps.workflow import installed_steps

PROCESSING = Path(module.__file__).parents[1]

NO_DECISIONS = {
    "cover.cover": "each kind follows from the decisions on what is lawn",
    "wire_runs.run_kind": "what the wire does follows from where it lies",
    "wire_runs.edge_class": "as the edge",
    "pegs.peg_kind": "follows from the wire",
    "pegs.stage": "follows from the wire",
    "watch_points.what": "says what is looked at of what was decided",
    "laying_steps.what": "says what is done with what was decided",
    "laying_steps.peg_stage": "as of its pegs",
    "joins.why": "follows from the length of a reel",
    "materials.price_source": "says where prices come from",
    "schedule.weekday": "any permitted day serves",
    "findings.severity": "each finding that stops a plan has its entry",
    "summary.status": "follows from zones and wire",
    "summary.readiness": "sums up all decisions",
    "summary.basis": "says what data there is",
}
"""Columns of kinds, yes or no that no decision fills in, each with why."""

A_LIMIT = re.compile(r"_(min|max|limit)(_|$)")


def limits_of_profile() -> set[str]:
    others = {"dock_straight_ahead_m", "dock_straight_behind_m", "run_minutes"}
    return {name for name in MowerProfile.model_fields if A_LIMIT.search(name)} | others


def named(field: str) -> set[str]:
    return {name for decision in DECISIONS.values() for name in getattr(decision, field)}


def kinds() -> Iterator[str]:
    """Each value of each column of kinds, and each column of yes and no, of the layers of a plan."""
    for spec in PLAN_LAYERS.values():
        for column in spec.columns:
            where = f"{spec.name}.{column.name}"
            if where not in NO_DECISIONS:
                yield from (f"{where}={value}" for value in column.values)
                if column.kind == "boolean":
                    yield where


@lru_cache
def functions() -> list[tuple[ast.Module, ast.FunctionDef]]:
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in sorted(PROCESSING.rglob("*.py"))]
    return [(tree, node) for tree in trees for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]


def texts(node: ast.AST | None) -> set[str]:
    found = () if node is None else ast.walk(node)
    return {one.value for one in found if isinstance(one, ast.Constant) and isinstance(one.value, str)}


def resolved(node: ast.expr, function: ast.FunctionDef, tree: ast.Module) -> set[str]:
    """Texts that an expression may be, by what its names are given in the function and at the top of the module."""
    names = {one.id for one in ast.walk(node) if isinstance(one, ast.Name)}
    given = [
        one.value
        for one in (*ast.walk(function), *tree.body)
        if isinstance(one, ast.Assign | ast.AnnAssign)
        and names & {target.id for side in targets(one) for target in ast.walk(side) if isinstance(target, ast.Name)}
    ]
    return texts(node).union(*(texts(value) for value in given))


def targets(node: ast.Assign | ast.AnnAssign) -> list[ast.expr]:
    return node.targets if isinstance(node, ast.Assign) else [node.target]


def stops_in(tree: ast.Module, function: ast.FunctionDef) -> set[str]:
    """Codes of findings that a function may make with severity stop."""
    known, found = sentences().codes("finding"), set[str]()
    parameters = {one.arg for one in (*function.args.args, *function.args.kwonlyargs)}
    for call in ast.walk(function):
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id == "Finding":
            given = {**dict(enumerate(call.args)), **{word.arg: word.value for word in call.keywords}}
            severity, code = given.get(0, given.get("severity")), given.get(1, given.get("code"))
            by_caller = isinstance(severity, ast.Name) and severity.id in parameters
            if severity is not None and (by_caller or "stop" in resolved(severity, function, tree)):
                found |= resolved(code, function, tree) if code is not None else set()
    return found & known


def stops() -> set[str]:
    """Codes of findings that stop a plan: given so to a finding, or beside the word in a table."""
    found = set[str]().union(*(stops_in(tree, function) for tree, function in functions()))
    for tree in {id(tree): tree for tree, _ in functions()}.values():
        for pair in ast.walk(tree):
            if isinstance(pair, ast.Tuple) and len(pair.elts) == 2 and texts(pair.elts[0]) == {"stop"}:
                found |= texts(pair.elts[1]) & sentences().codes("finding")
    return found


def used_texts() -> set[str]:
    files = [path for path in PROCESSING.rglob("*.py") if path != Path(module.__file__)]
    return set[str]().union(*(texts(ast.parse(path.read_text(encoding="utf-8"))) for path in files))


def advice(missing: set[str], what: str, where: str) -> str:
    return (
        f"{what} without a decision: {', '.join(sorted(missing))}. Name it among the {where} of its entry in "
        "processing/model/decision_list.py; a new decision is a new entry, with the codes of its checks or why it "
        "needs none."
    )


def test_each_limit_of_a_mower_is_on_the_list() -> None:
    missing = limits_of_profile() - named("limits")
    assert not missing, advice(missing, "limits of the mower profile", "limits")


def test_each_limit_on_the_list_is_a_field_or_a_parameter() -> None:
    parameters = {f"{step.id}.{name}" for step in installed_steps() for name in step.parameters.model_fields}
    strange = named("limits") - set(MowerProfile.model_fields) - parameters
    assert not strange, f"neither fields of the mower profile nor parameters of a step: {sorted(strange)}"


def test_each_kind_that_a_plan_holds_is_on_the_list() -> None:
    outcomes = set(kinds())
    missing, strange = outcomes - named("outcomes"), named("outcomes") - outcomes
    assert not missing, advice(missing, "kinds", "outcomes")
    assert not {one for one in strange if one.partition("=")[0] not in NO_DECISIONS}, strange


def test_each_check_is_on_the_list_and_made_somewhere() -> None:
    known = sentences().codes("check")
    missing, strange = known - named("checks"), named("checks") - known
    assert not missing, advice(missing, "checks", "checks")
    assert not strange, f"checks that words/en/checks.toml has no words for: {sorted(strange)}"
    unused = named("checks") - used_texts()
    assert not unused, f"checks that no step asks: {sorted(unused)}"


def test_each_finding_that_stops_a_plan_is_on_the_list() -> None:
    missing, strange = stops() - named("stops"), named("stops") - stops()
    assert not missing, advice(missing, "findings that stop a plan", "stops")
    assert not strange, f"no finding of severity stop has these codes: {sorted(strange)}"


def test_each_decision_has_a_check_or_says_why_it_needs_none() -> None:
    wrong = [one.code for one in DECISIONS.values() if bool(one.checks) == bool(one.unchecked)]
    assert not wrong, f"give these either checks or a reason (unchecked), not both: {wrong}"
    assert len(DECISIONS) == len(module._DECISIONS), "two decisions have one code"


def test_exceptions_are_needed() -> None:
    columns = {f"{spec.name}.{column.name}" for spec in PLAN_LAYERS.values() for column in spec.columns}
    assert set(NO_DECISIONS) <= columns, set(NO_DECISIONS) - columns


def test_the_look_at_the_source_sees_what_it_is_for() -> None:
    tree = ast.parse(
        "T = {1: 'rule-4-bend'}\n"
        "def f(x, severity):\n"
        "    a = 'stop' if x else 'info'\n"
        "    Finding(a, 'no-wire', {})\n"
        "    Finding('stop', T[x], {})\n"
        "    Finding(severity, 'no-lead', {})\n"
        "    Finding('info', 'keeps-up', {})\n"
    )
    (function,) = (node for node in tree.body if isinstance(node, ast.FunctionDef))
    assert stops_in(tree, function) == {"no-wire", "rule-4-bend", "no-lead"}
    assert len(stops()) > 20 and {"hours-missing", "rule-12-steep", "edit-breaks-rule"} <= stops()


def test_a_check_knows_its_decisions() -> None:
    assert [one.code for one in decisions_checked_by("passage-width")] == ["passage-mown", "passage-driven"]
    assert not decisions_checked_by("a check of another package")
    assert isinstance(DECISIONS["reach"], Decision)
