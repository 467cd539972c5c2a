"""What no layer tells of a parcel, weighed by what hangs on it; through the real command line."""

from __future__ import annotations

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio

from lawngis.processing.cli.main import main
from lawngis.processing.derived.knowledge import LAYER_OF

EVERYTHING = "[complete]\n" + "".join(f'{layer} = "all"\n' for layer in LAYER_OF.values())


@pytest.fixture
def garden(build, tmp_path):
    """A level garden of 30 m x 20 m with a house, its terrace and an outlet; layers are left out on demand."""

    def make(*leave_out, complete=None, house_in_dsm=False):
        folder = tmp_path / f"site-{len(list(tmp_path.iterdir()))}"
        folder.mkdir()
        gpkg = folder / "site.gpkg"
        house, terrace = build.block(0, 0, 10, 8), build.block(10, 0, 4, 5)
        build.layer(gpkg, "parcels", [build.block(-2, -2, 32, 22)], parcel_id=["P1"])
        for name, shapes, columns in (
            ("buildings", [house], {"height_m": [6.0]}),
            ("hard_surfaces", [terrace], {"use": ["terrace"], "level": ["flush"]}),
            ("outlets", [build.at(10.2, 7)], {}),
        ):
            if name not in leave_out:
                build.layer(gpkg, name, shapes, **columns)
        build.dem(folder / "dem.tif", width_m=60, depth_m=45)
        if house_in_dsm:
            with rasterio.open(folder / "dem.tif") as dem:
                profile, values = dem.profile, dem.read(1)
                cols, rows = np.meshgrid(np.arange(dem.width), np.arange(dem.height))
                x, y = dem.transform * (cols + 0.5, rows + 0.5)
            left, bottom, right, top = house.bounds
            inside = (x > left) & (x < right) & (y > bottom) & (y < top)
            with rasterio.open(folder / "dsm.tif", "w", **profile) as dsm:
                dsm.write((values + 6.0 * inside).astype(values.dtype), 1)
        if complete is not None:
            (folder / "site.toml").write_text(complete)
        return folder

    return make


def planned(folder, *words):
    out = folder / "out"
    assert main(["plan", str(folder), "--out", str(out), *words]) == 0
    plan = out / "plan.gpkg"
    return pyogrio.read_dataframe(plan, layer="summary").iloc[0], plan


def rows(plan, layer):
    return pyogrio.read_dataframe(plan, layer=layer)


def test_all_layers_complete_is_ready_and_unknown_in_nothing(garden):
    summary, plan = planned(garden(complete=EVERYTHING))
    assert (summary.readiness, summary.basis, summary.doubt) == ("ready", "layers", 0)
    assert pd.isna(summary.unknowns)
    assert "not-told" not in set(rows(plan, "findings").code)


def test_slope_is_measured_and_not_asked_about_like_what_is_missing_from_a_map(garden):
    folder = garden(complete=EVERYTHING)
    (folder / "dem.tif").unlink()
    summary, plan = planned(folder)
    assert (summary.readiness, summary.unknowns) == ("visit", "slope")
    assert rows(plan, "visit_checks").code.tolist()[:1] == ["slope-unknown"]
    assert "what-is-there" not in set(rows(plan, "visit_checks").code)


def test_layers_that_say_nothing_of_being_complete_are_looked_at_first(garden):
    summary, plan = planned(garden())
    assert (summary.readiness, summary.basis) == ("visit", "layers")
    assert summary.unknowns == "buildings, paving, drops, water, beds, trees, streets", "an outlet is enough"
    assert summary.doubt == 1 + 1 + 5 * 2, "house and terrace are mapped, the rest isn't"
    first = rows(plan, "visit_checks").sort_values("priority").iloc[0]
    assert first.code == "what-is-there" and first.target_column == "complete"
    assert rows(plan, "visit_areas").set_index("check_id").area_m2[first.check_id] == pytest.approx(32 * 22, rel=1e-3)


@pytest.mark.parametrize("missing", ["buildings", "hard_surfaces"])
def test_without_buildings_or_paving_the_lawn_is_an_upper_bound(garden, missing):
    summary, _ = planned(garden(missing))
    assert (summary.readiness, summary.basis) == ("visit", "boundary")
    told = {"buildings": "buildings and beds", "hard_surfaces": "paving and beds"}[missing]
    assert summary.verdict_text.startswith("At most ") and f". No layer tells of {told}." in summary.verdict_text
    assert planned(garden())[0].lawn_m2 < summary.lawn_m2


