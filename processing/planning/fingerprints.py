"""What a result depends on, as hashes: the same fingerprint promises the same plan."""

from __future__ import annotations

import hashlib
import pickle
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from functools import cache, lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely
from pydantic import BaseModel
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from lawngis import __version__
from lawngis.geometry.frame import MeasuringFrame

from ..files.digests import sha256
from ..measured.overrides import Override
from ..measured.site_facts import facts_of
from ..model.site import Site
from ..model.step import registered_steps
from ..steps.workflow import Settings

FINGERPRINT_LENGTH = 32

CODE = (".py", ".toml")
"""Endings of files that results depend on: code, profiles, and the example books that are the defaults."""

COMPUTING = ("numpy", "scipy", "shapely", "pyproj", "rasterio", "scikit-image", "contourpy", "pvlib")
"""Packages whose results go into plans."""


def site_fingerprint(site: Site, overrides: Sequence[Override] = ()) -> str:
    """Return the fingerprint of everything that steps see of a parcel: of overrides, what they say of it."""
    return _digest([site, facts_of(site, overrides)])


def settings_fingerprint(settings: Settings, options: object) -> str:
    """Return the fingerprint of mower, parameters, reading options, and the program that computes.

    Overrides are not in it: each belongs to a parcel.
    """
    files = [sha256(path) for path in _files_named(settings.parameters)]
    draws = (settings.draws, settings.draw_seed) if settings.draws else ()
    return _digest([settings.mower, settings.choice, settings.parameters, files, draws, options, _program()])


def files_fingerprint(files: list[Path]) -> str:
    """Return the fingerprint of files' contents, whatever their names."""
    return _digest([sha256(path) for path in files if path.is_file()])


def _files_named(parameters: Mapping[str, Mapping[str, Any]]) -> list[Path]:
    """Return the files that parameters name, such as price books: what is in them counts as well."""
    values = (str(value) for own in parameters.values() for value in own.values() if isinstance(value, str | Path))
    return [Path(word.strip()) for value in values for word in value.split(",") if _is_file(word.strip())]


def _is_file(word: str) -> bool:
    try:
        return Path(word).is_file()
    except OSError:  # too long for a name
        return False


@lru_cache(maxsize=1)
def _program() -> str:
    """Return the fingerprint of this program: its version, its own code, and the packages that steps come from."""
    import lawngis

    folders = [Path(next(iter(lawngis.__path__))), Path(__file__).parents[1]]
    texts = [path.read_bytes() for folder in folders for path in sorted(folder.rglob("*")) if path.suffix in CODE]
    steps = [(name, entry.value, entry.dist and entry.dist.version) for name, entry in registered_steps().items()]
    return _digest([__version__, texts, [str(step) for step in steps], [version(name) for name in COMPUTING]])


def _digest(value: Any) -> str:
    digest = hashlib.sha256()
    _feed(digest, value)
    return digest.hexdigest()[:FINGERPRINT_LENGTH]


def _feed(digest: Any, value: Any) -> None:
    """Add a value, with its kind and its length, so that no two different values add the same bytes."""
    kind: type = type(value)
    known = _feed_of(kind)
    if known is not None:
        name, feed = known
        digest.update(name)
        feed(digest, value)
        return
    if is_dataclass(value):
        digest.update(f"<{type(value).__name__} ".encode())
        _feed(digest, {field.name: getattr(value, field.name) for field in fields(value)})
        return
    _bytes(digest, pickle.dumps(value))  # of an unknown kind; at worst a parcel is planned again


@cache
def _feed_of(kind: type) -> tuple[bytes, Callable[[Any, Any], None]] | None:
    """Return under which name, and how, values of a kind are added; None for an unknown kind."""
    for known, feed in _FEEDS:
        if issubclass(kind, known):
            return f"<{known.__name__ if isinstance(known, type) else 'plain'} ".encode(), feed
    return None


def _bytes(digest: Any, value: bytes) -> None:
    digest.update(f"{len(value)} ".encode())
    digest.update(value)


def _array(digest: Any, value: Any) -> None:
    if value.dtype == object:
        _feed(digest, value.tolist())
        return
    digest.update(f"{value.dtype.str}{value.shape}".encode())
    _bytes(digest, np.ascontiguousarray(value).tobytes())


def _frame_of_data(digest: Any, value: pd.DataFrame) -> None:
    for name in value.columns:
        _feed(digest, str(name))
        column = value[name]
        _feed(digest, _geometries(column) if column.dtype == "geometry" else column.to_numpy())


def _geometries(column: Any) -> list[bytes | None]:
    return list(shapely.to_wkb(column.to_numpy()))


def _sequence(digest: Any, value: Any) -> None:
    digest.update(f"{len(value)} ".encode())
    for item in value:
        _feed(digest, item)


def _mapping(digest: Any, value: Mapping[Any, Any]) -> None:
    _sequence(digest, [part for key in sorted(value, key=str) for part in (str(key), value[key])])


_FEEDS: tuple[tuple[Any, Any], ...] = (
    (bytes, _bytes),
    (BaseGeometry, lambda digest, value: _bytes(digest, bytes(shapely.to_wkb(value) or b""))),
    (pd.DataFrame, _frame_of_data),
    (np.ndarray, _array),
    (BaseModel, lambda digest, value: _mapping(digest, value.model_dump(mode="json"))),
    (CRS, lambda digest, value: _bytes(digest, value.srs.encode())),
    (
        MeasuringFrame,
        lambda digest, value: _feed(digest, [value.source, value.longitude_deg, value.latitude_deg]),
    ),
    (Mapping, _mapping),
    ((str, bool, int, float, np.generic, type(None)), lambda digest, value: _bytes(digest, repr(value).encode())),
    ((list, tuple), _sequence),  # Affine is a tuple
)
