"""What the user brings, ready to be cut into parts: parcels that lie near one another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from difflib import get_close_matches
from functools import cached_property, partial
from math import hypot, sqrt
from typing import Any

import geopandas
import numpy as np
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError, SiteError
from lawngis.geometry.frame import horizontal_crs

from ..files import rasters
from ..model.plan import Finding
from ..model.site import Site
from ..model.site_layers import SITE_LAYERS
from ..model.text import name_of
from .examples import learned_finding, learned_from
from .features import check_layer, drawable, identified, label, named_rows, read_features, surveyed
from .read_options import ReadOptions
from .site_files import SiteFiles
from .site_part import (
    SITE_WIDE_LAYERS,
    SitePart,
    dem_unit_m,
    layer_crs,
    level_cells,
    metres_per_unit,
    site_crs,
)
from .surroundings import NEIGHBOURHOOD_M
from .whereabouts import Whereabouts

PART_PARCELS = 64
"""Parcels whose surroundings are in memory at a time."""

ROUNDING_SD = 1 / sqrt(12)
"""Standard deviation of an error that is even over one step, as rounding makes it [steps]."""

SPARSE = 6.0
"""A group of parcels may span this many times the ground of its parcels and their surroundings."""


class SiteSource:
    """A site that is ready to be cut into parcels.

    Layers are looked through once, some features at a time; only the parcels stay in memory.

    Parameters
    ----------
    files
        Where its layers and rasters are.
    options
        How to read them.

    Raises
    ------
    SiteError, LayerError, RasterError
        On opening, for what makes the whole site unusable.
    """

    def __init__(self, files: SiteFiles, options: ReadOptions | None = None) -> None:
        self.files = files
        self.options = (options or ReadOptions()).with_those_of(files.settings.settings)
        if "parcels" not in files.layers:
            raise SiteError("there is no layer parcels", where=str(files.path), advice=_parcels_advice(files))
        for name, place in files.layers.items():
            check_layer(SITE_LAYERS[name], place)
        self.raster_info = {name: rasters.raster_overview(file) for name, file in files.rasters.items()}
        self.parcels = identified(
            read_features(SITE_LAYERS["parcels"], files.layers["parcels"]), files.layers["parcels"]
        )
        bounds = self.parcels.table.geometry.bounds.to_numpy()
        self._whereabouts = Whereabouts(bounds, self.crs)
        self._samples = rasters.sample_values(files.rasters["dem"]) if "dem" in files.rasters else np.empty(0)
        self._no_terrain = _no_terrain(files, self.raster_info.get("dem"), self._samples)
        self._step_m = 0.0 if self._no_terrain else self._whole_unit_m()
        if self._step_m:
            sd_m = hypot(self.options.accuracy.dem_sd_m, self._step_m * ROUNDING_SD)
            self.options = replace(self.options, accuracy=self.options.accuracy.model_copy(update={"dem_sd_m": sd_m}))
        if self._no_terrain:
            self.files = replace(files, rasters={name: file for name, file in files.rasters.items() if name != "dem"})
            self.raster_info["dem"] = level_cells(self.crs, bounds)
        self._surveys = {
            name: surveyed(SITE_LAYERS[name], place, partial(self._whereabouts.near, crs=layer_crs(place)))
            for name, place in files.layers.items()
            if name not in SITE_WIDE_LAYERS
        }
        self._learned = learned_from(files, self.raster_info, self.options)
        self._common = tuple(self._common_findings())
        self._part: SitePart | None = None

    @cached_property
    def crs(self) -> CRS:
        """CRS of the parcels, to which results go back."""
        return site_crs(self.files)

    @property
    def dem_info(self) -> rasters.RasterInfo:
        """What is known of the terrain model without its values; without one, of the cells that stand for it."""
        return self.raster_info["dem"]

    @property
    def parcel_ids(self) -> list[str]:
        """Names of the parcels, in the order of the file."""
        return list(self.parcels.table["parcel_id"])

    def named(self, parcel_ids: Sequence[str] | None) -> list[str]:
        """Return the parcels that somebody named, each once; all when nobody did.

        Raises
        ------
        ParameterError
            When one isn't there.
        """
        known, wanted = self.parcel_ids, [name_of(name) for name in parcel_ids or ()]
        for name in wanted:
            if name not in self._rows:
                where = str(self.files.layers["parcels"])
                raise ParameterError(f"there is no parcel {name!r}", where=where, advice=_parcels_there(known, name))
        return list(dict.fromkeys(wanted)) if wanted else known

    @cached_property
    def _rows(self) -> dict[str, int]:
        return {name: row for row, name in enumerate(self.parcels.table["parcel_id"])}

    def outline(self, parcel_id: str) -> BaseGeometry | None:
        """Return a parcel's outline as the file has it, or None when it has none that can be drawn."""
        return drawable(self.parcels, self._rows[parcel_id])

    def label(self, parcel_id: str) -> str:
        """Return what people call a parcel; empty when the file doesn't say."""
        return label(self.parcels, self._rows[parcel_id])

    def counts_to(self, column: str) -> dict[str, str]:
        """Return what a column of `parcels` says of each parcel, which no plan depends on; without those it leaves out.

        Parameters
        ----------
        column
            Out of :data:`.site_layers.SUMMED_BY`.
        """
        words = {name: label(self.parcels, row, column) for name, row in self._rows.items()}
        return {name: word for name, word in words.items() if word}

    def part(self, parcel_ids: Sequence[str]) -> SitePart:
        """Return what it takes to read some parcels, which should lie near one another, elsewhere."""
        own = [self._rows[name] for name in parcel_ids]
        table = self.parcels.table
        _, touching = table.sindex.query(table.geometry.to_numpy()[own], predicate="intersects")
        neighbours = sorted(set(touching.tolist()).difference(own))
        return SitePart(
            self.files,
            self.options,
            self.raster_info,
            self.parcels.rows([*own, *neighbours]),
            tuple(parcel_ids),
            tuple(row + 1 for row in (*own, *neighbours)),
            self._common,
            {name: survey.repaired_rows for name, survey in self._surveys.items()},
            self._learned,
        )

    def site(self, parcel_id: str) -> Site:
        """Return one parcel with what lies around it; see :meth:`SitePart.site`."""
        if self._part is None or parcel_id not in self._part.parcel_ids:
            together = next(chunk for chunk in self.chunks(self.parcel_ids, PART_PARCELS) if parcel_id in chunk)
            self._part = self.part(together)
        return self._part.site(parcel_id)

    def chunks(self, parcel_ids: Sequence[str], most: int) -> list[list[str]]:
        """Return parcels in groups of at most `most` that lie near one another.

        They are ordered along a Hilbert curve (Hilbert, 1891, "Über die stetige Abbildung einer Linie auf ein
        Flächenstück"), and a group ends where its bounding box would hold mostly ground between parcels.
        """
        rows = np.array([self._rows[name] for name in parcel_ids], dtype=int)
        bounds = self.parcels.table.geometry.bounds.to_numpy()[rows]
        reach = NEIGHBOURHOOD_M / metres_per_unit(self.crs)
        groups: list[list[str]] = []
        box, spent = np.zeros(4), 0.0
        for number in _along_curve(bounds):
            grown = bounds[number] + reach * np.array([-1, -1, 1, 1])
            joined = np.concatenate([np.fmin(box[:2], grown[:2]), np.fmax(box[2:], grown[2:])])
            fits = groups and len(groups[-1]) < most and not _area(joined) > SPARSE * (spent + _area(grown))
            if fits:
                groups[-1].append(parcel_ids[number])
                box, spent = joined, spent + _area(grown)
            else:
                groups.append([parcel_ids[number]])
                box, spent = grown, _area(grown)
        return groups

    def _common_findings(self) -> list[Finding]:
        findings = [Finding("info", f"no-{name}", {"layer": name}) for name in self.files.absent]
        if self.parcels.made_up_ids:
            findings.append(Finding("info", "parcel-id-made"))
        if self.parcels.cleaned_names:
            findings.append(Finding("info", "parcel-name-cleaned", named_rows(self.parcels.cleaned_names)))
        for name, survey in self._surveys.items():
            findings += survey.findings(name)
        findings += self._elsewhere_findings()
        if self._no_terrain:
            findings.append(Finding("caution", "terrain-unknown", self._no_terrain))
        elif self.options.dem_unit is None and self.dem_info.vertical_unit_m is None:
            unit = "metre" if self.dem_info.crs.is_geographic else self.dem_info.crs.axis_info[0].unit_name
            findings.append(Finding("info", "dem-unit-assumed", {"unit": unit}))
        if self._learned is not None:
            findings.append(learned_finding(self._learned))
        if self._step_m:
            findings.append(Finding("caution", "dem-rounded", {"step_m": self._step_m}))
        if "dem" in self.files.rasters and len(_no_alpha(self.dem_info)) > 1:
            findings.append(Finding("caution", "dem-bands", {"bands": len(_no_alpha(self.dem_info))}))
        return findings

    def _whole_unit_m(self) -> float:
        """Return the length of a unit of elevation [m] where a terrain model has whole numbers of it alone, else 0."""
        whole = self._samples.size > 0 and bool((self._samples == np.round(self._samples)).all())
        return dem_unit_m(self.options, self.dem_info) if whole else 0.0

    def _elsewhere_findings(self) -> list[Finding]:
        """Say of layers and rasters that nothing of them lies near any parcel."""
        findings = []
        for name, survey in self._surveys.items():
            info = self.files.layers[name].info
            if survey.elsewhere and info.bounds is not None:
                findings.append(self._whereabouts.finding(name, info.bounds, layer_crs(self.files.layers[name])))
        for name in self.files.rasters:
            raster = self.raster_info[name]
            crs = horizontal_crs(raster.crs)
            if not self._whereabouts.near(np.array([raster.bounds]), crs):
                findings.append(self._whereabouts.finding(name, raster.bounds, crs, raster=True))
        return findings


