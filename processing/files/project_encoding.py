"""A plan's project for a desktop GIS: layers in groups and order, a view of each parcel, a sheet to be printed.

The frame of the project and the sheet are a template that such a program wrote (``make_template.py`` of the tests);
what a plan's layers are and how they are drawn comes from their declarations. Nothing in it tells when or by whom it
was made: equal plans have equal projects.
"""

from __future__ import annotations

import os
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from importlib.resources import files
from io import BytesIO
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import shapely
from pyproj import CRS

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame

from ..model.cautions import CAUTIONS
from ..model.contract import Layer
from ..model.map_layers import GROUPS, SCALE_SITE, drawing_order, map_layer
from ..model.text import one_line
from .form_encoding import row_expression
from .style_encoding import qml_element

NAME = "lawngis"
"""Of the project, in the table in which a desktop GIS keeps projects."""

VIEWS_MAX = 200
"""As many parcels have a view of their own: a longer list helps nobody find one."""

SCALES = (100, 200, 250, 500, 1_000, SCALE_SITE, 5_000, 10_000, 25_000)
"""Denominators of the scales that the map offers, and of which each sheet has the largest that shows its parcel."""

Bounds = tuple[float, float, float, float]


@dataclass(frozen=True)
class Photo:
    """The aerial image under a plan.

    Parameters
    ----------
    source
        The file, absolute or relative to the plan.
    crs
        Its CRS.
    bands
        Numbers of those shown as red, green and blue, from 1.
    """

    source: str
    crs: CRS
    bands: tuple[int, int, int]


@dataclass(frozen=True)
class ProjectFacts:
    """What a project takes from the plan that it is of.

    Parameters
    ----------
    file_name
        Name of the file that holds plan and project: sources of layers are relative to its folder.
    crs
        Of the plan.
    parcels
        Name and bounds [units of `crs`] of each parcel that has a place.
    attributions
        Whose data it rests on, as their licences ask to be said.
    photo
        The image, if there is one.
    """

    file_name: str
    crs: CRS
    parcels: Sequence[tuple[str, Bounds]]
    attributions: Sequence[str] = ()
    photo: Photo | None = None


@dataclass(frozen=True)
class _MapLayer:
    """A layer as the map has it: rows of several geometry types are one for each type."""

    spec: Layer
    geometry: str | None
    suffix: str = ""

    @property
    def id(self) -> str:
        return f"lawngis_{self.spec.name}{self.suffix and '_' + self.suffix}"

    @property
    def title(self) -> str:
        return f"{self.spec.title}, {self.suffix}s" if self.suffix else self.spec.title

    def source(self, file_name: str) -> str:
        """Return where it is read from, by the file's name: a project has no word for the file that holds it."""
        one_type = f"|geometrytype={self.geometry}" if self.suffix else ""
        return f"./{file_name}|layername={self.spec.name}{one_type}"


def packed_project(specs: Sequence[Layer], facts: ProjectFacts) -> bytes:
    """Return the project of a plan as the compressed file that a desktop GIS opens.

    Parameters
    ----------
    specs
        Declarations of the layers of the plan.
    facts
        What else is in it.
    """
    text = "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n" + ET.tostring(
        _project(specs, facts), encoding="unicode"
    )
    packed = BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:  # of a day that says nothing
        archive.writestr(zipfile.ZipInfo(f"{NAME}.qgs"), text, zipfile.ZIP_DEFLATED, 9)
    return packed.getvalue()


def _project(specs: Sequence[Layer], facts: ProjectFacts) -> ET.Element:
    text = files(__package__).joinpath("project_template.qgs").read_text("utf-8")
    root = ET.fromstring(text)
    layers = list(_map_layers(drawing_order(specs)))
    for path in ("projectCrs", "main-annotation-layer/srs"):
        _set_reference_system(_found(root, path), facts.crs)
    _fill_tree(_found(root, "layer-tree-group"), layers, facts)
    project_layers = _found(root, "projectlayers")
    for layer in layers:
        project_layers.append(_vector(layer, facts))
    if facts.photo is not None:
        project_layers.append(_raster(facts.photo))
    frame = _frame(facts)
    if frame is None:
        _found(root, "Layouts").clear()
    else:
        _fill_sheet(_found(root, "Layouts/Layout"), layers, facts, frame)
    if facts.parcels:
        whole = _united(bounds for _, bounds in facts.parcels)
        _fill_views(root, facts, whole)
    return root


def _found(root: ET.Element, path: str) -> ET.Element:
    element = root.find(path)
    if element is None:
        raise LookupError(f"the template of the project has no {path}")
    return element


