"""``lawngis check``: what a site has, what is missing, what is broken, without planning anything."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from lawngis.errors import LawngisError

from ..files import rasters
from ..model.catalogue import sentences
from ..model.site import DataAccuracy, dem_error, vector_error
from ..model.site_layers import SITE_LAYERS
from ..model.text import counted, flattened, one_line, unit_word
from .features import check_layer, stored_columns
from .read_options import ReadOptions
from .site_files import SiteFiles, site_files
from .site_settings import EVERYWHERE
from .site_source import SiteSource

T = TypeVar("T")


@dataclass
class SiteReport:
    """Layers, rasters and problems of a site; `usable` when a plan can start from it."""

    site: str
    layers: list[dict[str, Any]] = field(default_factory=list)
    rasters: list[dict[str, Any]] = field(default_factory=list)
    settings: list[dict[str, str]] = field(default_factory=list)
    missing: list[dict[str, str]] = field(default_factory=list)
    complete: dict[str, str] = field(default_factory=dict)
    accuracy: dict[str, str] = field(default_factory=dict)
    problems: list[LawngisError] = field(default_factory=list)
    parcels: int = 0
    failing: dict[str, str] = field(default_factory=dict)
    notes: dict[str, list[str]] = field(default_factory=dict)
    ignored: dict[str, str] = field(default_factory=dict)
    columns_ignored: dict[str, list[str]] = field(default_factory=dict)
    usable: bool = False

    def as_dict(self) -> dict[str, Any]:
        """Return the report for programs."""
        return {**vars(self), "problems": [str(problem) for problem in self.problems]}

    def as_text(self) -> str:
        """Return the report in words."""
        layers = [
            (item["layer"], counted(item["features"], "feature"), item["crs"], item["place"]) for item in self.layers
        ]
        grids = [(item["raster"], item["size"], item["cell"], item["crs"], item["file"]) for item in self.rasters]
        columns = [(layer, ", ".join(names)) for layer, names in self.columns_ignored.items()]
        settings = [(item["key"], item["source"], item["value"]) for item in self.settings]
        missing = [(item["layer"], item["unknown"]) for item in self.missing]
        failing = [(f"parcel {name}", reason) for name, reason in self.failing.items()]
        noticed = [(_parcel_words(ids, self.parcels), note) for note, ids in self.notes.items()]
        complete = [*self.complete.items()] or ([] if self.problems else [("no layer", "say so in site.toml")])
        sections = (
            ("layers", layers),
            ("rasters", grids),
            ("missing; not needed to start, but then the plan cannot know", missing),
            ("said to hold all that is there", complete),
            ("taken to be as good as this; site.toml or the command line says otherwise", [*self.accuracy.items()]),
            ("said of the site", settings),
            ("not read", [*self.ignored.items()]),
            ('columns not read; site.toml takes them: [columns.LAYER] ours = "theirs"', columns),
            ("broken", [(str(problem),) for problem in self.problems]),
            ("can't be planned", failing),
            ("noticed", noticed),
        )
        lines = [f"site {self.site}"]
        for title, rows in sections:
            lines += _section(title, rows)
        return "\n".join([*lines, self._verdict()])

    def _verdict(self) -> str:
        if self.problems:
            return "not usable: mend what is broken, then check again"
        ready = self.parcels - len(self.failing)
        if ready == self.parcels:
            return f"usable: {counted(ready, 'parcel')} can be planned"
        return f"{'usable' if ready else 'not usable'}: {ready} of {counted(self.parcels, 'parcel')} can be planned"


WORDS_MAX = 40
"""Longer words are not lined up with those above and below."""

ROWS_MAX = 30
"""As many lines of a kind are shown; ``--json`` has them all."""


def _section(title: str, rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Return a title and rows below it, their columns lined up, the last one as long as it is."""
    if not rows:
        return []
    clean = [[one_line(str(word)) for word in row] for row in rows]
    widths = [max(min(len(row[column]), WORDS_MAX) for row in clean) for column in range(len(clean[0]) - 1)]
    lines = [
        "  " + "  ".join([*(word.ljust(width) for word, width in zip(row, widths, strict=False)), row[-1]])
        for row in clean[:ROWS_MAX]
    ]
    more = [f"  and {len(rows) - ROWS_MAX} more"] if len(rows) > ROWS_MAX else []
    return [f"{title}:", *lines, *more]


def _parcel_words(ids: list[str], parcels: int) -> str:
    if len(ids) == 1:
        return f"parcel {ids[0]}"
    return "every parcel" if len(ids) == parcels else counted(len(ids), "parcel")


