"""What one could download of the neighbourhood: plots as a cadastre gives them, and an extract of a map of it.

The map knows what mappers draw: houses, ways, trees and hedges of one plot and its neighbours. Beds and outlets are not
on it.
"""

from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import geopandas as gpd
from shapely import get_coordinates

PLOT = "P07"
AROUND_M = 25.0
AREAS = {"drive": "pedestrian", "terrace": "pedestrian", "path": "footway"}
"""Kinds of areas as the map calls them."""


def write_downloads(found: dict[str, gpd.GeoDataFrame], out: Path) -> None:
    """Write the files, in degrees as such downloads are."""
    out.mkdir(parents=True, exist_ok=True)
    parcels = found["parcels"].set_index("parcel_id").loc[[PLOT]].reset_index()
    (out / "parcels.geojson").write_text(
        parcels.to_crs("EPSG:4326").to_json(drop_id=True, indent=1, sort_keys=True), encoding="utf-8"
    )
    near = parcels.geometry.iloc[0].buffer(AROUND_M)
    tree = _Map()
    for name, frame in found.items():
        if name in ("buildings", "hard_surfaces", "trees", "barriers"):
            for row in frame[frame.intersects(near)].to_crs("EPSG:4326").to_dict("records"):
                tree.add(row["geometry"], _tags(name, row))
    tree.write(out / "map.osm")


def _tags(layer: str, row: dict[str, Any]) -> dict[str, str]:
    """Return how the map describes a feature; nothing for what nobody maps."""
    if layer == "buildings":
        return {"building": "yes", "height": f"{row['height_m']:g}"}
    if layer == "hard_surfaces":
        return {"highway": AREAS[row["use"]], "area": "yes", "surface": "paving_stones"} if row["use"] in AREAS else {}
    if layer == "trees":
        return {"natural": "tree"}
    return {"barrier": row["kind"], "height": f"{row['height_m']:g}"} if row["kind"] in ("fence", "hedge") else {}


class _Map:
    """A map extract while it grows: nodes and ways of them, numbered from 1."""

    def __init__(self) -> None:
        self.root = ET.Element("osm", version="0.6", generator="invented by sample_parcels/build.py")
        self.ways: list[ET.Element] = []
        self.count = 0

    def add(self, shape: Any, tags: dict[str, str]) -> None:
        """Add a point, a line or an area; its holes are not drawn."""
        if not tags:
            return
        line = shape.exterior if shape.geom_type == "Polygon" else shape
        places = get_coordinates(line).tolist()
        closed = len(places) > 1 and places[0] == places[-1]
        nodes = [self._node(x, y) for x, y in (places[:-1] if closed else places)]
        thing = nodes[0]
        if len(nodes) > 1:
            self.count += 1
            thing = ET.Element("way", id=str(self.count), version="1")
            self.ways.append(thing)
            for node in (*nodes, *nodes[: int(closed)]):
                ET.SubElement(thing, "nd", ref=node.get("id", ""))
        for key, value in tags.items():
            ET.SubElement(thing, "tag", k=key, v=value)

    def _node(self, x: float, y: float) -> ET.Element:
        self.count += 1
        return ET.SubElement(self.root, "node", id=str(self.count), version="1", lat=f"{y:.7f}", lon=f"{x:.7f}")

    def write(self, path: Path) -> None:
        """Write it, ways after nodes."""
        self.root.extend(self.ways)
        ET.indent(self.root)
        ET.ElementTree(self.root).write(path, encoding="utf-8", xml_declaration=True)
