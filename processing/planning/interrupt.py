"""What a run says when a person breaks it off."""

from __future__ import annotations


class InterruptedRunError(Exception):
    """A person broke the run off; `stored` of `total` parcels are finished and can be resumed."""

    def __init__(self, stored: int, total: int) -> None:
        super().__init__(stored, total)
        self.stored = stored
        self.total = total

    def __str__(self) -> str:
        if not self.stored:
            return "interrupted; nothing was written"
        return f"interrupted; {self.stored} of {self.total} parcels are kept: the same command with --resume goes on"
