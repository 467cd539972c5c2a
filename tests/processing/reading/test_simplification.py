"""Outlines of very many vertices: fewer, nowhere further off than the map is, the same rings, and said."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from lawngis.processing.model.site import DataAccuracy, LayerAccuracy
from lawngis.processing.reading.simplification import VERTICES_MAX, simplified
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource


def wavy(vertices, *, radius=25.0, wave=0.02):
    """A round lawn whose edge wavers by some centimetres."""
    angle = np.linspace(0, 2 * np.pi, vertices, endpoint=False)
    reach = radius * (1 + 0.05 * np.sin(5 * angle)) + wave * np.sin(angle * vertices / 3.7)
    return shapely.Polygon(np.column_stack([30 + reach * np.cos(angle), 20 + reach * np.sin(angle)]))


def test_no_line_moves_by_more_than_a_vertex_is_off():
    outline = wavy(20_000)
    (fewer,), (finding,) = simplified("parcels", [outline], DataAccuracy())
    assert finding.code == "outline-simplified"
    assert finding.values["vertices"] == 20_001
    assert finding.values["left"] == shapely.get_num_coordinates(fewer) < 200
    assert finding.values["tolerance_m"] == pytest.approx(0.06)
    assert outline.hausdorff_distance(fewer) <= 0.06 + 1e-9
    assert fewer.area == pytest.approx(outline.area, rel=1e-3)


def test_ordinary_outlines_and_exact_maps_are_taken_as_they_are():
    ordinary = wavy(VERTICES_MAX - 1)
    shapes, said = simplified("lawns", [ordinary, None], DataAccuracy())
    assert shapes[0] is ordinary
    assert not said
    exact = DataAccuracy(layers={"lawns": LayerAccuracy(position_sd_m=0.0)})
    assert not simplified("lawns", [wavy(20_000)], exact)[1]


def test_holes_stay_holes_and_nothing_crosses():
    """Thin bridges of two centimetres between round holes, thinner than lines may move."""
    holes = [shapely.Point(x, y).buffer(0.99, quad_segs=400).exterior.coords for x in range(0, 20, 2) for y in (0, 2)]
    outline = shapely.Polygon(shapely.box(-2, -2, 20, 4).exterior.coords, holes)
    (fewer,), _ = simplified("parcels", [outline], DataAccuracy())
    assert fewer.is_valid
    assert len(fewer.interiors) == len(holes)
    assert shapely.get_num_coordinates(fewer) < 0.1 * shapely.get_num_coordinates(outline)


@pytest.mark.parametrize("multi", [False, True])
def test_holes_smaller_than_their_edges_are_off_are_closed(multi):
    """Five thousand of ten centimetres, and one of a metre, which stays."""
    places = [(x, y) for x in range(100) for y in range(50)]
    holes = [shapely.box(x + 0.3, y + 0.3, x + 0.4, y + 0.4).exterior.coords for x, y in places]
    holes[7] = shapely.box(0.2, 7.2, 0.9, 7.9).exterior.coords
    outline = shapely.Polygon(shapely.box(0, 0, 100, 50).exterior.coords, holes)
    given = shapely.MultiPolygon([outline, shapely.box(200, 0, 210, 10)]) if multi else outline
    (fewer,), (finding,) = simplified("parcels", [given], DataAccuracy())
    assert fewer.geom_type == given.geom_type
    assert fewer.area == pytest.approx(given.area + 4_999 * 0.01)
    assert finding.values["left"] == 10 + 5 * multi


def test_a_site_is_read_with_fewer_vertices_and_says_so(build, tmp_path):
    def placed(shape):
        return shapely.transform(shape, lambda xy: xy + np.array([500_000, 5_500_000]))

    site = build.site(tmp_path / "site", parcels=[placed(wavy(200_000))])
    build.layer(site / "site.gpkg", "lawns", [placed(wavy(5_000, radius=20))])
    seen = SiteSource(site_files(site)).site("P1")
    assert shapely.get_num_coordinates(seen.parcel) < 500
    assert shapely.get_num_coordinates(seen.layers["lawns"].geometry.iloc[0]) < 500
    assert [f.values["layer"] for f in seen.findings if f.code == "outline-simplified"] == ["parcels", "lawns"]
