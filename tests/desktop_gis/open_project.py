"""Opens a plan's project as a person does, and tells what came of it; run by the desktop GIS's own Python.

``/usr/bin/python3 open_project.py PLAN.gpkg FOLDER SCALE...`` draws the whole site at each scale, some layers in other
orders and the sheet of a parcel into FOLDER, and prints what is asked of them as JSON.
"""

import json
import sys
from pathlib import Path

from qgis.core import (
    QgsApplication,
    QgsDistanceArea,
    QgsExpression,
    QgsExpressionContext,
    QgsExpressionContextUtils,
    QgsLayoutExporter,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsProject,
    QgsRectangle,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize

DPI = 96
MARGIN_MM = 8


def drawn(layers, bounds, crs, scale, path, context=None):
    """Draw layers at a scale, the first on top; return the labels by the id of their layer."""
    units = [(length + 2 * MARGIN_MM / 1000 * scale) for length in (bounds.width(), bounds.height())]
    pixels = [round(length / scale / 0.0254 * DPI) for length in units]
    centre, half = bounds.center(), [pixel * scale * 0.0254 / DPI / 2 for pixel in pixels]
    settings = QgsMapSettings()
    settings.setDestinationCrs(crs)
    settings.setOutputDpi(DPI)
    settings.setOutputSize(QSize(*pixels))
    settings.setExtent(
        QgsRectangle(centre.x() - half[0], centre.y() - half[1], centre.x() + half[0], centre.y() + half[1])
    )
    settings.setLayers(layers)
    if context is not None:
        settings.setExpressionContext(context)
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    job.renderedImage().save(str(path))
    found = {}
    for label in job.takeLabelingResults().allLabels():
        found.setdefault(label.layerID, []).append(label.labelText)
    return {name: sorted(some) for name, some in found.items()}


def said(layer):
    """What the first row says, under the pointer and in a list, and the names of its columns."""
    context = QgsExpressionContext(QgsExpressionContextUtils.globalProjectLayerScopes(layer))
    feature = next(layer.getFeatures(), None)
    if feature is None:
        return None
    context.setFeature(feature)
    display = QgsExpression(layer.displayExpression())
    tip = QgsExpression.replaceExpressionText(layer.mapTipTemplate(), context)
    return {"tip": tip, "display": str(display.evaluate(context)), "error": display.evalErrorString()}


def sheet(project, folder):
    """Make the sheet of the first parcel as the window for sheets does; return its scale, and how true a metre is."""
    layout = project.layoutManager().layouts()[0]
    layout.reportContext().setPredefinedScales(project.viewSettings().mapScales())
    atlas, map_ = layout.atlas(), layout.itemById("map")
    atlas.beginRender()
    atlas.seekTo(0)
    layout.refresh()
    settings = QgsLayoutExporter.ImageExportSettings()
    settings.dpi = DPI
    QgsLayoutExporter(layout).exportToImage(str(folder / "sheet.png"), settings)
    ground = QgsDistanceArea()
    ground.setSourceCrs(map_.crs(), project.transformContext())
    ground.setEllipsoid(project.crs().ellipsoidAcronym())
    middle = map_.extent().center()
    across = ground.measureLine(
        [type(middle)(map_.extent().xMinimum(), middle.y()), type(middle)(map_.extent().xMaximum(), middle.y())]
    )
    paper_m = map_.rect().width() / 1000
    return {
        "scale": map_.scale(), "true_scale": across / paper_m, "pages": atlas.count(),
        "verdict": layout.itemById("verdict").currentText(), "mind": layout.itemById("mind").currentText(),
    }  # fmt: skip


def opened(plan, folder, scales):
    """Open, draw and ask."""
    log = []
    QgsApplication.messageLog().messageReceived.connect(lambda text, tag, level: log.append(f"{tag}: {text}"))
    project = QgsProject.instance()
    read = project.read(f"geopackage:{plan}?projectName=lawngis")
    root = project.layerTreeRoot()
    layers = project.mapLayers()
    shown = [layer for layer in root.layerOrder() if root.findLayer(layer.id()).isVisible()]
    bounds = layers["lawngis_summary"].extent() if "lawngis_summary" in layers else None
    answer = {
        "read": read, "error": project.error(), "log": log, "crs": project.crs().authid(),
        "invalid": [name for name, layer in layers.items() if not layer.isValid()],
        "groups": {group.name(): group.findLayerIds() for group in root.findGroups()},
        "order": [layer.id() for layer in root.layerOrder()],
        "shown": [layer.id() for layer in shown],
        "views": [view.name() for view in project.bookmarkManager().bookmarks()],
    }  # fmt: skip
    if not read or answer["invalid"]:
        return answer
    context = project.createExpressionContext()
    answer["labels"] = {
        scale: drawn(shown, bounds, project.crs(), scale, folder / f"{scale}.png", context) for scale in scales
    }
    vectors = {name: layer for name, layer in layers.items() if isinstance(layer, QgsVectorLayer)}
    answer["says"] = {name: said(layer) for name, layer in vectors.items()}
    answer["aliases"] = {name: [field.displayName() for field in layer.fields()] for name, layer in vectors.items()}
    for number, names in enumerate((("wire_runs",), ("lawn", "zones", "wire_runs"))):  # each dragged in over the next
        some = [QgsVectorLayer(f"{plan}|layername={name}", name, "ogr") for name in names]
        drawn(some, bounds, project.crs(), 500, folder / f"dragged{number}.png")
    answer["sheet"] = sheet(project, folder)
    return answer


def main(plan, folder, *scales):
    application = QgsApplication([], False)
    application.initQgis()
    print(json.dumps(opened(plan, Path(folder), [int(scale) for scale in scales])))
    QgsProject.instance().clear()
    application.exitQgis()


if __name__ == "__main__":
    main(*sys.argv[1:])
