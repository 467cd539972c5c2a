"""Docstrings say what they should, with headings of sections that a reader and numpydoc can find."""

from __future__ import annotations

import ast
import doctest
import re
from collections.abc import Iterator
from importlib import import_module
from inspect import cleandoc
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MODULES = sorted(path for room in ("lawngis", "processing") for path in (ROOT / room).rglob("*.py"))
LIBRARY = [path for path in MODULES if path.is_relative_to(ROOT / "lawngis")]
WITH_EXAMPLES = [path for path in MODULES if path not in LIBRARY and ">>>" in path.read_text(encoding="utf-8")]

SECTIONS = "Parameters|Attributes|Returns|Yields|Receives|Raises|Warns|See Also|Notes|References|Examples|Methods"
HEADING = re.compile(rf"\s*({SECTIONS})\s*")
RUN_IN = re.compile(rf"\b({SECTIONS})\s+-{{3,}}")
Definition = ast.Module | ast.ClassDef | ast.FunctionDef


def definitions(tree: ast.Module) -> Iterator[tuple[str, Definition]]:
    yield "module", tree
    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef | ast.FunctionDef):
            yield node.name, node


def broken_headings(docstring: str) -> list[str]:
    """What is wrong with headings: each stands on a line of its own, after a blank one, underlined at its length."""
    lines = cleandoc(docstring).split("\n")
    wrong = [f"heading run into a paragraph: {line.strip()}" for line in lines if RUN_IN.search(line)]
    for number, line in enumerate(lines):
        if set(line.strip()) == {"-"} and number and not HEADING.fullmatch(lines[number - 1]):
            wrong.append(f"underlined, but no heading: {lines[number - 1].strip()}")
        if not HEADING.fullmatch(line):
            continue
        below = lines[number + 1] if number + 1 < len(lines) else ""
        if below != "-" * len(line):
            wrong.append(f"not underlined with dashes of its own length: {line.strip()}")
        elif number and lines[number - 1].strip():
            wrong.append(f"no blank line before: {line.strip()}")
        elif number + 2 == len(lines) or not lines[number + 2].strip():
            wrong.append(f"nothing below: {line.strip()}")
    return wrong


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_headings_of_sections_are_sound(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    wrong = {name: broken_headings(ast.get_docstring(node, clean=False) or "") for name, node in definitions(tree)}
    assert {name: what for name, what in wrong.items() if what} == {}


@pytest.mark.parametrize("path", WITH_EXAMPLES, ids=lambda path: str(path.relative_to(ROOT)))
def test_examples_of_processing_hold(path: Path) -> None:
    """Those of the library are collected as tests; by its folder, processing would be imported once more."""
    module = import_module(".".join(("lawngis", *path.relative_to(ROOT).with_suffix("").parts)))
    assert doctest.testmod(module, optionflags=doctest.NORMALIZE_WHITESPACE).failed == 0


@pytest.mark.parametrize("path", LIBRARY, ids=lambda path: str(path.relative_to(ROOT)))
def test_everything_public_in_the_library_says_what_it_is(path: Path) -> None:
    """Constants aside; a method that fills a protocol of the language is told by its class."""
    silent = []

    def look(body: list[ast.stmt], inside: str) -> None:
        for node in body:
            if isinstance(node, ast.ClassDef | ast.FunctionDef) and not node.name.startswith("_"):
                if not (ast.get_docstring(node) or "").strip():
                    silent.append(inside + node.name)
                if isinstance(node, ast.ClassDef):
                    look(node.body, f"{inside}{node.name}.")

    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert ast.get_docstring(tree), "the module has no docstring"
    look(tree.body, "")
    assert silent == []


@pytest.mark.parametrize(
    ("docstring", "said"),
    [
        ("Return it.\n\nNotes ----- It is so.", "run into a paragraph"),
        ("Return it.\n\nNotes\n---\nIt is so.", "not underlined"),
        ("Return it.\n\nNotes\nIt is so.", "not underlined"),
        ("Return it.\n\nNotes\n\n-----\nIt is so.", "not underlined"),
        ("Return it.\nNotes\n-----\nIt is so.", "no blank line"),
        ("Return it.\n\nNotices\n-------\nIt is so.", "no heading"),
        ("Return it.\n\nNotes\n-----\n\nIt is so.", "nothing below"),
        ("Return it.\n\nNotes\n-----", "nothing below"),
    ],
)
def test_what_is_wrong_with_a_heading_is_seen(docstring: str, said: str) -> None:
    assert any(said in what for what in broken_headings(docstring))


def test_sound_headings_are_left_alone() -> None:
    assert broken_headings("Return it.\n\n    Notes\n    -----\n    It is so.\n\n    Raises\n    ------\n    E\n") == []
    assert broken_headings("Return it, 20 - 3; see Notes.") == []
