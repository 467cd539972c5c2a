"""What a site says of itself in ``site.toml``: how its data are named, how good they are, who made them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import geopandas
import shapely
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from lawngis.errors import SiteError
from lawngis.toml_table import toml_table

from ..files import gpkg
from ..model.site import DataAccuracy, LayerAccuracy
from ..model.site_layers import RASTERS, SITE_LAYERS

FILE_NAME = "site.toml"

EVERYWHERE = "all"
"""Value that says of a layer that it is complete wherever the site has parcels."""


class SiteSettings(BaseModel):
    """The tables and keys of ``site.toml``; what stands on the command line wins over each."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    layers: Mapping[str, str] = Field(
        default_factory=dict, description="names that layers have in the files, where they differ"
    )
    columns: Mapping[str, Mapping[str, str]] = Field(
        default_factory=dict, description="of each layer, names that columns have in the files"
    )
    values: Mapping[str, Mapping[str, Mapping[str, str]]] = Field(
        default_factory=dict, description="of each layer and column, what words in the files mean"
    )
    rasters: Mapping[str, str] = Field(
        default_factory=dict, description="files of rasters, or folders of tiles, inside the site"
    )
    bands: tuple[str, ...] = Field(default=(), description="the image's bands in order: red, green, blue, nir")
    dem_unit: Literal["", "m", "ft", "us-ft"] = Field(default="", description="vertical unit of the rasters")
    profile: str = Field(default="", description="mower profile: a name, or a file inside the site")
    price_book: str = Field(default="", description="file with prices inside the site")
    examples: str = Field(
        default="", description="file inside the site with pieces of lawn and of other ground, drawn as examples"
    )
    attribution: Mapping[str, str] = Field(
        default_factory=dict, description="of each layer or raster, who made it and under which licence"
    )
    complete: Mapping[str, str] = Field(
        default_factory=dict,
        description="layers that hold all that is there, each with 'all' or the layer of outlines inside which they do",
    )
    accuracy: DataAccuracy = Field(
        default_factory=DataAccuracy,
        description="standard deviations of the data; of a layer in its own table",
    )

    @field_validator("complete", "layers", "columns", "values")
    @classmethod
    def _of_site_layers(cls, value: Mapping[str, Any]) -> Mapping[str, Any]:
        for name in value:
            _known(name, SITE_LAYERS, "layer")
        return value

    @field_validator("columns", "values")
    @classmethod
    def _of_layers_columns(cls, value: Mapping[str, Mapping[str, Any]]) -> Mapping[str, Mapping[str, Any]]:
        for layer, columns in value.items():
            for name in columns:
                _known(name, [column.name for column in SITE_LAYERS[layer].columns], "column", f" of {layer}")
        return value

    @field_validator("values")
    @classmethod
    def _of_listed_words(
        cls, value: Mapping[str, Mapping[str, Mapping[str, str]]]
    ) -> Mapping[str, Mapping[str, Mapping[str, str]]]:
        for layer, columns in value.items():
            for column in (column for column in SITE_LAYERS[layer].columns if column.values and column.name in columns):
                for word in columns[column.name].values():
                    _known(word, column.values, "value", f" of {layer}.{column.name}")
        return value

    @field_validator("rasters")
    @classmethod
    def _of_site_rasters(cls, value: Mapping[str, str]) -> Mapping[str, str]:
        for name in value:
            _known(name, RASTERS, "raster")
        return value

    @field_validator("attribution")
    @classmethod
    def _of_site_data(cls, value: Mapping[str, str]) -> Mapping[str, str]:
        for name in value:
            _known(name, (*SITE_LAYERS, *RASTERS), "layer or raster")
        return value

    @field_validator("accuracy", mode="before")
    @classmethod
    def _layers_in_tables(cls, value: Any) -> Any:
        """Return ``[accuracy.buildings]`` and the like as what holds for layers."""
        if not isinstance(value, Mapping):
            return value
        tables = {name: table for name, table in value.items() if isinstance(table, Mapping)}
        for name in tables:
            _known(name, SITE_LAYERS, "layer")
        layers = {name: LayerAccuracy.model_validate(table) for name, table in tables.items()}
        return {**{name: number for name, number in value.items() if name not in tables}, "layers": layers}


def _known(name: str, known: Iterable[str], what: str, of: str = " of a site") -> None:
    if name not in known:
        raise ValueError(f"{name!r} is no {what}{of}: {', '.join(known)}")