def _map_layers(specs: Iterable[Layer]) -> Iterator[_MapLayer]:
    for spec in specs:
        if spec.mixed:
            words = {"Point": "point", "LineString": "line", "Polygon": "area"}
            yield from (_MapLayer(spec, geometry, words[geometry]) for geometry in reversed(spec.mixed))
        else:
            yield _MapLayer(spec, spec.geometry)


def _set_reference_system(parent: ET.Element, crs: CRS) -> None:
    for old in list(parent):
        parent.remove(old)
    system = ET.SubElement(parent, "spatialrefsys", nativeFormat="Wkt")
    ET.SubElement(system, "wkt").text = crs.to_wkt()
    authority = crs.to_authority()
    ET.SubElement(system, "authid").text = ":".join(authority) if authority else ""


def _fill_tree(tree: ET.Element, layers: Sequence[_MapLayer], facts: ProjectFacts) -> None:
    """Put layers into groups; what hides what is said apart, as the groups cut across it."""
    order = _found(tree, "custom-order")
    tree.remove(order)
    for name in GROUPS:
        group = ET.SubElement(tree, "layer-tree-group", name=name, checked="Qt::Checked", expanded="1")
        for layer in layers:
            met = map_layer(layer.spec)
            if met.group == name:
                _tree_layer(group, layer.id, layer.title, layer.source(facts.file_name), "ogr", shown=met.shown)
        if name == GROUPS[-1] and facts.photo is not None:
            _tree_layer(group, PHOTO_ID, "Aerial image", facts.photo.source, "gdal", shown=True)
    order.set("enabled", "1")
    for layer_id in [*(layer.id for layer in layers if layer.geometry), *([PHOTO_ID] if facts.photo else [])]:
        ET.SubElement(order, "item").text = layer_id
    tree.append(order)


PHOTO_ID = "lawngis_photo"


def _tree_layer(group: ET.Element, layer_id: str, title: str, source: str, provider: str, *, shown: bool) -> None:
    layer = ET.SubElement(
        group, "layer-tree-layer", id=layer_id, name=title, source=source, providerKey=provider, expanded="0",
        checked="Qt::Checked" if shown else "Qt::Unchecked", legend_split_behavior="0", patch_size="-1,-1",
    )  # fmt: skip
    if layer_id == PHOTO_ID:  # nobody looks up its bands in a legend
        options = ET.SubElement(ET.SubElement(layer, "customproperties"), "Option", type="Map")
        for name, value in (("legend/node-order", "empty"), ("legend/title-style", "hidden")):
            ET.SubElement(options, "Option", name=name, value=value, type="QString")


_LAWN_ON_PHOTO = "0.3"
"""So much of the lawn's colour that the ground is seen: zones lie over it."""

_KINDS = {None: "No geometry", "Geometry": "Unknown"}


def _vector(layer: _MapLayer, facts: ProjectFacts) -> ET.Element:
    """Return a layer with its style; in an order of its own it hides nothing, and a print stays sharp unmultiplied."""
    element = qml_element(layer.spec, layer.geometry)
    element.tag = "maplayer"
    element.attrib.pop("version")
    kind = _KINDS.get(layer.geometry) or str(layer.geometry).removeprefix("Multi").replace("LineString", "Line")
    element.attrib.update(type="vector", geometry=kind)
    blend = element.find("blendMode")
    if blend is not None:
        element.remove(blend)
    if layer.spec.name == "lawn" and facts.photo is not None:
        ET.SubElement(element, "layerOpacity").text = _LAWN_ON_PHOTO
    _identified(element, layer.id, layer.source(facts.file_name), layer.title, facts.crs if layer.geometry else None)
    ET.SubElement(element, "abstract").text = layer.spec.description
    ET.SubElement(element, "provider", encoding="UTF-8").text = "ogr"
    return element


def _raster(photo: Photo) -> ET.Element:
    element = ET.Element(
        "maplayer", type="raster", hasScaleBasedVisibilityFlag="1", minScale=str(SCALE_SITE), maxScale="0"
    )
    _identified(element, PHOTO_ID, photo.source, "Aerial image", photo.crs)
    ET.SubElement(element, "provider").text = "gdal"
    red, green, blue = (str(number) for number in photo.bands)
    pipe = ET.SubElement(element, "pipe")
    ET.SubElement(
        pipe, "rasterrenderer", type="multibandcolor", opacity="1", alphaBand="-1", redBand=red, greenBand=green,
        blueBand=blue,
    )  # fmt: skip
    return element


def _identified(element: ET.Element, layer_id: str, source: str, title: str, crs: CRS | None) -> None:
    ET.SubElement(element, "id").text = layer_id
    ET.SubElement(element, "datasource").text = source
    ET.SubElement(element, "layername").text = title
    if crs is not None:
        _set_reference_system(ET.SubElement(element, "srs"), crs)


