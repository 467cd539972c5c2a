"""A process of the server: a command of this environment, in a folder of the job's own."""

from __future__ import annotations

import base64
import json
import shutil
import sys
import time
from collections.abc import Callable, Mapping
from copy import deepcopy
from pathlib import Path
from typing import Any

from pygeoapi.process.base import BaseProcessor, ProcessorExecuteError

from lawngis.errors import LawngisError

from ..plugin.command_line import command_words
from ..plugin.running import run
from .inputs import received

COMMAND = (sys.executable, "-I", "-m", "lawngis.processing.cli.main")

SECONDS_MAX = 3600.0
"""A job that takes longer is ended."""

_LIMITS = {"RLIMIT_AS": 12 * 2**30, "RLIMIT_FSIZE": 4 * 2**30, "RLIMIT_CORE": 0}
"""Memory and size of a file that a job may use [bytes]; no system but Linux limits another process."""

_RESULT = {"plan": "out/plan.gpkg", "slope": "slope.tif"}


class Canceled(Exception):  # noqa: N818  # it is no error
    """Somebody ended the job."""


class CommandProcessor(BaseProcessor):
    """A process description that runs.

    Parameters
    ----------
    processor_def
        What the configuration says: `process`, the `descriptions` file, the `work` folder, `allow_remote`.
    """

    def __init__(self, processor_def: Mapping[str, Any]) -> None:
        texts = json.loads(Path(processor_def["descriptions"]).read_text(encoding="utf-8"))
        described = texts[processor_def["process"]]
        super().__init__(processor_def, deepcopy(described))  # the server changes what it is given
        self._described = described
        self._work = Path(processor_def["work"])
        self._allow_remote = bool(processor_def["allow_remote"])
        self._job_id = ""
        self.as_document = False
        self.progress: Callable[[float, str], None] = lambda share, text: None
        self.canceled: Callable[[], bool] = lambda: False

    def set_job_id(self, job_id: str) -> None:
        """Take the name of the job."""
        self._job_id = job_id

    def execute(self, data: Any, outputs: Any = None) -> tuple[str, bytes | dict[str, str]]:
        """Run the command, and return the media type and content of what it made; nothing of it stays.

        In a document of JSON the content is in base64.

        Raises
        ------
        ProcessorExecuteError
            With what is wrong with the request, or what the command says.
        """
        del outputs
        folder = self._work / self._job_id
        folder.mkdir()
        try:
            media, content = self._made(data, folder)
        except LawngisError as error:
            raise ProcessorExecuteError(user_msg=str(error)) from error
        finally:
            shutil.rmtree(folder, ignore_errors=True)
        if not self.as_document:
            return media, content
        value = base64.b64encode(content).decode()
        document = {"id": "out", "mediaType": media, "encoding": "base64", "value": value}
        return "application/json", document

    def _made(self, data: Any, folder: Path) -> tuple[str, bytes]:
        values = received(self._described, data, folder, allow_remote=self._allow_remote)
        name = self._described["id"]
        result = folder / _RESULT.get(name, "out.gpkg")
        values["out"] = "out" if name == "plan" else result.name
        errors: list[str] = []

        def told(said: Mapping[str, Any]) -> None:
            if said["kind"] == "progress":
                words = (said.get("parcel"), said.get("step"))
                self.progress(said["share"], ": ".join(word for word in words if word) or str(said["text"]))
            elif said["kind"] == "error":
                errors.append(str(said["text"]))

        words = [*COMMAND, *command_words(self._described, values)]
        words.insert(words.index("--"), "--messages=json")
        end = time.monotonic() + SECONDS_MAX
        code, _ = run(words, told, lambda: self.canceled() or time.monotonic() > end, folder=str(folder), limit=_limit)
        if code is None:
            raise Canceled if self.canceled() else ProcessorExecuteError(user_msg=f"took more than {SECONDS_MAX:.0f} s")
        if not result.is_file():
            raise ProcessorExecuteError(user_msg="; ".join(errors) or f"lawngis ended with {code}")
        return self._described["outputs"]["out"]["schema"]["contentMediaType"], result.read_bytes()


def _limit(process: int) -> None:
    try:
        import resource
    except ImportError:  # a system that has none
        return
    if hasattr(resource, "prlimit"):
        for name, most in _LIMITS.items():
            resource.prlimit(process, getattr(resource, name), (most, most))
