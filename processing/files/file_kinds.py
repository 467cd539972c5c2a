"""Kinds of files that this program writes: what people call one, where it lies in a folder, how one is recognised."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

from ..model.contract import Layer
from ..model.layers import PLAN_LAYERS
from . import gpkg
from .atomic import refuse_file


@dataclass(frozen=True)
class FileKind:
    """A kind of file that this program writes.

    Parameters
    ----------
    word
        What people call it.
    file_name
        Its name in the folder of a run.
    specs
        Declarations of its layers.
    marks
        Layers without which it is none; the first holds its parcels and has its CRS.
    facts
        Table of keys and values that says how it was made.
    """

    word: str
    file_name: str
    specs: Mapping[str, Layer]
    marks: tuple[str, ...]
    facts: str

    def path(self, path: Path) -> Path:
        """Return the file that a person means: the file itself, or the one of this kind in a folder."""
        return path / self.file_name if path.is_dir() else path

    def marked(self, layers: Collection[str]) -> bool:
        """Tell whether a file with some layers is of this kind."""
        return set(layers) >= set(self.marks)

    def target(self, out: Path) -> Path:
        """Return where a file of this kind goes in a folder, after making sure that it can be written there.

        Raises
        ------
        PlanError
            When the folder can't be made or written to, or what lies there can't be replaced.
        """
        refuse_file(out, f"the {self.word} needs")
        target = out / self.file_name
        gpkg.refuse_unwritable(target)
        return target


PLAN = FileKind("plan", "plan.gpkg", dict(PLAN_LAYERS), ("summary", "wire_path", "run_info"), "run_info")
"""The plan of a site, as a kind of file."""
