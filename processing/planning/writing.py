"""What goes into the plan beside the steps' rows: its place, findings between neighbours, and facts of the run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Protocol

from lawngis import __version__
from lawngis.errors import PlanError

from ..files import gpkg
from ..files.digests import sha256
from ..model.plan import Row
from ..model.text import counted, unit_word
from ..reading.dates import data_dates
from ..reading.site_source import SiteSource
from ..steps.workflow import Settings


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


class Finished(Protocol):
    """A planned parcel, without the findings that come of its neighbours."""

    def columns(self) -> dict[str, gpkg.RawColumns]:
        """Return its rows by layer, column by column."""


def merged(
    parcels: Mapping[str, Finished], neighbour_rows: Mapping[str, Sequence[Row]]
) -> Iterator[dict[str, gpkg.RawColumns]]:
    """Yield the rows of each parcel, with the findings of its neighbours' loops.

    Parameters
    ----------
    parcels
        By name, in the order of the plan.
    neighbour_rows
        Rows of `findings`, without their names, by parcel.
    """
    for parcel_id, parcel in parcels.items():
        layers = parcel.columns()
        findings = layers.setdefault("findings", gpkg.RawColumns())
        more = [
            {**row, "finding_id": f"{parcel_id}-F{number}"}
            for number, row in enumerate(neighbour_rows.get(parcel_id, ()), len(findings) + 1)
        ]
        if more:
            findings.extend(gpkg.raw_columns(more, "findings"))
        yield layers


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
        cell = f"{info.res[0]:g} {unit_word(info.crs)}"
        facts[f"raster {name}"] = f"{file}, {info.width} x {info.height} cells of {cell}, {info.crs.name}"
    for path in source.files.inputs:
        if path.is_file():
            facts[f"sha256 {path}"] = sha256(path)
    return facts | data_dates(source.files)


def _flat(prefix: str, values: Mapping[str, object]) -> dict[str, str]:
    flat: dict[str, str] = {}
    for key, value in values.items():
        if isinstance(value, Mapping):
            flat |= _flat(f"{prefix}.{key}", value)
        else:
            flat[f"{prefix}.{key}"] = str(value)
    return flat
