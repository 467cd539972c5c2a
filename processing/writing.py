"""Put the results of all parcels together and write them as one GeoPackage, whole or not at all."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import Path

from lawngis import __version__
from lawngis.errors import PlanError

from . import gpkg
from .layers import PLAN_LAYERS
from .plans import Row, table
from .portfolio import ParcelResult
from .source import SiteSource
from .words import counted
from .workflow import Settings

HASH_BLOCK = 1 << 20


def plan_file(out: Path) -> Path:
    """Return where the plan goes, after making sure that something can be written there.

    Raises
    ------
    PlanError
        When the folder can't be made or written to, or what lies there can't be replaced.
    """
    if out.exists() and not out.is_dir():
        raise PlanError("is a file, but the plan needs a folder", where=str(out), advice="Name a folder with --out.")
    target = out / "plan.gpkg"
    try:
        gpkg.refuse_unwritable(target)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise PlanError(
            f"can't be written to ({reason})", where=str(out), advice="Name another folder with --out."
        ) from error
    return target


def refuse_inputs(target: Path, source: SiteSource) -> None:
    """Refuse a target that is one of the inputs.

    Raises
    ------
    PlanError
        Naming the file that would be overwritten.
    """
    for path in source.files.inputs:
        if path.exists() and target.exists() and path.samefile(target):
            raise PlanError("would overwrite an input", where=str(target), advice="Name another folder with --out.")


def write_plan(path: Path, results: Iterable[ParcelResult], run_info: Sequence[Row], source: SiteSource) -> None:
    """Write the layers of all parcels to `path`.

    Raises
    ------
    PlanError
        When it can't be written; what was there before is then untouched.
    """
    rows: dict[str, list[Row]] = {name: [] for name in PLAN_LAYERS}
    for result in results:
        for name, some in result.rows.items():
            rows[name] += some
    rows["run_info"] = list(run_info)
    tables = {name: table(spec, rows[name], source.crs) for name, spec in PLAN_LAYERS.items()}
    gpkg.write_plan(path, tables, tuple(PLAN_LAYERS.values()), crs=source.crs)


def run_info(source: SiteSource, settings: Settings, started: datetime, finished: datetime) -> list[Row]:
    """Return what somebody needs to make the same plan again: version, parameters, inputs, times."""
    facts: dict[str, str] = {
        "lawngis version": __version__,
        "started": started.isoformat(timespec="seconds"),
        "finished": finished.isoformat(timespec="seconds"),
        **_flat("profile", settings.mower.model_dump(mode="json")),
        **_flat("accuracy", source.options.accuracy.model_dump(mode="json")),
        **_input_facts(source),
    }
    for step, values in settings.parameters.items():
        facts |= _flat(f"step {step}", dict(values))
    return [{"parcel_id": None, "key": key, "value": value} for key, value in facts.items()]


def _input_facts(source: SiteSource) -> dict[str, str]:
    facts: dict[str, str] = {}
    for name, place in source.files.layers.items():
        crs = place.info.crs
        facts[f"layer {name}"] = (
            f"{place}, {counted(place.info.feature_count, 'feature')}, {crs.name if crs else 'no CRS'}"
        )
    for name, file in source.files.rasters.items():
        info = source.raster_info[name]
        facts[f"raster {name}"] = f"{file}, {info.width} x {info.height} cells of {info.res[0]:g}, {info.crs.name}"
    for path in source.files.inputs:
        if path.is_file():
            facts[f"sha256 {path}"] = sha256(path)
    return facts


def sha256(path: Path) -> str:
    """Return a file's SHA-256 in hexadecimal."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(HASH_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def _flat(prefix: str, values: Mapping[str, object]) -> dict[str, str]:
    flat: dict[str, str] = {}
    for key, value in values.items():
        if isinstance(value, Mapping):
            flat |= _flat(f"{prefix}.{key}", value)
        else:
            flat[f"{prefix}.{key}"] = str(value)
    return flat
