"""Write ``plan.gpkg`` from the rows of all parcels, whole or not at all, with facts of the run."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

from pyproj import CRS

from lawngis import __version__
from lawngis.errors import PlanError, RasterError
from lawngis.prices import price_book_from

from ..edited.written_records import stored_rows_info
from ..files import gpkg
from ..files.digests import sha256
from ..files.project_encoding import Photo, relative_source
from ..model.contract import Layer
from ..model.plan import SEVERITIES_IN_ORDER, Row
from ..model.text import counted, flattened, unit_word
from ..reading.dates import data_dates
from ..reading.read_options import band_numbers
from ..reading.site_source import SiteSource
from ..steps.workflow import Settings
from .base_plan import CHOICE_FACT
from .made_from import SAID

BATCH_ROWS = 20_000
"""A layer's rows are written when there are this many: each turn costs about as much as writing a thousand."""

WAITING_ROWS_MAX = 50_000
"""Rows of all layers that may wait in memory."""

RECORDS_MAX = 1_000
"""Parcels' rows of `run_info` that wait for those of the whole run, which come first if they can: each is long."""


def refuse_inputs(target: Path, source: SiteSource) -> None:
    """Refuse a target that is one of the inputs.

    Raises
    ------
    PlanError
        Naming the file that would be overwritten.
    """
    if source.files.is_input(target):
        raise PlanError("would overwrite an input", where=str(target), advice="Name another folder with --out.")


@dataclass(frozen=True, eq=False)
class PlanWriter:
    """How the file is written: its layers, its CRS, and what is carried over from an earlier one.

    Parameters
    ----------
    specs
        Declarations of all layers, with columns that a person added.
    crs
        CRS of the rows.
    styles
        Digests of the styles in the plan that is there, of which all that isn't ours is carried over; None carries
        nothing.
    touched
        Parcels that somebody edited and that are taken over as they are.
    photo
        The image that the file's map lies on, if there is one.
    """

    specs: Mapping[str, Layer]
    crs: CRS
    styles: Mapping[str, str] | None = None
    touched: Collection[str] = ()
    photo: Photo | None = None

    def write(
        self, path: Path, results: Iterable[Mapping[str, gpkg.RawColumns]], run_info: Callable[[], Iterable[Row]]
    ) -> None:
        """Write the rows of all parcels, some parcels at a time.

        Parameters
        ----------
        path
            Target.
        results
            Rows by layer of each parcel.
        run_info
            Returns rows about the whole run; called when all parcels are written.

        Raises
        ------
        PlanError
            When it can't be written; what was there before is then untouched.
        """
        gpkg.write_plan_batches(
            path,
            self._batches(results, run_info),
            tuple(self.specs.values()),
            crs=self.crs,
            last=self._touchstones,
            styles=self.styles,
            finish=lambda draft: gpkg.write_project(draft, path.name, tuple(self.specs.values()), self.crs, self.photo),
        )

    def _touchstones(self, draft: Path) -> dict[str, gpkg.Columns]:
        rows = stored_rows_info(draft, self.specs, touched=self.touched)
        return self._columns({"run_info": gpkg.raw_columns(rows, "run_info")})

    def _batches(
        self, results: Iterable[Mapping[str, gpkg.RawColumns]], run_info: Callable[[], Iterable[Row]]
    ) -> Iterator[dict[str, gpkg.Columns]]:
        """Yield rows by layer: a layer when there are enough of its rows, all when too many wait."""
        waiting: dict[str, gpkg.RawColumns] = {}
        of_parcels = gpkg.RawColumns()
        for result in results:
            for name, rows in result.items():
                (of_parcels if name == "run_info" else waiting.setdefault(name, gpkg.RawColumns())).extend(rows)
            enough = BATCH_ROWS if sum(rows.rows for rows in waiting.values()) < WAITING_ROWS_MAX else 1
            many = {name: waiting.pop(name) for name, rows in tuple(waiting.items()) if rows.rows >= enough}
            if of_parcels.rows >= RECORDS_MAX:
                many["run_info"], of_parcels = of_parcels, gpkg.RawColumns()
            if many:
                yield self._columns(many)
        of_run = gpkg.raw_columns(list(run_info()), "run_info")
        of_run.extend(of_parcels)
        yield self._columns({**waiting, "run_info": of_run})

    def _columns(self, layers: Mapping[str, gpkg.RawColumns]) -> dict[str, gpkg.Columns]:
        return {name: gpkg.declared_columns(rows, self.specs[name]) for name, rows in layers.items() if rows.rows}


def photo_under(source: SiteSource, folder: Path) -> Photo | None:
    """Return the image of a site as a map in a folder shows it; none if it is no single file, or of unknown bands."""
    file = Path(source.files.rasters.get("imagery", ""))
    if not file.is_file() or "imagery" in source.files.tiles:
        return None
    info = source.raster_info["imagery"]
    try:
        number = band_numbers(source.options.bands, info.bands, str(file))
        bands = (number["red"], number["green"], number["blue"])
    except (RasterError, KeyError):  # parcels that need it say so
        return None
    return Photo(relative_source(file, folder), info.crs, bands)


