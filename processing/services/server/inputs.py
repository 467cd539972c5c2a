"""What a request brings, made into files of the job's own folder and plain values. A request is a stranger's.

Files come by value; by reference only where that is allowed. No text may lead anywhere: neither to another folder nor
to a file that the request didn't bring.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from lawngis.errors import ParameterError, SiteError

from ...files.remote import Limits, Server, is_address
from ..plugin.command_line import GEOPACKAGE, GEOTIFF

FILE_MAX_MB = 200
"""Largest file of a request."""

TEXT_MAX = 1000
"""Longest text of a request that is no file."""

_ENDINGS = {
    GEOPACKAGE: ".gpkg",
    GEOTIFF: ".tif",
    "application/toml": ".toml",
    "text/csv": ".csv",
}


def received(
    described: Mapping[str, Any], given: Mapping[str, Any], folder: Path, *, allow_remote: bool = False
) -> dict[str, Any]:
    """Return the values of a request; its files are in the folder, and a value is then the file's name.

    Parameters
    ----------
    described
        Process description.
    given
        Inputs of the request.
    folder
        The job's own.
    allow_remote
        Whether files may come by reference.

    Raises
    ------
    ParameterError
        When an input is unknown, missing, too large, or none that the description allows.
    """
    inputs = described["inputs"]
    for name in given:
        if name not in inputs:
            raise ParameterError(f"{described['id']} has no input {name!r}", advice=f"It has {', '.join(inputs)}.")
    missing = [name for name, said in inputs.items() if said["minOccurs"] and name not in given]
    if missing:
        raise ParameterError(f"{described['id']} needs {', '.join(missing)}")
    return {name: _value(name, inputs[name]["schema"], value, folder, allow_remote) for name, value in given.items()}


def _value(name: str, schema: Mapping[str, Any], value: Any, folder: Path, allow_remote: bool) -> Any:
    kinds = schema.get("oneOf", [schema])
    content = next((kind for kind in kinds if "contentMediaType" in kind), None)
    if content is not None and value not in kinds[0].get("enum", ()):
        file = folder / f"{name}{_ENDINGS[content['contentMediaType']]}"
        file.write_bytes(_content(name, content, value, allow_remote))
        return file.name
    _refuse_unlike(name, kinds[0], value)
    return value


def _content(name: str, schema: Mapping[str, Any], value: Any, allow_remote: bool) -> bytes:
    """Return the bytes of a file that came by value, or by reference."""
    if isinstance(value, Mapping) and "href" in value:
        if not allow_remote:
            raise ParameterError(
                f"{name} comes by reference, and this server follows none",
                advice="Send the file itself, in base64; `lawngis serve --allow-remote` follows addresses.",
            )
        return _fetched(name, str(value["href"]))
    plain = value.get("value") if isinstance(value, Mapping) else value
    if not isinstance(plain, str):
        raise ParameterError(f"{name} is no file: send its content as text", advice=str(schema["contentMediaType"]))
    if schema.get("contentEncoding") != "base64":
        return plain.encode()
    try:
        return base64.b64decode("".join(plain.split()), validate=True)
    except (binascii.Error, ValueError) as error:
        raise ParameterError(f"{name} is not in base64") from error


def _fetched(name: str, address: str) -> bytes:
    """Return what lies at a web address; none of another kind is followed, and none on to another server."""
    if not is_address(address):
        raise ParameterError(f"{name}: an address begins with http:// or https://")
    most = FILE_MAX_MB << 20
    server: Server | None = None
    try:
        server = Server(address, Limits(answer_bytes=most))
        return server.document(address, accept="*/*").body
    except SiteError as error:
        if server is not None and server.bytes_read > most:
            raise ParameterError(f"{name} has more than {FILE_MAX_MB} MB") from error
        raise ParameterError(f"{name} could not be fetched: its address {error.what}") from error


def _refuse_unlike(name: str, schema: Mapping[str, Any], value: Any) -> None:
    """Refuse what isn't of the type described, and texts that could lead to a file of this machine.

    Bounds are the command's own to refuse.
    """
    if value is None and schema.get("nullable"):
        return
    kinds = {"string": str, "boolean": bool, "integer": int, "number": (int, float), "array": Sequence}
    kind: Any = kinds[schema["type"]]
    if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
        raise ParameterError(f"{name} = {value!r} is no {schema['type']}")
    if isinstance(value, str):
        allowed = schema.get("enum")
        if allowed and value not in allowed:
            raise ParameterError(f"{name} = {value!r} is none of {', '.join(allowed)}")
        if len(value) > TEXT_MAX or not value.isprintable() or any(sign in value for sign in "/\\"):
            raise ParameterError(f"{name}: a text has up to {TEXT_MAX} letters and names no place on a disk")
    elif isinstance(value, Sequence):
        if len(value) > TEXT_MAX:
            raise ParameterError(f"{name} has more than {TEXT_MAX} entries")
        for item in value:
            _refuse_unlike(name, schema["items"], item)
