"""Each decision is the same whether its fact was derived from maps, measured on site, or edited in the plan."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from types import SimpleNamespace

import geopandas
import numpy as np
import pyogrio
import pytest
import shapely
from shapely import Point
from shapely.geometry.base import BaseGeometry

from lawngis.mower import built_in_profile, profile_text
from lawngis.processing.cli.main import main
from lawngis.processing.derived.decisions import link_kind

MOWER = built_in_profile()
WIDE_M, NARROW_M = 1.2, 0.7
"""Passages that the default profile drives through, and that it doesn't: its least is 0.9 m."""


@pytest.mark.parametrize(
    ("width_m", "surface", "kind"),
    [
        (0.89, "lawn", "blocked"),
        (0.9, "lawn", "transit"),
        (1.59, "lawn", "transit"),
        (1.6, "lawn", "open"),
        (0.89, "flush path", "blocked"),
        (0.9, "flush path", "crossing"),
        (3.0, "flush terrace", "crossing"),
    ],
)
def test_the_kind_of_a_passage_hangs_on_its_width_and_surface(width_m, surface, kind):
    """By the contract's default profile: mown from 1.6 m, driven through from 0.9 m."""
    assert link_kind(width_m, surface, MOWER) == kind


@pytest.fixture
def made(build, tmp_path):
    """Make sites of a parcel with a lawn, plan them, and edit and measure what the plan says."""

    def site(name: str, lawns: list[BaseGeometry], *, heights=None, **layers) -> Path:
        folder = tmp_path / name
        folder.mkdir()
        gpkg = folder / "site.gpkg"
        build.layer(gpkg, "parcels", [build.block(-2, -2, 32, 19)], parcel_id=["P1"])
        build.layer(gpkg, "lawns", lawns)
        build.layer(gpkg, "outlets", [build.at(3, 0)])
        for layer, (shapes, columns) in layers.items():
            build.layer(gpkg, layer, shapes, **columns)
        build.dem(folder / "dem.tif", width_m=60, depth_m=40, heights=heights)
        return folder

    def overrides(folder: Path, *rows: tuple) -> Path:
        names = ("target_layer", "target_id", "column", "value")
        columns = {name: [row[number] for row in rows] for number, name in enumerate(names)}
        places = [row[4] if len(row) > 4 else Point() for row in rows]
        table = geopandas.GeoDataFrame(columns, geometry=places, crs=build.crs)
        pyogrio.write_dataframe(table, folder / "overrides.gpkg", layer="overrides")
        return folder

    def plan(folder: Path, *words: str) -> Path:
        out = folder / "out"
        assert main(["plan", str(folder), "--out", str(out), *words]) == 0
        return out / "plan.gpkg"

    def edited(folder: Path, layer: str, first: str, change, *words: str) -> Path:
        file = plan(folder, *words)
        table = pyogrio.read_dataframe(file, layer=layer)
        pyogrio.write_dataframe(change(table), file, layer=layer)
        return plan(folder, *words, "--from", first)

    return SimpleNamespace(site=site, overrides=overrides, plan=plan, edited=edited, build=build)


def rows(plan: Path, layer: str) -> geopandas.GeoDataFrame:
    return pyogrio.read_dataframe(plan, layer=layer)


def said(plan: Path, *codes: str) -> list[str]:
    table = rows(plan, "findings")
    return sorted(table.loc[table["code"].isin(codes), "text"])


def changed(column: str, value: object, **where: object):
    """Return an edit: one column of the rows that have some values."""

    def change(table):
        here = np.logical_and.reduce([table[name] == wanted for name, wanted in where.items()] or [[True] * len(table)])
        table.loc[here, column] = value
        return table

    return change


# --- kind of a passage, who is reached, and by what supply ------------------------------------------------


