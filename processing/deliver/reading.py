"""Plans read back for their documents: one parcel at a time, in its measuring frame, where a unit is a metre."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, partial
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
from pyproj import CRS
from shapely import MultiPolygon, box
from shapely.geometry.base import BaseGeometry

from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame

from ..files import gpkg
from ..files.digests import sha256
from ..files.plan_reader import PlanFile, plan_file, rows_in_frame
from ..model.layers import PLAN_LAYERS
from ..model.plan import Row
from ..model.readiness import readiness_of
from ..model.text import name_of
from .formats import Formats

CONTEXT_LAYERS = ("streets", "hard_surfaces", "buildings", "water", "barriers", "trees", "outlets", "sprinklers")
"""Layers of the site that show where one is, undermost first."""

CONTEXT_MARGIN_M = 4.0
"""As much of the surroundings is shown (common practice, no source)."""


@dataclass(frozen=True)
class ParcelPlan:
    """Plan of one parcel as its documents need it: rows by layer, geometries in the parcel's measuring frame.

    Parameters
    ----------
    parcel_id
        Its name.
    frame
        Measuring frame; y is true north.
    rows
        Layer name to rows; absent values are None, an empty geometry stays empty.
    context
        Layer of the site to geometries around the parcel.
    run_info
        How the plan was made: key to value.
    of_run
        Findings that hold for all parcels of the plan.
    """

    parcel_id: str
    frame: MeasuringFrame
    rows: Mapping[str, Sequence[Row]]
    run_info: Mapping[str, str]
    context: Mapping[str, Sequence[BaseGeometry]] = field(default_factory=dict)
    of_run: Sequence[Row] = ()

    @property
    def summary(self) -> Row:
        """The parcel's row."""
        return self.rows["summary"][0]

    @property
    def outline(self) -> BaseGeometry:
        """The parcel in its frame [m]."""
        return self.summary["geometry"]

    @property
    def title(self) -> str:
        """Name and, where it has one, label."""
        label = name_of(self.summary.get("label") or "")
        return f"{self.parcel_id} · {label}" if label else self.parcel_id

    @property
    def readiness(self) -> str:
        """How ready the plan is to be carried out."""
        return str(self.summary["readiness"])

    @property
    def failed(self) -> bool:
        """Whether nothing but the reason is known."""
        return bool(self.summary["status"] == "failed")

    @cached_property
    def bounds(self) -> tuple[float, float, float, float]:
        """Bounds of the parcel [m]."""
        return self.outline.bounds

    def select(self, layer: str, **where: Any) -> list[Row]:
        """Return the rows of a layer whose columns equal the values given."""
        return [row for row in self.rows.get(layer, ()) if all(row.get(key) == value for key, value in where.items())]


@dataclass(frozen=True, eq=False)
class DocumentSource:
    """A plan with its surroundings, of which so much is read as the parcels at hand need.

    Parameters
    ----------
    plan
        The plan.
    summary
        Its layer of parcels, whole.
    context
        Layer of the site to file and name of the layer.
    """

    plan: PlanFile
    summary: geopandas.GeoDataFrame
    context: Mapping[str, tuple[Path, str]]

    @cached_property
    def of_run(self) -> list[Row]:
        """Findings that hold for all parcels."""
        return self.plan.of_run("findings")

    @cached_property
    def _known(self) -> frozenset[str]:
        return frozenset(self.plan.parcel_ids)

    def parcel(self, parcel_id: str) -> ParcelPlan:
        """Return one parcel's plan; see `parcels`."""
        ((_, plan),) = self.parcels([parcel_id])
        return plan()

    def parcels(self, wanted: Sequence[str]) -> Iterator[tuple[str, Callable[[], ParcelPlan]]]:
        """Yield some parcels, which are read together, each with what makes its plan of the rows.

        That raises a `FeatureError` where somebody left something in the rows that can't be: one parcel's fault is no
        other's.

        Raises
        ------
        ParameterError
            When there is no such parcel.
        """
        for parcel_id in wanted:
            if parcel_id not in self._known:
                there = ", ".join(self.plan.parcel_ids[:8])
                raise ParameterError(
                    f"there is no parcel {parcel_id!r}", where=str(self.plan.path), advice=f"There are {there}."
                )
        shown = self._surroundings(self.summary[self.summary["parcel_id"].isin(wanted)])
        for parcel_id, rows in self.plan.stored_parcels(_OF_PARCELS, wanted):
            yield parcel_id, partial(self._parcel, parcel_id, rows, shown)

    def _parcel(
        self, parcel_id: str, as_left: Mapping[str, Sequence[Row]], around: Mapping[str, geopandas.GeoDataFrame]
    ) -> ParcelPlan:
        stored = {layer: self.plan.sound(layer, rows) for layer, rows in as_left.items()}
        outline = stored["summary"][0]["geometry"]
        place = MultiPolygon([box(0, 0, 1e-6, 1e-6)]) if outline is None or outline.is_empty else outline
        frame = MeasuringFrame.centred_on(place, self.plan.crs)
        rows = {name: rows_in_frame(some, frame) for name, some in stored.items()}
        rows["summary"] = [{**row, "readiness": readiness_of(row)} for row in rows["summary"]]
        outline_m = rows["summary"][0]["geometry"]
        shown = {} if outline_m.is_empty else _context_around(outline_m, frame, around, self.plan.crs)
        facts = self.plan.facts_with(rows["summary"][0]["profile"])
        return ParcelPlan(parcel_id, frame, rows, facts, shown, self.of_run)

    def _surroundings(self, outlines: geopandas.GeoDataFrame) -> dict[str, geopandas.GeoDataFrame]:
        """The site's layers around some parcels."""
        known = outlines.geometry[~(outlines.geometry.is_empty | outlines.geometry.isna())]
        found: dict[str, geopandas.GeoDataFrame] = {}
        for name, (file, layer) in self.context.items():
            source = next((info.crs for info in gpkg.layer_overview(file) if info.name == layer), None)
            if source is None or known.empty:
                continue
            left, bottom, right, top = known.to_crs(source).total_bounds
            reach = CONTEXT_MARGIN_M / (1.0 if source.is_projected else METRES_A_DEGREE_LEAST)
            reach /= source.axis_info[0].unit_conversion_factor if source.is_projected else 1.0
            reach *= 2.0  # grids of the whole Earth stretch a metre
            bounds = (left - reach, bottom - reach, right + reach, top + reach)
            found[name] = gpkg.read_layer(file, layer, columns=(), bbox=bounds)
        return found