@pytest.mark.parametrize("missing", [("buildings",), ("hard_surfaces",), ("outlets",), ("buildings", "hard_surfaces")])
def test_less_data_is_never_known_better(garden, missing):
    order = ("ready", "visit", "settle", "none", "failed")
    more, less = planned(garden())[0], planned(garden(*missing))[0]
    assert order.index(less.readiness) >= order.index(more.readiness)
    assert less.doubt > more.doubt


def test_what_stands_in_the_surface_model_is_no_lawn_though_no_layer_has_it(garden):
    seen, plan = planned(garden("buildings", house_in_dsm=True))
    mapped, _ = planned(garden())
    assert seen.lawn_m2 == pytest.approx(mapped.lawn_m2, rel=0.02), "the house isn't mown"
    check = rows(plan, "visit_checks").set_index("code").loc["standing"]
    assert "80 m²" in check.measure_what and "1 place" in check.measure_what
    assert seen.verdict_text.startswith("At most ")


def test_a_house_that_is_mapped_is_not_asked_about_again(garden):
    _, plan = planned(garden(house_in_dsm=True))
    assert "standing" not in set(rows(plan, "visit_checks").code)


def test_somebody_who_looked_through_the_parcel_settles_it(garden):
    folder = garden()
    told = pd.DataFrame(
        [{"target_layer": "parcels", "target_id": "P1", "column": "complete", "value": "yes", "note": "walked"}]
    )
    pyogrio.write_dataframe(told, folder / "overrides.gpkg", layer="overrides")
    summary, plan = planned(folder)
    assert (summary.readiness, summary.doubt) == ("ready", 0)
    applied = rows(plan, "findings").set_index("code").text["override-applied"]
    assert applied == "seen on site: all that is there is drawn in (walked)"
    told["value"] = "no"
    pyogrio.write_dataframe(told, folder / "overrides.gpkg", layer="overrides")
    summary, plan = planned(folder, "--discard-edits")
    assert summary.readiness == "visit"
    applied = rows(plan, "findings").set_index("code").text["override-applied"]
    assert applied == "seen on site: something is missing that no layer has (walked)"


def test_complete_inside_an_outline_that_covers_half_a_parcel_is_not_complete(garden, build):
    folder = garden(complete=EVERYTHING.replace('water = "all"', 'water = "walked"'))
    half = geopandas.GeoDataFrame(geometry=[build.block(-2, -2, 16, 22)], crs=build.crs)
    pyogrio.write_dataframe(half, folder / "site.gpkg", layer="walked", append=True)
    summary, _ = planned(folder)
    assert (summary.readiness, summary.unknowns) == ("visit", "water")


@pytest.mark.parametrize(("written", "readiness"), [("all is drawn in", "ready"), ("Yes", "ready"), ("no", "visit")])
def test_the_visit_sheets_first_line_comes_back_as_what_is_known(garden, written, readiness):
    folder = garden()
    _, plan = planned(folder)
    check = rows(plan, "visit_checks").sort_values("priority").iloc[0]
    assert "answer: all is drawn in or something is missing" in check.measured_how
    sheet = folder.parent / "sheet.csv"
    pd.DataFrame({"check_id": [check.check_id], "measured": [written]}).to_csv(sheet, index=False)
    assert main(["measured", str(plan), str(sheet), "--out", str(folder / "overrides.gpkg")]) == 0
    assert planned(folder)[0].readiness == readiness


def test_a_sheet_that_says_neither_yes_nor_no_is_refused(garden, capsys):
    folder = garden()
    _, plan = planned(folder)
    check = rows(plan, "visit_checks").sort_values("priority").iloc[0]
    sheet = folder.parent / "sheet.csv"
    pd.DataFrame({"check_id": [check.check_id], "measured": ["perhaps"]}).to_csv(sheet, index=False)
    assert main(["measured", str(plan), str(sheet), "--out", str(folder / "overrides.gpkg")]) == 2
    assert "'perhaps' is no answer" in capsys.readouterr().err
