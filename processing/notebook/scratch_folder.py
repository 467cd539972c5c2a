"""A folder for results that nobody has named a place for: it goes when nothing needs it any more."""

from __future__ import annotations

import shutil
import tempfile
import weakref
from pathlib import Path

from lawngis.errors import PlanError

from ..files.atomic import write_problem


class ScratchFolder:
    """A new folder, which is removed with the last that holds this object, or when the program ends.

    Raises
    ------
    PlanError
        When the disk doesn't take it.
    """

    def __init__(self) -> None:
        try:
            self.path = Path(tempfile.mkdtemp(prefix="lawngis-"))
        except OSError as error:
            place = tempfile.gettempdir()
            raise PlanError(
                f"no folder can be made ({write_problem(error, Path(place))})",
                where=place,
                advice="Name another place for such folders in the environment variable TMPDIR.",
            ) from error
        weakref.finalize(self, shutil.rmtree, self.path, ignore_errors=True)