def lawns(build, width_m: float, second_m: float = 8.0) -> list[BaseGeometry]:
    """Lawns of 120 and of ten times as many square metres as the second is long, and a passage between."""
    passage = build.block(12, 5 - width_m / 2, 4, width_m)
    return [shapely.union_all([build.block(0, 0, 12, 10), passage, build.block(16, 0, second_m, 10)])]


def three_ways(made, width_m: float, second_m: float, *words: str) -> list[Path]:
    """The plans of a passage of a width: as the maps have it, measured, and edited where the maps have another."""
    other_m = WIDE_M if width_m == NARROW_M else NARROW_M
    folders = [
        made.site(f"{way}", lawns(made.build, width, second_m))
        for way, width in (("derived", width_m), ("measured", other_m), ("edited", other_m))
    ]
    made.overrides(folders[1], ("links", "", "width_m", f"{width_m}", made.build.at(14, 5)))
    change = changed("width_m", width_m)
    return [
        made.plan(folders[0], *words),
        made.plan(folders[1], *words),
        made.edited(folders[2], "links", "edges", change, *words),
    ]


def answer(plan: Path) -> dict[str, object]:
    zones = rows(plan, "zones").sort_values("zone_id")
    by_hand = rows(plan, "hand_mow")
    return {
        "zones": zones[["zone_id", "role", "loop_id", "reached_by", "supply", "supply_why"]].fillna("").values.tolist(),
        "links": rows(plan, "links")[["link_id", "kind", "surface"]].values.tolist(),
        "loops": sorted(rows(plan, "wire_path")["loop_id"]),
        "by hand": {
            reason: round(area)
            for reason, area in by_hand.groupby("reason")["area_m2"].sum().items()
            if reason != "narrow"
        },
        "said": said(plan, "zone-detached", "zone-unreachable", "passage-blocked", "crossing"),
    }


@pytest.fixture
def own_profile(tmp_path) -> str:
    """A profile with which nothing but the main wire is offered."""
    lines = profile_text("medium").splitlines()
    text = "\n".join(
        'supplies_offered = ["main_wire"]' if line.startswith("supplies_offered") else line for line in lines
    )
    (tmp_path / "mine.toml").write_text(text)
    return str(tmp_path / "mine.toml")


@pytest.fixture
def own_prices(tmp_path) -> str:
    """A price book in francs in which a saw cut is free and a dock costs a fortune."""
    text = resources.files("lawngis").joinpath("prices_example.toml").read_text(encoding="utf-8")
    lines = [
        {"currency": 'currency = "CHF"', "dock_each": "dock_each = 7654.0"}.get(line.partition("=")[0].strip(), line)
        for line in text.splitlines()
    ]
    (tmp_path / "prices.toml").write_text("\n".join(lines), encoding="utf-8")
    return str(tmp_path / "prices.toml")


def test_a_passage_that_is_too_narrow_cuts_its_zone_off_in_all_three_ways(made):
    derived, measured, edited = (answer(plan) for plan in three_ways(made, NARROW_M, 8.0))
    assert [zone[1] for zone in derived["zones"]] == ["home", "detached"]
    assert measured == derived
    assert edited == derived


def test_a_passage_that_is_wide_enough_links_its_zone_in_all_three_ways(made):
    derived, measured, edited = (answer(plan) for plan in three_ways(made, WIDE_M, 8.0))
    assert [zone[1:5] for zone in derived["zones"]][1] == ["linked", "P1-L1", "P1-P1", "main_wire"]
    assert measured == derived
    assert edited == derived


def test_no_way_gives_a_zone_a_supply_that_nobody_offers(made, own_profile):
    """110 m² are more than the 106 that one charge mows: they need a dock, and none is offered."""
    derived, measured, edited = (answer(plan) for plan in three_ways(made, NARROW_M, 11.0, "--profile", own_profile))
    assert [zone[1] for zone in derived["zones"]] == ["home"] and derived["by hand"] == {"unreachable": 110}
    assert "the profile does not offer it" in derived["said"][0]
    assert measured == derived
    assert edited == derived


