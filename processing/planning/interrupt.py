"""What a run says when a person breaks it off."""

from __future__ import annotations


class InterruptedRunError(Exception):
    """A person broke the run off; `kept` of `total` parcels are finished and kept."""

    def __init__(self, kept: int, total: int) -> None:
        super().__init__(kept, total)
        self.kept = kept
        self.total = total

    def __str__(self) -> str:
        if not self.kept:
            return "interrupted; nothing was written"
        return f"interrupted; {self.kept} of {self.total} parcels are kept: the same command with --resume goes on"
