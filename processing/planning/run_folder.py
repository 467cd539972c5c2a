"""Finished parcels on disk: a file for each chunk, named by the hash of its content, there whole or not at all.

A run stores its shards in a hidden folder of its own beside the plan; there is never more than one run at a time. A run
that resumes takes over the folders of those before it, so no finished parcel is lost.

A shard is one line of JSON, which says what it holds, and for each parcel a block with its rows by layer, column by
column: texts as JSON, real numbers as they are in memory, geometries as well-known binary. No code is ever loaded from
it, and every number comes back to the last bit.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from lawngis.errors import PlanError

from ..files.gpkg import RawColumns
from ..files.packing import block_of, plain, unpacked_columns, unpacked_rows
from ..model.plan import Row

FORMAT = 5
ENDING = ".shard"
FOLDER_START = ".plan-run-"
NAME_LENGTH = 40


@dataclass(frozen=True)
class Outcome:
    """What came of a parcel: all that is asked of it before its rows go into the plan.

    Parameters
    ----------
    parcel_id
        Parcel.
    fingerprint
        Of what the steps saw; empty when the parcel could not even be read.
    failure
        Why it could not be planned; empty when it could.
    transient
        The failure may not come again: the worker died, or a limit of time or memory was met.
    seconds
        Taken by each part.
    status
        Of its row of `summary`.
    ranking_row
        Its row of the portfolio table, see :func:`.ranking.ranking_row`.
    reaches
        Name of each loop with the box in which another loop could disturb it, in the CRS of the parcels.
    """

    parcel_id: str
    fingerprint: str = ""
    failure: str = ""
    transient: bool = False
    seconds: Mapping[str, float] = field(default_factory=dict)
    status: str = ""
    ranking_row: Sequence[Any] = ()
    reaches: Sequence[tuple[str, float, float, float, float]] = ()


@dataclass(frozen=True)
class PackedResult:
    """Outcome of a parcel with its rows by layer, see :func:`packed_columns`; without rows when it is unchanged."""

    outcome: Outcome
    block: bytes = b""


@dataclass(frozen=True)
class Keys:
    """What shards were made from: the settings alone, and settings and inputs together."""

    settings: str
    run: str


NO_KEYS = Keys("", "")
"""Of what is made outside of a run."""


@dataclass(frozen=True)
class StoredParcel:
    """Where a finished parcel is stored, its ranking row, and the boxes in which other loops could disturb its own."""

    shard: Path
    start: int
    size: int
    ranking_row: Sequence[Any]
    reaches: Sequence[tuple[str, float, float, float, float]]

    def rows(self, only: Collection[str] | None = None) -> dict[str, list[Row]]:
        """Return the parcel's rows by layer, all layers or some."""
        return unpacked_rows(self._block(), only)

    def columns(self) -> dict[str, RawColumns]:
        """Return the parcel's rows by layer, column by column."""
        return dict(unpacked_columns(self._block()))

    def wires(self) -> bytes:
        """Return the rows of `wire_path` alone, packed."""
        return block_of(self._block(), {"wire_path"})

    def _block(self) -> bytes:
        with self.shard.open("rb") as file:
            file.seek(self.start)
            return file.read(self.size)


@dataclass(frozen=True)
class ResumedParcel:
    """A finished parcel of an earlier run: where it is stored, its outcome, and whether inputs were the same."""

    stored: StoredParcel
    outcome: Outcome
    same_inputs: bool


# --- a run's folder --------------------------------------------------------------------------------------


class RunFolder:
    """The folder of one run, in which it stores its shards."""

    def __init__(self, out: Path, keys: Keys) -> None:
        self.out = out
        self.keys = keys
        self.path = Path(tempfile.mkdtemp(prefix=FOLDER_START, dir=out))

    def store(self, results: Sequence[PackedResult]) -> list[StoredParcel]:
        """Write a shard and return where its parcels are.

        Raises
        ------
        PlanError
            When it can't be written. What was stored before stays.
        """
        content, starts = _shard_content(results, self.keys)
        target = self.path / f"{_name(content)}{ENDING}"
        draft = target.with_suffix(".draft")
        try:
            with draft.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            draft.replace(target)
        except OSError as error:
            draft.unlink(missing_ok=True)
            raise PlanError(
                f"could not be written ({error.strerror or error})",
                where=str(self.path),
                advice="Make room on the disk, then run the same command with --resume: finished parcels are kept.",
            ) from error
        return [
            StoredParcel(target, start, len(result.block), result.outcome.ranking_row, result.outcome.reaches)
            for start, result in zip(starts, results, strict=True)
        ]

    def resumed(self) -> Iterator[ResumedParcel]:
        """Yield the parcels of earlier runs that had the same settings; their shards move here.

        A parcel may come more than once; the last is the newest.
        """
        for folder in self._others():
            for shard in sorted(folder.glob(f"*{ENDING}")):
                shard.replace(self.path / shard.name)
            shutil.rmtree(folder, ignore_errors=True)
        shards = sorted(self.path.glob(f"*{ENDING}"), key=lambda path: path.stat().st_mtime_ns)
        for shard in shards:
            yield from _resumed_parcels(shard, self.keys)

    def close(self, *, keep: bool) -> None:
        """Remove the folder and those of earlier runs; with `keep` only where nothing is stored in it."""
        if not keep:
            for folder in self._others():
                shutil.rmtree(folder, ignore_errors=True)
        if not keep or not any(self.path.glob(f"*{ENDING}")):
            shutil.rmtree(self.path, ignore_errors=True)

    def _others(self) -> list[Path]:
        """Return the folders of earlier runs."""
        return [folder for folder in sorted(self.out.glob(f"{FOLDER_START}*")) if folder != self.path]


def unfinished_runs(out: Path) -> list[Path]:
    """Return the folders in which runs left finished parcels."""
    return [folder for folder in sorted(out.glob(f"{FOLDER_START}*")) if any(folder.glob(f"*{ENDING}"))]


# --- a shard's content -----------------------------------------------------------------------------------


def _shard_content(results: Sequence[PackedResult], keys: Keys) -> tuple[bytes, list[int]]:
    """Return a shard's bytes and where in them each parcel's block starts."""
    parcels = [{**asdict(result.outcome), "size": len(result.block)} for result in results]
    head = {"format": FORMAT, "settings": keys.settings, "run": keys.run, "parcels": parcels}
    line = json.dumps(head, default=plain, ensure_ascii=False).encode() + b"\n"
    starts = [len(line)]
    for result in results:
        starts.append(starts[-1] + len(result.block))
    return line + b"".join(result.block for result in results), starts[:-1]


def _name(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:NAME_LENGTH]


def _resumed_parcels(shard: Path, keys: Keys) -> Iterator[ResumedParcel]:
    """Yield a shard's parcels; none when it is damaged, or was made with other settings."""
    content = shard.read_bytes()
    line, _, _ = content.partition(b"\n")
    if _name(content) != shard.stem:
        return
    head = json.loads(line)
    if head["format"] != FORMAT or head["settings"] != keys.settings:
        return
    start = len(line) + 1
    for parcel in head["parcels"]:
        size = parcel.pop("size")
        parcel["reaches"] = tuple(tuple(reach) for reach in parcel["reaches"])
        stored = StoredParcel(shard, start, size, parcel["ranking_row"], parcel["reaches"])
        yield ResumedParcel(stored, Outcome(**parcel), head["run"] == keys.run)
        start += size