def test_every_way_quotes_from_the_price_book_given(made, own_prices):
    words = ("--set", f"zones.price_book={own_prices}")
    derived, measured, edited = (answer(plan) for plan in three_ways(made, NARROW_M, 11.0, *words))
    (text,) = [text for text in derived["said"] if "reached by the mower" in text]
    assert "CHF" in text and "EUR" not in text
    assert measured == derived
    assert edited == derived


def test_a_blocked_way_over_paving_that_is_widened_is_crossed_and_never_mown(made):
    """Faults of once: edited by hand it came out open."""
    build = made.build
    two = [build.block(0, 0, 12, 10), build.block(13.5, 0, 8, 10)]
    path = {"hard_surfaces": ([build.block(12, -1, 1.5, 12)], {"use": ["path"], "level": ["flush"]})}
    derived = made.plan(made.site("derived", two, **path))
    folder = made.site("both", two, **path)
    narrow = made.plan(made.overrides(folder, ("links", "P1-P1", "width_m", "0.7")))
    assert rows(narrow, "links")[["kind", "surface"]].values.tolist() == [["blocked", "flush path"]]
    table = changed("width_m", 2.0)(rows(narrow, "links"))
    pyogrio.write_dataframe(table, narrow, layer="links")
    edited = answer(made.plan(folder, "--from", "edges"))
    measured = made.plan(made.overrides(made.site("measured", two, **path), ("links", "P1-P1", "width_m", "2.0")))
    assert answer(derived)["links"] == [["P1-P1", "crossing", "flush path"]]
    assert edited == answer(derived) == answer(measured)


# --- edges -----------------------------------------------------------------------------------------------


def test_an_edge_has_the_setback_of_its_class_in_all_three_ways(made):
    """The lawn's southern edge: a raised terrace on the map, or seen, or edited, where the map has a flush one."""
    build = made.build
    lawn, terrace = [build.block(0, 0, 12, 10)], [build.block(0, -1.5, 12, 1.5)]

    def site(name: str, level: str) -> Path:
        return made.site(name, lawn, hard_surfaces=(terrace, {"use": ["terrace"], "level": [level]}))

    derived = made.plan(site("derived", "raised"))
    measured = made.plan(
        made.overrides(site("measured", "flush"), ("edges", "", "edge_class", "raised", build.at(6, 0)))
    )
    edited = made.edited(site("edited", "flush"), "edges", "dock", changed("edge_class", "raised", edge_class="flush"))
    found = []
    for plan in (derived, measured, edited):
        (edge,) = [row for row in rows(plan, "edges").itertuples() if row.geometry.dwithin(build.at(6, 0), 0.01)]
        away = rows(plan, "wire_path").geometry.iloc[0].distance(build.at(6, 0))
        found.append((edge.edge_class, edge.setback_m, round(away, 2)))
    assert found == [("raised", MOWER.setback_m.raised, 0.35)] * 3


# --- dock ------------------------------------------------------------------------------------------------


def dock_answer(plan: Path, place: Point) -> tuple:
    docks = rows(plan, "dock_candidates")
    (chosen,) = docks[docks["chosen"].astype(bool)].itertuples()
    here = docks[docks.geometry.dwithin(place, 0.01)]
    return (
        round(chosen.geometry.x, 2), round(chosen.geometry.y, 2), bool(chosen.feasible),
        sorted(zip(here["feasible"].astype(bool), here["failed"].fillna(""), strict=True)),
    )  # fmt: skip


