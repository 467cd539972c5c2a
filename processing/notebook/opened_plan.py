"""One parcel's plan in a notebook: its layers as tables, its verdict and map, and the way to files."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from html import escape
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas
import pandas as pd

from lawngis.errors import LayerError, PlanError

from ..edited.written_records import ROWS, STYLES
from ..files import gpkg
from ..files.atomic import refuse_file
from ..files.plan_reader import PlanFile
from ..model.contract import Layer
from ..model.extras import refuse_without
from ..model.plan import Row
from ..model.readiness import readiness_of, readiness_word
from ..model.text import one_line
from ..planning.plan_writer import PlanWriter
from .scratch_folder import ScratchFolder

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..deliver.reading import ParcelPlan

OF_RUN = ("findings", "run_info")
"""Layers with rows of no parcel, which hold for all parcels of a run."""

FRAME_PX = 640
"""Height of what a notebook shows of a plan [px]."""


class UnknownLayerError(LayerError, AttributeError):
    """A plan has no layer of the name that was asked for."""


@dataclass(frozen=True, eq=False, repr=False)
class OpenedPlan:
    """Plan of one parcel: every layer is an attribute, as a new table in the CRS of the parcels.

    ``plan.zones.attrs`` has the layer's title and description, and of its columns ``"columns"`` (what they hold) and
    ``"units"``. ``dir(plan)`` names the layers.

    Parameters
    ----------
    file
        Where it is stored.
    parcel_id
        Name of the parcel.
    folder
        What keeps the file there, if nobody else does.
    """

    file: PlanFile
    parcel_id: str
    folder: ScratchFolder | None = None

    def __getattr__(self, name: str) -> geopandas.GeoDataFrame | pd.DataFrame:
        if name.startswith("_"):
            raise AttributeError(name)  # what other programs look for
        return self._table(name)

    def __dir__(self) -> list[str]:
        return sorted({*super().__dir__(), *self.file.kind.specs})

    def __repr__(self) -> str:
        return one_line(f"<plan of {self.parcel_id}: {readiness_word(self.readiness)}. {self.verdict}>")

    def _repr_html_(self) -> str | None:
        """Return verdict and map as a notebook shows them: a page in a frame of its own, which knows nothing of others.

        None without the packages that draw it: the notebook then shows the words.
        """
        try:
            from ..deliver.formats import Formats
            from ..deliver.page import glance
        except ImportError:
            return None
        page = escape(glance(self._parcel, Formats()))
        style = f"width:100%;height:{FRAME_PX}px;border:0"
        return f'<iframe srcdoc="{page}" sandbox="allow-scripts" title="{escape(repr(self))}" style="{style}"></iframe>'

    @property
    def readiness(self) -> str:
        """What can be done with it: ``ready``, ``visit``, ``settle``, ``none`` or ``failed``."""
        return readiness_of(self._summary)

    @property
    def verdict(self) -> str:
        """The verdict in words."""
        return str(self._summary["verdict_text"] or "")

    def plot(self, ax: Axes | None = None, *, layers: str | Sequence[str] | None = None, legend: bool = True) -> Axes:
        """Draw the plan in its own styles, in the CRS of the parcels, and return the axes.

        Parameters
        ----------
        ax
            Where to; default: new axes.
        layers
            Names of layers, or of one; default: those of a plan sheet.
        legend
            Whether what is drawn is named beside it.

        Raises
        ------
        LayerError
            When a layer isn't there or can't be drawn.
        ParameterError
            When packages are missing that draw.
        """
        refuse_without("notebook", "pictures in a notebook")
        from .plan_picture import drawn_plan

        return drawn_plan(self._parcel, ax, layers=[layers] if isinstance(layers, str) else layers, legend=legend)

    def write(self, path: str | PathLike[str], *, overwrite: bool = False) -> Path:
        """Write the plan as a GeoPackage, as ``lawngis plan`` does, and return the file.

        Parameters
        ----------
        path
            The file, or a folder for ``plan.gpkg``.
        overwrite
            Replace what is there, somebody's changes included.

        Raises
        ------
        PlanError
            When it can't be written, or would replace something.
        """
        given = Path(path)
        target = given if given.suffix.lower() == ".gpkg" else given / self.file.kind.file_name
        refuse_file(target.parent, "the plan needs")
        if target.exists() and not overwrite:
            raise PlanError("is there already", where=str(target), advice="Name another file, or say overwrite=True.")
        gpkg.refuse_unwritable(target)
        own = {name: gpkg.raw_columns(self._rows(name), name) for name in self.file.layers}
        of_run = self._as_written(self.file.rows("run_info", where="parcel_id IS NULL"))
        findings = {"findings": gpkg.raw_columns(self.file.of_run("findings"), "findings")}
        PlanWriter(self.file.kind.specs, self.file.crs).write(target, [own, findings], lambda: of_run)
        return target

    def deliver(
        self,
        out: str | PathLike[str],
        *,
        only: str | Iterable[str] | None = None,
        prices: str | PathLike[str] | None = None,
        labour: str | PathLike[str] | None = None,
        quote_details: str | PathLike[str] | None = None,
        locale: str = "en_GB",
        units: str = "metric",
        starting: date | None = None,
    ) -> Path:
        """Write the documents of the plan, as ``lawngis deliver`` does, and return their folder.

        Parameters
        ----------
        out
            Folder for them.
        only
            Kinds of documents, such as ``["html", "pdf"]`` or ``"html"``; default: all.
        prices, labour, quote_details
            Books, and what stands on quotes beside prices (TOML).
        locale, units
            How figures are written: ``metric`` or ``feet``.
        starting
            First day of the calendar; default: today.

        Raises
        ------
        LawngisError
            When a book can't be used, a kind doesn't exist, something can't be written, or packages are missing.
        """
        refuse_without("documents", "documents")
        from ..deliver.documents import Wishes, deliver_documents, kinds_named, language_formats

        wishes = Wishes(
            kinds=kinds_named(only if only is None or isinstance(only, str) else ",".join(only)),
            formats=language_formats(locale, units),
            prices=_path(prices),
            labour=_path(labour),
            details=_path(quote_details),
            starting=starting or date.today(),
        )
        deliver_documents(self.file.path, Path(out), wishes, parcels=[self.parcel_id])
        return Path(out)

    def _table(self, name: str) -> geopandas.GeoDataFrame | pd.DataFrame:
        spec = self.file.kind.specs.get(name)
        if spec is None:
            there = ", ".join(self.file.kind.specs)
            raise UnknownLayerError(f"a plan has no layer {name!r}", advice=f"Its layers are {there}.")
        table = self.file.frame(name, [self.parcel_id])
        if name in OF_RUN:
            table = pd.concat([self.file.frame(name, where="parcel_id IS NULL"), table])
        table = table.reset_index(drop=True)
        table.attrs = _described(spec)
        return table

    @property
    def _summary(self) -> Row:
        return self.file.rows("summary", [self.parcel_id])[0]

    @cached_property
    def _parcel(self) -> ParcelPlan:
        from ..deliver.reading import document_source

        return document_source(self.file.path).parcel(self.parcel_id)

    def _rows(self, name: str) -> list[Row]:
        rows = self.file.rows(name, [self.parcel_id])
        return self._as_written(rows) if name == "run_info" else rows

    @staticmethod
    def _as_written(facts: Sequence[Row]) -> list[Row]:
        """Return facts of a run without those of its file: the writer notes them of the new one."""
        return [row for row in facts if row["key"] not in (ROWS, STYLES)]


def _path(given: str | PathLike[str] | None) -> Path | None:
    return None if given is None else Path(given)


def _described(spec: Layer) -> Mapping[str, Any]:
    return {
        "title": spec.title,
        "description": spec.description,
        "columns": {column.name: column.description for column in spec.columns},
        "units": {column.name: column.unit for column in spec.columns if column.unit},
    }
