"""Serve processes and a plan's layers until somebody ends it; nothing of it stays."""

from __future__ import annotations

import json
import logging
import os
import socket
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lawngis.errors import ParameterError

from ..files.plan_reader import plan_file
from ..model import messages

REQUEST_MAX_MB = 500
"""Largest request: files are in base64 there."""

LOOPBACK = ("127.0.0.1", "::1", "localhost")


@dataclass(frozen=True)
class Wishes:
    """How somebody wants it served: host and port, address from outside, whether addresses in requests are followed."""

    host: str = "127.0.0.1"
    port: int = 8765
    url: str | None = None
    allow_remote: bool = False


def serve(
    processes: Sequence[Mapping[str, Any]], plan: Path | None, wishes: Wishes, begun: Callable[[str], None]
) -> None:
    """Serve until this process is asked to end; then running jobs end, and their folder goes.

    Parameters
    ----------
    processes
        Descriptions of what can be run.
    plan
        Plan whose layers are served.
    wishes
        How.
    begun
        Is told the address once it answers.

    Raises
    ------
    ParameterError
        When the server isn't installed, there is no such plan, or the port is taken.
    """
    try:
        import pygeoapi
        from werkzeug.serving import make_server
    except ImportError as error:
        raise ParameterError(
            f"serving needs {error.name}, which isn't installed", advice="pip install 'lawngis[server]'"
        ) from error
    del pygeoapi
    for warning in _warnings(wishes):
        messages.note(warning)
    with (
        _listening(wishes) as place,
        tempfile.TemporaryDirectory(prefix="lawngis-serve-", ignore_cleanup_errors=True) as work,
    ):
        application, end_all = _application(processes, plan, wishes, Path(work))
        server = make_server(wishes.host, wishes.port, application, threaded=True, fd=place.fileno())
        try:
            begun(_address(wishes))
            server.serve_forever()
        finally:
            end_all()
            server.server_close()


def _listening(wishes: Wishes) -> socket.socket:
    family = socket.AF_INET6 if ":" in wishes.host else socket.AF_INET
    try:
        return socket.create_server((wishes.host, wishes.port), family=family)
    except OSError as error:
        raise ParameterError(
            f"nothing can listen to {wishes.host}, port {wishes.port} ({error.strerror})",
            advice="Name another with --port.",
        ) from error


def _warnings(wishes: Wishes) -> list[str]:
    """Return what the wishes mean for this machine, where others than its own people reach it or are reached by it."""
    open_to_others = (
        f"whoever reaches {wishes.host} reads the plan and has work done on this machine: there is no password and no"
        " encryption; put a proxy that has both before it"
    )
    fetching = "this machine fetches what requests name, from its own network too"
    return [open_to_others] * (wishes.host not in LOOPBACK) + [fetching] * wishes.allow_remote


def _address(wishes: Wishes) -> str:
    host = f"[{wishes.host}]" if ":" in wishes.host else wishes.host
    return (wishes.url or f"http://{host}:{wishes.port}").rstrip("/")


def _application(
    processes: Sequence[Mapping[str, Any]], plan: Path | None, wishes: Wishes, work: Path
) -> tuple[Any, Callable[[], None]]:
    """Return the server's application, which reads how it is configured when it is loaded, and what ends its jobs."""
    from .server.configuration import Place, configuration, served
    from .server.jobs import end_all

    file = None if plan is None else plan_file(plan).path.absolute()
    said = {one["id"]: served(one, allow_remote=wishes.allow_remote) for one in processes}
    descriptions = work / "processes.json"
    descriptions.write_text(json.dumps(said), encoding="utf-8")
    place = Place(wishes.host, wishes.port, _address(wishes), work, wishes.allow_remote)
    config = configuration(place, descriptions, list(said), file)
    os.environ["PYGEOAPI_CONFIG"] = str(work / "server.json")
    os.environ["PYGEOAPI_OPENAPI"] = str(work / "openapi.json")
    (work / "server.json").write_text(json.dumps(config), encoding="utf-8")  # what reads YAML reads JSON
    from pygeoapi.openapi import get_oas

    (work / "openapi.json").write_text(json.dumps(get_oas(config)), encoding="utf-8")
    from pygeoapi.flask_app import APP

    # Requests are not logged, and what is wrong with one is told to whoever sent it.
    for name, level in (("werkzeug", logging.ERROR), ("pygeoapi.process.manager.base", logging.CRITICAL)):
        logging.getLogger(name).setLevel(level)
    APP.config["MAX_CONTENT_LENGTH"] = REQUEST_MAX_MB * 2**20
    return APP, end_all