METRES_A_DEGREE_LEAST = 20_000.0
"""Of longitude, at 80 degrees of latitude."""


def _context_around(
    outline: BaseGeometry, frame: MeasuringFrame, around: Mapping[str, geopandas.GeoDataFrame], crs: CRS
) -> dict[str, list[BaseGeometry]]:
    wanted = box(*outline.buffer(CONTEXT_MARGIN_M).bounds)
    found: dict[str, list[BaseGeometry]] = {}
    for name, table in around.items():
        source = CRS.from_user_input(table.crs)
        reach = frame.to_source(np.array([wanted], dtype=object))[0]
        if source != crs:
            reach = geopandas.GeoSeries([reach], crs=crs).to_crs(source).iloc[0]
        near = table.geometry.iloc[table.sindex.query(reach)]
        near = near[near.is_valid & ~near.is_empty]
        cut = [shape.intersection(wanted) for shape in frame.to_frame(near.to_numpy(), source)]
        found[name] = [shape for shape in cut if not shape.is_empty]
    return found


_OF_PARCELS = tuple(name for name in PLAN_LAYERS if name != "run_info")


def document_source(path: Path, site: Path | None = None) -> DocumentSource:
    """Return a plan and, as far as they can be had, the layers of its site that show where one is.

    Parameters
    ----------
    path
        ``plan.gpkg``, or the folder that it is in.
    site
        GeoPackage or folder of the site. Default: the inputs named in the plan, as long as they are unchanged.

    Raises
    ------
    SiteError, LayerError
        When a file can't be read.
    PlanError
        When it is no plan: a layer or column of the contract is missing.
    """
    plan = plan_file(path, needed=("zones",), read=_OF_PARCELS)
    plan.locate(_OF_PARCELS)
    context = _named_by_person(site) if site else _named_in_plan(plan.facts)
    return DocumentSource(plan, plan.frame("summary"), context)


def _named_by_person(site: Path) -> dict[str, tuple[Path, str]]:
    files = sorted(site.glob("*.gpkg")) if site.is_dir() else [site]
    if not files:
        raise ParameterError(f"--site {site} has no GeoPackage")
    return {
        info.name.lower(): (file, info.name)
        for file in files
        for info in gpkg.layer_overview(file)
        if info.name.lower() in CONTEXT_LAYERS and info.geometry_type and info.crs
    }


_LAYER_FACT = re.compile(r"(?P<file>.+), layer (?P<layer>.+), (?P<count>\d+) features?, (?P<crs>.*)")


def _named_in_plan(facts: Mapping[str, str]) -> dict[str, tuple[Path, str]]:
    """Inputs by their hash: a file that has changed since then would show what the plan never saw."""
    prefix = "sha256 "
    files = {Path(key.removeprefix(prefix)).name: key for key in facts if key.startswith(prefix)}
    unchanged: dict[str, Path | None] = {}
    places = {}
    for name in CONTEXT_LAYERS:
        match = _LAYER_FACT.match(facts.get(f"layer {name}", ""))
        if match is None:
            continue
        file_name = Path(match["file"]).name
        if file_name not in unchanged:
            unchanged[file_name] = _if_unchanged(files.get(file_name), facts)
        file = unchanged[file_name]
        if file is not None:
            places[name] = (file, match["layer"])
    return places