def _united(some: Iterable[Bounds]) -> Bounds:
    return shapely.union_all([shapely.box(*bounds) for bounds in some]).bounds


def _widened(bounds: Bounds) -> Bounds:
    """Return bounds with a twentieth of their size around them."""
    rim = 0.05 * max(bounds[2] - bounds[0], bounds[3] - bounds[1])
    return bounds[0] - rim, bounds[1] - rim, bounds[2] + rim, bounds[3] + rim


def _fill_views(root: ET.Element, facts: ProjectFacts, whole: Bounds) -> None:
    """Open the map on all parcels, and give each a view of its own."""
    canvas = ET.SubElement(root, "mapcanvas", name="theMapCanvas", annotationsVisible="1")
    corners = zip(("xmin", "ymin", "xmax", "ymax"), _widened(whole), strict=True)
    extent = ET.SubElement(canvas, "extent")
    for name, value in corners:
        ET.SubElement(extent, name).text = repr(value)
    _set_reference_system(ET.SubElement(canvas, "destinationsrs"), facts.crs)
    settings = _found(root, "ProjectViewSettings")
    settings.set("UseProjectScales", "1")
    scales = _found(settings, "Scales")
    for scale in SCALES:
        ET.SubElement(scales, "Scale", Value=str(scale))
    views = _found(root, "Bookmarks")
    for number, (parcel_id, bounds) in enumerate(facts.parcels[:VIEWS_MAX], start=1):
        outline = shapely.box(*_widened(bounds), ccw=False).wkt
        view = ET.SubElement(views, "Bookmark", id=f"lawngis_{number}", name=one_line(parcel_id), group="Parcels")
        view.set("extent", outline)
        _set_reference_system(view, facts.crs)


def _frame(facts: ProjectFacts) -> MeasuringFrame | None:
    """Return a plane in which a metre is a metre; none without parcels, or where their coordinates don't fit the CRS.

    One parcel in a wrong place doesn't draw it away from the others.
    """
    try:
        middle = shapely.Point(np.median(_middles(facts), axis=0)) if facts.parcels else shapely.Point()
        return MeasuringFrame.centred_on(middle, facts.crs)
    except ParameterError:
        return None


def _middles(facts: ProjectFacts) -> FloatArray:
    return np.array([[(x0 + x1) / 2, (y0 + y1) / 2] for _, (x0, y0, x1, y1) in facts.parcels])


def _fill_sheet(layout: ET.Element, layers: Sequence[_MapLayer], facts: ProjectFacts, frame: MeasuringFrame) -> None:
    """Bind the sheet to the parcels: a page for each, in a frame in which a metre is a metre."""
    items = {item.get("id"): item for item in layout.iter("LayoutItem")}
    parcels = next(layer for layer in layers if layer.spec.name == "summary")
    x, y = frame.coordinates_from(facts.crs, _middles(facts)[:1])[0].tolist()
    reach_x, reach_y = 19.0, 17.0  # half the map on the sheet, at 1 to 200
    _found(items["map"], "Extent").attrib.update(
        xmin=repr(x - reach_x), ymin=repr(y - reach_y), xmax=repr(x + reach_x), ymax=repr(y + reach_y)
    )
    _set_reference_system(ET.SubElement(items["map"], "crs"), frame.crs)
    verdict = row_expression(parcels.spec, "Readiness: {readiness}[: {readiness_why}].[ {verdict_text}]")
    items["verdict"].set("labelText", f"[% {verdict} %]")
    # in a sheet's text what stands between these brackets is run
    data = "; ".join(one_line(words) for words in facts.attributions).replace("[%", "[ %")
    items["mind"].set("labelText", " ".join([*CAUTIONS, *([f"Data: {data}."] if data else [])]))
    _found(layout, "Atlas").attrib.update(
        coverageLayer=parcels.id,
        coverageLayerName=parcels.title,
        coverageLayerSource=parcels.source(facts.file_name),
        coverageLayerProvider="ogr",
        pageNameExpression="""concat("parcel_id", ' ' || nullif("label", ''))""",
        filenamePattern="@atlas_featurenumber || '_' || regexp_replace(\"parcel_id\", '[^A-Za-z0-9-]', '_')",
    )


def relative_source(file: Path, folder: Path) -> str:
    """Return a file's name as a project in a folder has it: relative to that where one is."""
    try:
        relative = Path(os.path.relpath(file.absolute(), folder.absolute()))
    except ValueError:  # on another drive
        return file.absolute().as_posix()
    return relative.as_posix() if relative.parts[0] == ".." else f"./{relative.as_posix()}"