@dataclass(frozen=True)
class SettingsFile:
    """A site's settings and the file that they are in; None for a site without one."""

    path: Path | None = None
    settings: SiteSettings = field(default_factory=SiteSettings)

    @property
    def rasters(self) -> dict[str, str]:
        """Files of rasters that the settings name; errors are those of :meth:`inside`."""
        return {name: str(self.inside(given, f"[rasters] {name}")) for name, given in self.settings.rasters.items()}

    @property
    def profile(self) -> str | None:
        """Name of the mower profile, or its file; None when the settings name none."""
        given = self.settings.profile
        return str(self.inside(given, "profile")) if given.casefold().endswith(".toml") else given or None

    @property
    def examples(self) -> Path | None:
        """File of examples that the settings name."""
        given = self.settings.examples
        return self.inside(given, "examples") if given else None

    @property
    def shared_parameters(self) -> dict[str, str]:
        """Parameters that the settings give to every step that has them."""
        given = self.settings.price_book
        return {"price_book": str(self.inside(given, "price_book"))} if given else {}

    def inside(self, given: str, key: str) -> Path:
        """Return the file or folder that stands under a key: one of the site's own, as a site comes from anybody.

        Raises
        ------
        SiteError
            When it isn't there, or leads out of the site.
        """
        if self.path is None:
            raise SiteError("a site without settings names no file")
        folder = self.path.parent
        if "://" in given or Path(given).is_absolute() or ".." in Path(given).parts:
            raise SiteError(
                f"{given!r} leads out of the site",
                where=(str(self.path), key),
                advice="Put the file into the site's folder, or name it on the command line.",
            )
        if not (folder / given).exists():
            raise SiteError(f"there is no {given!r}", where=(str(self.path), key), advice="Check the spelling.")
        return folder / given


def settings_file(site: Path) -> SettingsFile:
    """Return the settings of a site: of ``site.toml`` in the folder, or beside the file.

    Raises
    ------
    SiteError
        When the file can't be read, or says what no site has.
    """
    path = (site if site.is_dir() else site.parent) / FILE_NAME
    if not path.is_file():
        return SettingsFile()
    try:
        return SettingsFile(path, SiteSettings.model_validate(toml_table(path.read_text(encoding="utf-8"))))
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        known = f"Tables are {', '.join(SiteSettings.model_fields)}."
        unknown = first["type"] == "extra_forbidden"
        what = f"{key} is unknown" if unknown else f"{key}: {first['msg'].removeprefix('Value error, ')}"
        raise SiteError(what, where=str(path), advice=known if unknown else "Correct it.") from error
    except (OSError, ValueError) as error:
        raise SiteError(f"can't be read: {error}", where=str(path), advice="Correct it, or move it away.") from error


@dataclass(frozen=True, eq=False)
class Completeness:
    """Where layers of a site are complete.

    Parameters
    ----------
    outlines
        For each layer the ground on which it is complete, in a CRS of its own; None for everywhere.
    """

    outlines: Mapping[str, tuple[BaseGeometry, CRS] | None] = field(default_factory=dict)

    def on(self, outline: BaseGeometry, crs: CRS) -> tuple[str, ...]:
        """Return the layers that are complete on all of a parcel, given in a CRS."""
        there = [name for name, ground in self.outlines.items() if ground is None or _covers(*ground, outline, crs)]
        return tuple(sorted(there))


def completeness(
    file: SettingsFile, overviews: Mapping[Path, Sequence[gpkg.LayerInfo]]
) -> tuple[Completeness, frozenset[str]]:
    """Return where a site's layers are complete, and the names of the layers that hold the outlines of it.

    Raises
    ------
    SiteError
        When an outline that the settings name isn't there, or holds no area.
    """
    outlines: dict[str, tuple[BaseGeometry, CRS] | None] = {}
    used: set[str] = set()
    for name, given in file.settings.complete.items():
        if given.casefold() == EVERYWHERE:
            outlines[name] = None
            continue
        place = next(((path, info) for path, infos in overviews.items() for info in infos if info.name == given), None)
        where = (str(file.path), f"[complete] {name}")
        if place is None:
            raise SiteError(
                f"there is no layer {given!r}", where=where, advice=f'Give "{EVERYWHERE}", or a layer of outlines.'
            )
        path, info = place
        shapes = gpkg.read_layer(path, info.name).geometry.to_numpy()
        areas = [shape for shape in shapes if shape is not None and shape.area > 0]
        if not areas or info.crs is None:
            raise SiteError(f"layer {given!r} holds no area in a CRS", where=where, advice="Draw the outline there.")
        outlines[name] = shapely.union_all(areas), info.crs
        used.add(given)
    return Completeness(outlines), frozenset(used)


def _covers(ground: BaseGeometry, ground_crs: CRS, outline: BaseGeometry, crs: CRS) -> bool:
    if crs != ground_crs:
        outline = geopandas.GeoSeries([outline], crs=crs).to_crs(ground_crs).iloc[0]
    return bool(ground.covers(outline))
