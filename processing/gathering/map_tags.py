"""As what the features of a map extract are taken: the table of tags, and lengths as people write them in tags."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from lawngis.toml_table import toml_table

Tags = Mapping[str, str]

LENGTH_MAX_M = 1000.0
"""Nothing that tags tell is longer, wider or higher: what is said to be is a slip, or worse [m]."""

_METRES = {"": 1.0, "m": 1.0, "cm": 0.01, "ft": 0.3048, "'": 0.3048, "mm": 0.001, "km": 1000.0}
_LENGTH = re.compile(r"(\d+(?:[.,]\d+)?)\s*(m|cm|mm|km|ft|')?", re.IGNORECASE)
_FEET_AND_INCHES = re.compile(r"(\d+)'\s*(\d+(?:\.\d+)?)\"")


class Rule(BaseModel):
    """What features with some tags are taken as."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    layer: str = Field(description="layer of the site")
    shape: Literal["area", "line", "point"] = Field(description="how the extract has them")
    tags: Mapping[str, tuple[str, ...]] = Field(
        description="values by key, of which one must be there; * is any but no"
    )
    columns: Mapping[str, str] = Field(default_factory=dict, alias="set", description="values of the layer's columns")
    width_m: float | None = Field(default=None, gt=0, description="of a line that is made an area")
    every_m: float | None = Field(default=None, gt=0, description="distance of points along a line")

    def fits(self, shape: str, tags: Tags) -> bool:
        """Return whether a feature of some shape and tags is meant."""
        return shape == self.shape and all(_meant(tags.get(key), values) for key, values in self.tags.items())


def _meant(value: str | None, values: tuple[str, ...]) -> bool:
    return value is not None and (value in values or ("*" in values and value != "no"))


class TagTable(BaseModel):
    """The rules, where the meaning of the tags is published, and whom to name."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    source: str
    attribution: str
    storey_m: float = Field(gt=0, description="height of a storey")
    position_sd_m: float = Field(gt=0, description="standard deviation of edges")
    width_sd_share: float = Field(gt=0, description="of a width that no tag tells, as a share of it")
    rules: tuple[Rule, ...] = Field(alias="rule")

    def rule_of(self, shape: str, tags: Tags) -> Rule | None:
        """Return the first rule that a feature fits; None for what is not taken."""
        return next((rule for rule in self.rules if rule.fits(shape, tags)), None)

    def height_m(self, tags: Tags) -> float | None:
        """Return the height that tags tell, by the number of storeys where they tell no other [m]."""
        told = length_m(tags.get("height"))
        storeys = length_m(tags.get("building:levels"))
        return told if told is not None or storeys is None else storeys * self.storey_m


@lru_cache(maxsize=1)
def tag_table() -> TagTable:
    """Return the table that comes along."""
    return TagTable.model_validate(toml_table(tag_text()))


def tag_text() -> str:
    """Return the table as it is written, with its comments."""
    return (files(__package__) / "map_tags.toml").read_text(encoding="utf-8")


def length_m(text: str | None) -> float | None:
    r"""Return a length as tags have it [m]: a number, in metres where no unit follows; None for others.

    Units as in OpenStreetMap Wiki, "Map features/Units", https://wiki.openstreetmap.org/wiki/Map_features/Units

    Examples
    --------
    >>> length_m("2.5"), length_m("80 cm"), length_m("4'6\""), length_m("wide"), length_m("9999999")
    (2.5, 0.8, 1.3716, None, None)
    """
    text = (text or "").strip()
    imperial = _FEET_AND_INCHES.fullmatch(text)
    plain = _LENGTH.fullmatch(text)
    if imperial:
        told_m = (float(imperial[1]) + float(imperial[2]) / 12) * _METRES["ft"]
    elif plain:
        told_m = float(plain[1].replace(",", ".")) * _METRES[(plain[2] or "").casefold()]
    else:
        return None
    return round(told_m, 6) if told_m <= LENGTH_MAX_M else None
