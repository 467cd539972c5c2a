"""One step alone, on layers in a file: what it reads is taken from there, what it writes put into another file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path

from shapely import Point

from lawngis.errors import LayerError, ParameterError, SiteError

from ..edited.earlier_plan import EarlierParcel, EarlierPlan, earlier_plan, refuse_without_values
from ..edited.repair import repaired_layers
from ..edited.start_from import checks_of, findings_of
from ..files import gpkg
from ..files.file_kinds import PLAN
from ..model.contract import Layer
from ..model.plan import Row
from ..model.site_layers import SITE_LAYERS
from ..model.step import Step
from ..model.tables import plain_rows, table
from ..reading.site_files import SiteFiles, site_files
from ..reading.site_source import SiteSource
from ..steps.workflow import OPEN_LAYERS, Settings, Start, planned_alone
from .plan_writer import RunFindings


@dataclass(frozen=True)
class Source:
    """Where a step alone finds what it reads.

    Parameters
    ----------
    path
        The file with the layers of a plan, and of the site unless `site` names another.
    site
        The site, where its layers are not in `path`.
    layer_names
        Names that layers have in the files, where they differ.
    rasters
        Files of rasters.
    examples
        Pieces drawn of lawn and of other ground.
    """

    path: Path
    site: Path | None = None
    layer_names: Mapping[str, str] = field(default_factory=dict)
    rasters: Mapping[str, str] = field(default_factory=dict)
    examples: Path | None = None

    def files(self, specs: Mapping[str, Layer]) -> SiteFiles:
        """Return the layers and rasters of the site; rasters are looked for beside a file too.

        Raises
        ------
        LayerError
            When a name is given to what is no layer.
        """
        for name in self.layer_names:
            if name not in SITE_LAYERS and name not in specs:
                known = ", ".join([*SITE_LAYERS, *specs])
                raise LayerError(f"{name!r} is no layer", advice=f"Layers are {known}.")
        path = self.site or self.path
        names = {name: given for name, given in self.layer_names.items() if name in SITE_LAYERS}
        return site_files(path, layer_names=names, raster_files=self.rasters, examples=self.examples, may_be_plan=True)

    def plan_names(self) -> dict[str, str]:
        """Return the names of the plan's layers, where they differ."""
        return {name: given for name, given in self.layer_names.items() if name not in SITE_LAYERS}

    @property
    def plan_file(self) -> Path | None:
        """The file with the layers of a plan: of a folder its plan.gpkg."""
        file = PLAN.path(self.path)
        return file if file.is_file() else None


def refuse_input(target: Path, files: SiteFiles) -> None:
    """Refuse to write into what people bring.

    Raises
    ------
    ParameterError
        When the target is one of the site's files.
    """
    if files.is_input(target):
        raise ParameterError(
            "the result would go into a file of the site", where=str(target), advice="Name another file."
        )


def readable(source: Source, step: Step, specs: Mapping[str, Layer], site: SiteSource) -> EarlierPlan | None:
    """Return the layers of a plan that a step reads; None when there is no file with any.

    Raises
    ------
    LayerError
        When a layer that was named isn't there.
    FeatureError
        When a value doesn't fit.
    """
    file = source.plan_file
    if file is None:
        return None
    wanted = set(step.plan_layers_read) | (OPEN_LAYERS if step.plan_layers_read & OPEN_LAYERS else set())
    layers = {info.name.casefold() for info in gpkg.layer_overview(file)}
    names = source.plan_names()
    for name, given in names.items():
        if given.casefold() not in layers:
            raise LayerError(f"there is no layer {given!r} to take as {name}", where=str(file))
    present = {name for name in wanted if names.get(name, name).casefold() in layers}
    outlines = {name: site.outline(name) for name in site.parcel_ids}
    some = {name: specs[name] for name in specs if name in present | {"run_info", "summary"}}
    earlier = earlier_plan(
        file,
        some,
        packed=present | ({"summary"} & layers),
        checked=present,
        outlines=outlines,
        crs=site.crs,
        names=names,
    )
    if "findings" in step.plan_layers_read:
        refuse_without_values(earlier)
    return earlier


def absent_layers(step: Step, earlier: EarlierPlan | None) -> tuple[str, ...]:
    """Return the layers that a step reads and nobody gave it; they are taken as empty."""
    there = set() if earlier is None else set(earlier.added_columns)
    return tuple(sorted(step.plan_layers_read - there - OPEN_LAYERS))