def site_report(
    path: Path,
    layer_names: Mapping[str, str],
    raster_files: Mapping[str, str],
    options: ReadOptions,
    *,
    examples: Path | None = None,
) -> SiteReport:
    """Return what a site has, lacks and breaks; reads everything, writes nothing."""
    report = SiteReport(str(path))
    try:
        files = site_files(path, layer_names=layer_names, raster_files=raster_files, examples=examples)
    except LawngisError as error:
        report.problems.append(error)
        return report
    _list_files(report, files)
    drawn = {"examples": str(examples or "")}
    report.settings += _settings_said(
        files, {"layers": layer_names, "rasters": raster_files, **_said_by(options), **drawn}
    )
    try:
        source = SiteSource(files, options)
    except LawngisError as error:
        if str(error) not in map(str, report.problems):
            report.problems.append(error)
        return report
    report.accuracy |= _accuracy_words(source.options.accuracy)
    _try_parcels(report, source)
    report.usable = len(report.failing) < report.parcels
    return report


def _said_by(options: ReadOptions) -> dict[str, Any]:
    return {"dem_unit": options.dem_unit, "bands": options.bands}


def _settings_said(files: SiteFiles, command_line: Mapping[str, Any]) -> list[dict[str, str]]:
    """Return what holds of what the site's settings and the command line say, and which of them says it.

    Completeness and accuracy have sections of their own.
    """
    own = files.settings.settings.model_dump(exclude={"complete", "accuracy"}, exclude_defaults=True)
    said = {
        key: (source, value if isinstance(value, str) else ", ".join(value))
        for source, values in (("site.toml", own), ("command line", command_line))
        for key, value in flattened(values).items()
        if value
    }
    return [{"key": key, "value": value, "source": source} for key, (source, value) in sorted(said.items())]


def _accuracy_words(accuracy: DataAccuracy) -> dict[str, str]:
    drawn = {"layers": vector_error(accuracy), **{name: vector_error(accuracy, name) for name in accuracy.layers}}
    words = {
        name: f"{error.total_m:.2f} m: survey {error.survey_m:.2f}, feature {error.feature_m:.2f}, "
        f"corner {error.vertex_m:.2f} m"
        for name, error in drawn.items()
    }
    dem = dem_error(accuracy)
    return words | {"dem": f"{dem.sd_m:.2f} m, errors alike over {dem.correlation_m:g} m ({dem.form})"}


def _try_parcels(report: SiteReport, source: SiteSource) -> None:
    report.parcels = len(source.parcel_ids)
    for parcel_id in source.parcel_ids:
        try:
            site = source.site(parcel_id)
        except LawngisError as error:
            report.failing[parcel_id] = str(error)
            continue
        for finding in site.findings:
            if not finding.code.startswith("no-"):
                report.notes.setdefault(finding.said()[0], []).append(parcel_id)


def _list_files(report: SiteReport, files: SiteFiles) -> None:
    """List what is there, and every problem of every layer and raster at once."""
    report.ignored |= files.ignored
    complete = files.settings.settings.complete
    report.complete |= {name: "everywhere" if on == EVERYWHERE else f"inside {on}" for name, on in complete.items()}
    unknown = {name: sentences().part("word", "unknown-without", name) for name in files.absent}
    report.missing += [{"layer": name, "unknown": words} for name, words in unknown.items()]
    for name, place in files.layers.items():
        crs = place.info.crs.name if place.info.crs else "no CRS"
        report.layers.append({"layer": name, "features": place.info.feature_count, "crs": crs, "place": str(place)})
        used = {column.casefold() for column in stored_columns(SITE_LAYERS[name], place)}
        unused = [column for column in place.info.columns if column.casefold() not in used]
        report.columns_ignored |= {name: unused} if unused else {}
        _note_problem(report, partial(check_layer, SITE_LAYERS[name], place))
    for name, file in files.rasters.items():
        info = _note_problem(report, partial(rasters.raster_overview, file))
        if info is not None:
            report.rasters.append(
                {
                    "raster": name,
                    "size": f"{info.width} x {info.height} cells",
                    "cell": f"of {info.res[0]:g} x {info.res[1]:g} {unit_word(info.crs)}",
                    "crs": info.crs.name,
                    "file": file,
                }
            )


def _note_problem(report: SiteReport, look: Callable[[], T]) -> T | None:
    try:
        return look()
    except LawngisError as error:
        report.problems.append(error)
        return None