def _no_alpha(info: rasters.RasterInfo) -> list[str]:
    return [colour for colour in info.colours if colour != "alpha"]


def _parcels_there(names: Sequence[str], wanted: str) -> str:
    near = get_close_matches(wanted, names, n=3) or list(names[:5])
    more = f" and {len(names) - len(near)} more" if len(names) > len(near) else ""
    return f"There are {', '.join(near)}{more}." if len(names) > 1 else f"The only one is {names[0]}."


def _parcels_advice(files: SiteFiles) -> str:
    there = f" (here are: {', '.join(files.ignored)})" if files.ignored else ""
    return f"Add it, or name the layer that holds the parcels with --layer parcels=NAME{there}."


def _no_terrain(files: SiteFiles, dem: rasters.RasterInfo | None, samples: FloatArray) -> dict[str, Any]:
    """Return why a site has no terrain model that could be one, as values of what is said of it; empty if it has."""
    if dem is None:
        return _terrain_place(files) or {"case": ""}
    if {"red", "green", "blue"} <= set(dem.colours):
        return {"case": "picture", "file": dem.source}
    constant = samples.size > 0 and samples.min() == samples.max()
    return {"case": "constant", "file": dem.source, "value": float(samples[0])} if constant else {}


def _terrain_place(files: SiteFiles) -> dict[str, Any]:
    """Return values of the sentence that says where a terrain model is looked for."""
    beside = files.path.parent / "dem.tif"
    if files.path.is_dir():
        return {"case": "folder"}
    return {"case": "beside", "file": str(beside)} if beside.exists() else {}


def _along_curve(bounds: FloatArray) -> list[int]:
    """Return rows along a Hilbert curve over the middles of their bounds; rows without bounds come last."""
    known = np.flatnonzero(np.isfinite(bounds).all(axis=1))
    if len(known) < 2:
        return [*known.tolist(), *np.setdiff1d(np.arange(len(bounds)), known).tolist()]
    middles = geopandas.GeoSeries.from_xy(*((bounds[known, :2] + bounds[known, 2:]) / 2).T)
    order = known[np.argsort(middles.hilbert_distance().to_numpy(), kind="stable")]
    return [*order.tolist(), *np.setdiff1d(np.arange(len(bounds)), known).tolist()]


def _area(box: FloatArray) -> float:
    return float((box[2] - box[0]) * (box[3] - box[1]))