def test_ground_under_a_dock_that_is_too_steep_fails_it_in_all_three_ways(made):
    build = made.build
    lawn = [build.block(0, 0, 12, 10)]
    plain = made.plan(made.site("plain", lawn))
    docks = rows(plain, "dock_candidates")
    (first,) = docks[docks["chosen"].astype(bool)].itertuples()
    measured = made.plan(
        made.overrides(made.site("measured", lawn), ("dock_candidates", first.candidate_id, "slope_percent", "9"))
    )
    change = changed("slope_percent", 9.0, candidate_id=first.candidate_id)
    edited = made.edited(made.site("edited", lawn), "dock_candidates", "supply", change)
    answers = [dock_answer(plan, first.geometry) for plan in (measured, edited)]
    assert answers[0][3] == [(False, "slope of the pad 9.0 % is over 5.0 %")] * 2
    assert answers[0][2] and Point(answers[0][:2]).distance(first.geometry) > 0.3
    assert answers[1] == answers[0]
    steep = made.site("derived", lawn, heights=lambda x, y: 0.09 * x + 0 * y)
    failed = rows(made.plan(steep), "dock_candidates")["failed"]
    assert failed.str.startswith("slope of the pad 9.0 % is over 5.0 %").all(), "as any place of that slope"


def test_a_dock_that_is_forced_or_dragged_is_judged_as_the_place_it_stands_on(made):
    build = made.build
    lawn = [build.block(0, 0, 12, 10)]
    docks = rows(made.plan(made.site("derived", lawn)), "dock_candidates")
    corner = docks[docks["failed"].fillna("").str.contains("corner")].iloc[0]
    there = docks[docks.geometry.dwithin(corner.geometry, 0.01)]
    measured = made.plan(
        made.overrides(made.site("measured", lawn), ("dock_candidates", "", "geometry", "", corner.geometry))
    )

    def drag(table):
        table.loc[table["chosen"].astype(bool), "geometry"] = corner.geometry
        return table

    edited = made.edited(made.site("edited", lawn), "dock_candidates", "supply", drag)
    for plan in (measured, edited):
        table = rows(plan, "dock_candidates")
        (dock,) = table[table["chosen"].astype(bool)].itertuples()
        assert dock.geometry.distance(corner.geometry) < 0.02
        like = there[there["heading_deg"].sub(dock.heading_deg).abs() < 0.1].iloc[0]
        assert (bool(dock.feasible), dock.failed) == (False, like["failed"])
        for figure in ("slope_percent", "straight_m", "corner_m", "outlet_m", "shade_share", "flat_score"):
            assert getattr(dock, figure) == pytest.approx(like[figure], abs=1e-3, nan_ok=True), figure
        assert any(
            f"misses: {like['failed']}" in text for text in said(plan, "override-contradicts", "edit-breaks-rule")
        )


# --- too steep -------------------------------------------------------------------------------------------


def test_ground_that_is_too_steep_is_no_zone_by_map_or_measurement_and_an_edit_that_takes_it_in_is_stopped(made):
    build = made.build
    lawn = [build.block(0, 0, 20, 10)]
    bank = build.block(8, -2, 5, 19)
    mapped = made.site("derived", lawn, heights=lambda x, y: 0.45 * np.clip(x - 8, 0, 5) + 0 * y)
    derived = made.plan(mapped)
    level = made.overrides(made.site("measured", lawn), ("keepouts", "", "slope_percent", "45", bank))
    measured = made.plan(level)
    for plan in (derived, measured):
        steep = rows(plan, "keepouts").query("reason == 'steep'")
        assert shapely.union_all(steep.geometry).intersection(bank).area > 0.8 * bank.area
        assert shapely.union_all(rows(plan, "zones").geometry).intersection(bank).area < 0.2 * bank.area
        assert not said(plan, "edit-breaks-rule")
    for folder, plan in ((mapped, derived), (level, measured)):
        keepouts = rows(plan, "keepouts")
        pyogrio.write_dataframe(keepouts[keepouts["reason"] != "steep"], plan, layer="keepouts")
        edited = made.plan(folder, "--from", "zones")
        table = rows(edited, "findings").query("code == 'edit-breaks-rule'")
        assert set(table["severity"]) == {"stop"}
        assert table["text"].str.contains("too steep for the mower").all() and table.geometry.intersects(bank).any()