class Finished(Protocol):
    """A planned parcel, without the findings that come of its neighbours."""

    def columns(self) -> dict[str, gpkg.RawColumns]:
        """Return its rows by layer, column by column."""


def merged(
    parcels: Mapping[str, Finished], neighbour_rows: Mapping[str, Sequence[Row]]
) -> Iterator[dict[str, gpkg.RawColumns]]:
    """Yield the rows of each parcel, with the findings of its neighbours' loops; last the findings on the whole run.

    What holds for the whole run every parcel's plan finds anew; it is said once.

    Parameters
    ----------
    parcels
        By name, in the order of the plan.
    neighbour_rows
        Rows of `findings`, without their names, by parcel.
    """
    said = RunFindings()
    for parcel_id, parcel in parcels.items():
        layers = parcel.columns()
        own = said.taken_out(layers.get("findings", gpkg.RawColumns()))
        more = [
            {**row, "finding_id": f"{parcel_id}-F{number}"}
            for number, row in enumerate(neighbour_rows.get(parcel_id, ()), own.rows + 1)
        ]
        findings = gpkg.RawColumns()
        for some in (own, gpkg.raw_columns(more, "findings")):
            findings.extend(some)
        yield {**layers, "findings": findings}
    yield {"findings": gpkg.raw_columns(said.rows, "findings")}


class RunFindings:
    """Findings that hold for a whole run, each once however many parcels have it.

    Parameters
    ----------
    rows
        Rows of `findings` to begin with.
    """

    def __init__(self, rows: Sequence[Row] = ()) -> None:
        self._said: dict[tuple[Any, ...], Row] = {}
        self.add(rows)

    def add(self, rows: Iterable[Row]) -> None:
        """Add rows that aren't there yet."""
        for row in rows:
            self._said.setdefault(tuple(row.get(name) for name in SAID), row)

    def taken_out(self, findings: gpkg.RawColumns) -> gpkg.RawColumns:
        """Add those of a parcel's findings that hold for the whole run, and return the others."""
        parcels = findings.values.get("parcel_id", [])
        of_run = [parcel_id is None for parcel_id in parcels]
        if not any(of_run):
            return findings
        self.add(findings.where(of_run).as_rows())
        return findings.where([not some for some in of_run])

    @property
    def rows(self) -> list[Row]:
        """The rows, the gravest first, with names of their own."""
        ordered = sorted(self._said.values(), key=lambda row: SEVERITIES_IN_ORDER.index(row["severity"]))
        return [{**row, "finding_id": f"F{number}"} for number, row in enumerate(ordered, start=1)]


def run_info(source: SiteSource, settings: Settings, started: datetime, finished: datetime) -> list[Row]:
    """Return what somebody needs to make the same plan again: version, parameters, inputs, times."""
    facts: dict[str, str] = {
        "lawngis version": __version__,
        "started": started.isoformat(timespec="seconds"),
        "finished": finished.isoformat(timespec="seconds"),
        **_mower_facts(settings),
        **({"draws": str(settings.draws), "draw seed": str(settings.draw_seed)} if settings.draws else {}),
        **_facts("accuracy", source.options.accuracy.model_dump(mode="json")),
        **_price_facts(settings),
        **_input_facts(source),
    }
    for step, values in settings.parameters.items():
        facts |= _facts(f"step {step}", values)
    return [{"parcel_id": None, "key": key, "value": value} for key, value in facts.items()]


def _mower_facts(settings: Settings) -> dict[str, str]:
    """Return the profile of the mower; of each, where parcels have the least costly of several."""
    if not settings.choice:
        return _facts("profile", settings.mower.model_dump(mode="json"))
    facts = {CHOICE_FACT: ", ".join(mower.name for mower in settings.mowers)}
    for mower in settings.mowers:
        facts |= _facts(f"profile {mower.name}", mower.model_dump(mode="json"))
    return facts


def _price_facts(settings: Settings) -> dict[str, str]:
    """Return in which currency the plan's prices are, and whether they are an invented example's."""
    prices = price_book_from(settings.parameters.get("materials", {}).get("price_book"))
    return {"prices.currency": prices.currency, "prices.example": str(prices.example)}


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
    for name, words in source.files.settings.settings.attribution.items():
        facts[f"attribution {name}"] = words
    for path in source.files.inputs:
        if path.is_file():
            facts[f"sha256 {path}"] = sha256(path)
    return facts | data_dates(source.files)


def _facts(prefix: str, values: Mapping[str, Any]) -> dict[str, str]:
    return {key: str(value) for key, value in flattened(values, f"{prefix}.").items()}
