"""The contract is declared once, and documents follow it."""

from pathlib import Path

import pytest

from lawngis.processing.cli.describe import contract_tables
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.site_layers import SITE_LAYERS

ROOT = Path(__file__).parents[3]


@pytest.mark.parametrize("spec", PLAN_LAYERS.values(), ids=lambda spec: spec.name)
def test_plan_layers_are_documented_and_belong_to_a_parcel(spec):
    names = [column.name for column in spec.columns]
    assert names[0] == "parcel_id" and len(names) == len({name.casefold() for name in names})
    assert spec.title and spec.description and all(column.description for column in spec.columns)
    assert "geom" not in names and "fid" not in names
    assert spec.key is None or spec.key in names


def test_units_in_names_and_declarations_agree():
    endings = {"_m2": "m²", "_m": "m", "_percent": "%", "_deg": "°", "_ut": "µT", "_ohm": "Ω", "_h": "h"}
    for spec in PLAN_LAYERS.values():
        for column in spec.columns:
            for ending, unit in endings.items():
                if column.kind == "real" and column.name.endswith(ending):
                    assert column.unit == unit, f"{spec.name}.{column.name}"
                    break


def test_developers_page_holds_the_declared_tables():
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    tables = page.split("<!-- tables -->\n")[1].split("<!-- /tables -->")[0]
    assert tables == contract_tables(), (
        "run `python -m lawngis.processing.cli.describe` and put the tables into DEVELOPERS.md"
    )


def test_readme_names_every_layer():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for name in (*PLAN_LAYERS, *(name for name in SITE_LAYERS if name != "overrides")):
        assert name in readme, name
