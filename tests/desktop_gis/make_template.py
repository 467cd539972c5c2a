"""Makes the template of the project in ``plan.gpkg``, with the desktop GIS that reads it.

Run by the GIS's own Python: ``QT_QPA_PLATFORM=offscreen /usr/bin/python3 make_template.py TEMPLATE.qgs``. Layers,
views, places and reference systems are put in by ``processing/files/project_encoding.py``; what the template fixes is
the frame of a project of version 3.22, which later ones read, and the sheet for printing.
"""

import re
import sys
from pathlib import Path

from qgis.core import (
    QgsApplication,
    QgsCoordinateReferenceSystem,
    QgsLayoutItemLabel,
    QgsLayoutItemLegend,
    QgsLayoutItemMap,
    QgsLayoutItemPicture,
    QgsLayoutItemScaleBar,
    QgsLayoutMeasurement,
    QgsLayoutPoint,
    QgsLayoutSize,
    QgsLegendStyle,
    QgsPrintLayout,
    QgsProject,
    QgsUnitTypes,
)
from qgis.PyQt.QtGui import QFont

FONT = "Sans Serif"


def placed(item, name, x, y, width, height):
    """Give an item of the sheet its name, place and size [mm]."""
    item.setId(name)
    item.attemptMove(QgsLayoutPoint(x, y))
    item.attemptResize(QgsLayoutSize(width, height))
    return item


def label(layout, text, size, *, bold=False):
    item = QgsLayoutItemLabel(layout)
    item.setText(text)
    item.setFont(QFont(FONT, size, QFont.Bold if bold else QFont.Normal))
    return item


def sheet(project):
    """An upright A4 sheet of one parcel: heading, map in a round scale, bar, legend, what to mind, whose data."""
    layout = QgsPrintLayout(project)
    layout.initializeDefaults()
    layout.setName("Sheet of a parcel")
    layout.pageCollection().page(0).setPageSize("A4", 0)
    layout.addLayoutItem(placed(label(layout, "[% @atlas_pagename %]", 16, bold=True), "heading", 10, 8, 140, 9))
    layout.addLayoutItem(placed(label(layout, "VERDICT", 8), "verdict", 10, 17, 190, 11))
    map_ = placed(QgsLayoutItemMap(layout), "map", 10, 29, 190, 170)
    map_.setFrameEnabled(True)
    map_.setFrameStrokeWidth(QgsLayoutMeasurement(0.2))
    map_.setAtlasDriven(True)
    map_.setAtlasScalingMode(QgsLayoutItemMap.Predefined)
    map_.setAtlasMargin(0.1)
    layout.addLayoutItem(map_)
    layout.setReferenceMap(map_)
    bar = QgsLayoutItemScaleBar(layout)
    bar.setStyle("Single Box")
    bar.setLinkedMap(map_)
    bar.setUnits(QgsUnitTypes.DistanceMeters)
    bar.setUnitLabel("m")
    bar.setUnitsPerSegment(5)
    bar.setNumberOfSegments(2)
    bar.setNumberOfSegmentsLeft(0)
    bar.setHeight(1.5)
    bar.setFont(QFont(FONT, 8))
    layout.addLayoutItem(placed(bar, "bar", 10, 201, 60, 10))
    layout.addLayoutItem(
        placed(label(layout, "1 : [% round(map_get(item_variables('map'), 'map_scale')) %] on A4", 10, bold=True),
               "scale", 100, 203, 60, 6)
    )  # fmt: skip
    north = QgsLayoutItemPicture(layout)
    north.setPicturePath("arrows/NorthArrow_02.svg")
    north.setLinkedMap(map_)
    north.setNorthMode(QgsLayoutItemPicture.GridNorth)
    layout.addLayoutItem(placed(north, "north", 188, 201, 12, 12))
    legend = QgsLayoutItemLegend(layout)
    legend.setLinkedMap(map_)
    legend.setLegendFilterByMapEnabled(True)
    legend.setColumnCount(5)
    legend.setSplitLayer(True)
    legend.setSymbolHeight(2.0)
    legend.setSymbolWidth(5)
    for style, size in (
        (QgsLegendStyle.Group, 7),
        (QgsLegendStyle.Subgroup, 6),
        (QgsLegendStyle.SymbolLabel, 5),
        (QgsLegendStyle.Title, 8),
    ):
        legend.setStyleFont(style, QFont(FONT, size))
        legend.rstyle(style).setMargin(QgsLegendStyle.Top, 0.8)
    legend.setResizeToContents(True)
    layout.addLayoutItem(placed(legend, "legend", 10, 212, 190, 60))
    layout.addLayoutItem(placed(label(layout, "MIND", 5), "mind", 10, 276, 190, 18))
    atlas = layout.atlas()
    atlas.setEnabled(True)
    atlas.setPageNameExpression("PAGE")
    return layout


def main(path):
    application = QgsApplication([], False)
    application.initQgis()
    project = QgsProject.instance()
    project.setTitle("lawngis")
    project.setCrs(QgsCoordinateReferenceSystem("EPSG:4326"))  # any, so that it says that it has one
    project.layoutManager().addLayout(sheet(project))
    project.write(path)
    application.exitQgis()
    text = Path(path).read_text("utf-8")
    text = re.sub(r' (saveUser|saveUserFull|saveDateTime)="[^"]*"', "", text)  # neither who nor when
    text = re.sub(r"<(author|creation)>[^<]*</\1>", r"<\1></\1>", text)
    numbers = iter(range(1, 10_000))
    seen = {}
    one = lambda found: seen.setdefault(found[0], f"{{00000000-0000-0000-0000-{next(numbers):012d}}}")  # noqa: E731
    text = re.sub(r"\{[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}\}", one, text)
    text = re.sub(r"Annotations_[0-9a-f_]+", "annotations", text)
    text = re.sub(r"\n\s+", "\n", text)
    Path(path).write_text(text, "utf-8")


if __name__ == "__main__":
    main(*sys.argv[1:])