def _if_unchanged(key: str | None, facts: Mapping[str, str]) -> Path | None:
    if key is None:
        return None
    path = Path(key.removeprefix("sha256 "))
    try:
        return path if path.is_file() and sha256(path) == facts[key] else None
    except OSError:
        return None


def data_sources(facts: Mapping[str, str], formats: Formats) -> list[tuple[str, str]]:
    """Return what the plan was made from: each file with content, dates and hash, whom to name, accuracy assumed.

    Parameters
    ----------
    facts
        The plan's ``run_info``.
    formats
        How dates and lengths are written.
    """
    sources = [
        (file, "; ".join([*content, *_age(dated, file, facts, formats)]))
        for file, (content, dated) in _contents(facts).items()
    ]
    credit = [(f"credit for {layers}", words) for layers, words in credits_of(facts)]
    return sources + credit + [(f"accuracy of {what}", words) for what, words in data_accuracy(facts, formats)]


def credits_of(facts: Mapping[str, str]) -> list[tuple[str, str]]:
    """Return who made the data, under which licence: the layers and rasters, and the words that name them."""
    named: dict[str, list[str]] = {}
    for key, words in facts.items():
        if key.startswith("attribution "):
            named.setdefault(words, []).append(key.removeprefix("attribution "))
    return [(", ".join(layers), words) for words, layers in named.items()]


def credit_lines(facts: Mapping[str, str]) -> list[str]:
    """Return :func:`credits_of` in words, for documents that have one line for each."""
    return [f"Data, {layers}: {words}" for layers, words in credits_of(facts)]


def data_accuracy(facts: Mapping[str, str], formats: Formats) -> list[tuple[str, str]]:
    """Return the accuracy of the data that the plan was computed with: of what, and words."""
    told = {"accuracy.position_sd_m": "mapped edges", "accuracy.dem_sd_m": "elevations"}
    layers = [(key, _LAYER_ACCURACY.fullmatch(key)) for key, value in facts.items() if value != "None"]
    told |= {key: match[1] for key, match in layers if match}
    return [
        (what, f"standard deviation {formats.length(float(facts[key]), 2)}")
        for key, what in told.items()
        if key in facts
    ]


_LAYER_ACCURACY = re.compile(r"accuracy\.layers\.(\w+)\.position_sd_m")


def _contents(facts: Mapping[str, str]) -> dict[str, tuple[list[str], list[str]]]:
    """File to what is in it, and to the dates that this carries; a GeoPackage's layers of one CRS are one piece."""
    files: dict[str, tuple[list[str], list[str]]] = {}
    layers: dict[tuple[str, str], list[str]] = {}
    for key, value in facts.items():
        kind, _, name = key.partition(" ")
        if kind not in ("layer", "raster"):
            continue
        match = _LAYER_FACT.match(value)
        file = _file_name(match["file"] if match else value.partition(", ")[0])
        content, dated = files.setdefault(file, ([], []))
        dated += [facts[f"dated {key}"]] if f"dated {key}" in facts else []
        if match:
            layers.setdefault((file, match["crs"]), []).append(f"{name} ({match['count']})")
        else:
            content.append(f"{name}, {value.partition(', ')[2]}")
    for (file, crs), names in layers.items():
        files[file][0].append(f"{', '.join(names)}; {crs}")
    return files


def _age(dated: Sequence[str], file: str, facts: Mapping[str, str], formats: Formats) -> list[str]:
    days = [formats.day_of(time) for time in sorted({time[:10] for time in dated})]
    words = [f"data dated {days[0]}" if len(days) == 1 else f"data dated {days[0]} to {days[-1]}"] if days else []
    for kind, say in (("modified ", lambda time: f"file of {formats.day_of(time)}"), ("sha256 ", _short_hash)):
        found = [value for key, value in facts.items() if key.startswith(kind) and _file_name(key) == file]
        words += [say(found[0])] if found else []
    return words


def _short_hash(digest: str) -> str:
    return f"SHA-256 {digest[:12]}…"


def _file_name(path: str) -> str:
    """Folders of the machine that planned are nobody's business."""
    return re.split(r"[/\\]", path)[-1].removeprefix("modified ").removeprefix("sha256 ")


def made_by(facts: Mapping[str, str]) -> str:
    """Return version and time of the plan in words."""
    version = facts.get("lawngis version", "of unknown version")
    return f"lawngis {version}, planned {facts.get('finished', 'at an unknown time')[:16].replace('T', ' ')} UTC"