def step_rows(
    site: SiteSource,
    step: Step,
    settings: Settings,
    earlier: EarlierPlan | None,
    specs: Mapping[str, Layer],
    parcel_ids: Sequence[str],
) -> Iterator[tuple[str, dict[str, list[Row]]]]:
    """Yield for each parcel the rows by layer that a step writes, its findings and checks among them.

    Raises
    ------
    LawngisError
        When a parcel can't be read, or the step can't work on it.
    """
    for parcel_id in parcel_ids:
        parcel_site = site.site(parcel_id)
        parcel = EarlierParcel() if earlier is None else earlier.parcels.get(parcel_id, EarlierParcel())
        own = settings.with_mower(parcel.mower)
        stored = parcel.rows()
        layers = {name: stored.get(name, []) for name in specs if name in step.plan_layers_read - OPEN_LAYERS}
        ready = repaired_layers(parcel_site, layers, parcel, specs, own)
        start = Start(
            first=step.id,
            layers=ready.layers,
            findings=[item for item in findings_of(parcel_site, parcel.findings()) if item[0] != step.id],
            checks=[item for item in checks_of(parcel_site, stored) if item[0] != step.id],
            start_findings=ready.findings,
        )
        plan = planned_alone(parcel_site, step, own, start, specs)
        names = (*step.writes, *sorted(OPEN_LAYERS))
        yield parcel_id, {name: ready.rows_out(plan.rows(name), parcel_site) for name in names}


def write_step(
    target: Path, step: Step, results: Mapping[str, Mapping[str, Sequence[Row]]], site: SiteSource,
    specs: Mapping[str, Layer],
) -> Path:  # fmt: skip
    """Put what a step wrote into a file: rows of these parcels give way, in findings and checks only the step's own.

    What it found that holds for the whole run stays as well while the file has other parcels.

    Parameters
    ----------
    target
        The file.
    step
        The step.
    results
        Rows by parcel and layer.
    site
        The site.
    specs
        Declarations of all layers.
    """
    parcels = list(results)
    names = [name for name in specs if name in {*step.writes, *OPEN_LAYERS}]
    stored = _stored_findings(target)
    ids: dict[str, set[str]] = {}
    for row in stored:
        ids.setdefault(str(row["step"]), set()).add(str(row["finding_id"]))
    others = {row["parcel_id"] for row in stored} - {None, *parcels}
    of_run = RunFindings([row for row in stored if others and (row["parcel_id"], row["step"]) == (None, step.id)])
    rows: dict[str, list[Row]] = {name: [] for name in names}
    for parcel_id, layers in results.items():
        for name in names:
            own = layers.get(name, ())
            if name == "findings":
                of_run.add(row for row in own if row["parcel_id"] is None)
                own = _numbered([row for row in own if row["parcel_id"] is not None], parcel_id, ids, step)
            rows[name] += own
    rows["findings"] += _numbered(of_run.rows, "", ids, step)
    replaced: dict[str, dict[str, list[str | None]]] = {name: {"parcel_id": [*parcels]} for name in step.writes}
    replaced |= {name: {"parcel_id": [*parcels], "step": [step.id]} for name in OPEN_LAYERS}
    replaced["findings"]["parcel_id"].append(None)
    return gpkg.replace_rows(
        target,
        {name: table(specs[name], some, site.crs) for name, some in rows.items()},
        [specs[name] for name in names],
        crs=site.crs,
        replaced=replaced,
    )


def _stored_findings(target: Path) -> list[Row]:
    """Return the findings of a file; none where it has no layer of ours."""
    infos = gpkg.layer_overview(target) if target.exists() else []
    info = next((info for info in infos if info.name.casefold() == "findings"), None)
    if info is None or not {"parcel_id", "finding_id", "step"} <= set(info.columns):
        return []
    return [{**row, "geometry": Point()} for row in plain_rows(gpkg.read_table(target, info.name))]


def _numbered(rows: Sequence[Row], parcel_id: str, ids: Mapping[str, set[str]], step: Step) -> list[Row]:
    """Return findings with names that no other step's have; checks are named by what they ask."""
    used = set().union(*(names for origin, names in ids.items() if origin != step.id))
    stem = f"{parcel_id}-F" if parcel_id else "F"
    free = (name for number in count(1) if (name := f"{stem}{number}") not in used)
    return [{**row, "finding_id": name} for row, name in zip(rows, free, strict=False)]


def opened(source: Source, specs: Mapping[str, Layer], options: object) -> SiteSource:
    """Return the site, opened.

    Raises
    ------
    SiteError
        When there is none, with what to do about it.
    """
    files = source.files(specs)
    if "parcels" not in files.layers and source.site is None:
        raise SiteError(
            "there is no layer parcels",
            where=str(source.path),
            advice="Name the site that it was made from with --site, or the layer with --layer parcels=NAME.",
        )
    return SiteSource(files, options)  # type: ignore[arg-type]
