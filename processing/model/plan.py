"""A plan while it grows: rows by layer, checked against the contract as steps add them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import blake2b
from typing import Any, NamedTuple

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS
from shapely import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.errors import PlanError
from lawngis.geometry.polygons import polygon_parts

from .catalogue import Catalogue, Values, sentences, values_text
from .contract import Layer
from .layers import PLAN_LAYERS
from .row_checks import check_rows
from .tables import Table, rows_of, table

Row = Mapping[str, Any]


@dataclass(frozen=True)
class Finding:
    """Something noticed.

    Parameters
    ----------
    severity
        ``info`` for an assumption, ``caution`` for a danger or doubt, ``stop`` for what forbids laying the wire.
    code
        Kind of finding, under which its sentences stand in the catalogue: ``no-supply``.
    values
        What these sentences are filled in with.
    place
        Where, in the measuring frame [m]; None for nowhere in particular.
    """

    severity: str
    code: str
    values: Values = field(default_factory=dict)
    place: Point | None = None

    def said(self, catalogue: Catalogue | None = None) -> tuple[str, str]:
        """Return what was found and what to do, in words."""
        by_code = catalogue or sentences()
        text, advice = (by_code.said("finding", self.code, part, self.values) for part in FINDING_PARTS)
        return text, advice

    @property
    def rank(self) -> int:
        """Place of its severity in the order of findings: the gravest first."""
        return SEVERITIES_IN_ORDER.index(self.severity)

    def row(self, catalogue: Catalogue | None = None) -> dict[str, Any]:
        """Return the columns of a row of `findings` that come of the finding alone."""
        text, advice = self.said(catalogue)
        return {
            "severity": self.severity,
            "code": self.code,
            "text": text,
            "advice": advice,
            "values": values_text(self.values),
            "geometry": Point() if self.place is None else self.place,
        }


@dataclass(frozen=True)
class VisitCheck:
    """Something that the maps can't settle and that must be measured on site.

    Parameters
    ----------
    code
        Kind of check, under which the catalogue says what to measure, how, and what hangs on it: ``dock-slope``.
    values
        What these sentences are filled in with.
    place
        Where, in the measuring frame [m].
    area
        The ground or edge that it asks about, a polygon or a line in the measuring frame [m]; None for the place alone.
    value, sd, limit_value
        What the maps say, its standard deviation, and the value at which the decision changes [unit].
    unit
        Of these three.
    flip_probability, weight
        Chance that measuring changes the decision, None where nobody can say, and how much that matters [0 to 1].
    flip_sd, price_share, mown_share, first
        By drawn plans: sd of a chance that was counted, shares of the doubt in price and ground mown that measuring
        takes away [0 to 1], and whether it comes before those that are ordered by these.
    target_layer, target_id, target_column
        What the measured value corrects as an override; a target without an id is found by the place.
    at_stake
        How much changes where the decision falls otherwise: ground [m²], wire [m] or money, as the list of decisions
        says; None where that is all of it, or nobody can say.
    changes
        What more or less the plan takes then, by item of its list of materials; None where nobody worked it out.
    """

    code: str
    values: Values
    place: Point
    value: float | None = None
    sd: float | None = None
    unit: str = ""
    limit_value: float | None = None
    flip_probability: float | None = 0.5
    weight: float = 1.0
    target_layer: str = ""
    target_id: str = ""
    target_column: str = ""
    flip_sd: float | None = None
    price_share: float | None = None
    mown_share: float | None = None
    first: bool = False
    area: Polygon | LineString | None = None
    at_stake: float | None = None
    changes: Mapping[str, float] | None = None

    @property
    def urgency(self) -> float:
        """What checks are ordered by, 0 to 1: a chance that nobody can say counts as certain."""
        return (1.0 if self.flip_probability is None else self.flip_probability) * self.weight

    @property
    def order(self) -> tuple[bool, float, float]:
        """What checks are ordered by, least first: by drawn plans what measuring tells, then :attr:`urgency`."""
        return not self.first, -max(self.price_share or 0.0, self.mown_share or 0.0), -self.urgency

    def said(self, catalogue: Catalogue | None = None) -> dict[str, str]:
        """Return in words what to measure, how, and what hangs on it, by the names of their columns."""
        by_code = catalogue or sentences()
        return {part: by_code.said("check", self.code, part, self.values) for part in CHECK_PARTS}


SEVERITIES_IN_ORDER = ("stop", "caution", "info")
FINDING_PARTS = ("text", "advice")
CHECK_PARTS = ("measure_what", "measured_how", "decides")
"""Parts of what is said of a finding and of a check, each a column."""


@dataclass(frozen=True)
class StepResult:
    """What a step gives back.

    Parameters
    ----------
    layers
        For each layer that it declares to write its rows: dictionaries of values by column, with a shapely geometry
        under ``geometry``, or a GeoDataFrame (a DataFrame for a table), in the measuring frame [m]. The column
        ``parcel_id`` is put in by itself.
    findings, checks
        What it noticed, and what it can't settle.
    """

    layers: Mapping[str, Sequence[Row] | Table] = field(default_factory=dict)
    findings: Sequence[Finding] = ()
    checks: Sequence[VisitCheck] = ()


class Derived(NamedTuple):
    """A value that several steps derive from the same inputs.

    Parameters
    ----------
    name
        By which it is found again.
    reads
        What it is derived from, named as in a step's declaration: a step that takes the value declares all of these.
    """

    name: str
    reads: tuple[str, ...]


class Plan:
    """Layers of one parcel in its measuring frame [m]; steps read them, the workflow adds to them.

    A step sees those that it declares, as rows (:meth:`rows`, :meth:`select`) or as a table (:meth:`frame`).

    Parameters
    ----------
    parcel_id
        Parcel that the plan is for.
    crs
        CRS of the measuring frame.
    specs
        Declarations of all layers that steps may write.
    catalogue
        Sentences of all steps; None for those of this package.
    outline
        The parcel in the measuring frame [m], in which what is found of it as a whole is placed; None for nowhere.
    """

    def __init__(
        self,
        parcel_id: str,
        crs: CRS,
        specs: Mapping[str, Layer] = PLAN_LAYERS,
        catalogue: Catalogue | None = None,
        outline: BaseGeometry | None = None,
    ) -> None:
        self.parcel_id = parcel_id
        self.crs = crs
        self.specs = specs
        self.catalogue = catalogue or sentences()
        self.inside = Point() if outline is None else outline.representative_point()
        self.findings: list[tuple[str, Finding]] = []
        self.checks: list[tuple[str, VisitCheck]] = []
        self._rows: dict[str, list[Row]] = {}
        self._derived: dict[str, Any] = {}

    def derived(self, what: Derived, compute: Callable[[], Any]) -> Any:
        """Return a value that several steps derive from the same inputs, computed at the first call only."""
        if what.name not in self._derived:
            self._derived[what.name] = compute()
        return self._derived[what.name]

    def __contains__(self, layer: str) -> bool:
        return layer in self._rows

    @property
    def layers(self) -> list[str]:
        """Names of the layers written so far."""
        return list(self._rows)

    def rows(self, layer: str) -> list[Row]:
        """Return the rows of a layer; empty when no step has written it yet."""
        try:
            return self._rows[layer]
        except KeyError:
            return []

    def geometries(self, layer: str, **where: Any) -> list[BaseGeometry]:
        """Return the geometries of a layer's rows whose columns equal the values given."""
        return [row["geometry"] for row in self.select(layer, **where)]

    def select(self, layer: str, **where: Any) -> list[Row]:
        """Return the rows of a layer whose columns equal the values given."""
        rows = list(self.rows(layer))
        for key, value in where.items():
            rows = [row for row in rows if row.get(key) == value]
        return rows

    def frame(self, layer: str) -> Table:
        """Return a layer as a GeoDataFrame in the measuring frame [m]; one without geometry as a DataFrame.

        It has the declared columns and types, and is empty when no step has written the layer yet.
        """
        rows = self.rows(layer)
        return table(self.specs[layer], rows, self.crs)

    def attach(self, step: str, result: StepResult, declared: Iterable[str]) -> None:
        """Add what a step produced.

        Raises
        ------
        PlanError
            When the step leaves out a layer that it declares, adds one that it doesn't, or a row breaks the
            contract.
        """
        if set(result.layers) != set(declared):
            raise PlanError(
                f"step {step} wrote {sorted(result.layers)} but declares {sorted(declared)}",
                where=self.parcel_id,
            )
        for name, given in result.layers.items():
            spec = self.specs[name]
            rows = rows_of(spec, given, self.crs) if isinstance(given, Table) else given
            stamped: list[Row] = [{**row, "parcel_id": self.parcel_id} for row in _on_grid(spec, rows)]
            check_rows(spec, stamped)
            self._rows[name] = stamped
        self.findings += [(step, finding) for finding in result.findings]
        self.checks += [(step, check) for check in result.checks]

    def keep(self, layers: Mapping[str, Sequence[Row]]) -> None:
        """Take layers as they are, from an earlier plan.

        Columns that a person added stay with their rows.

        Raises
        ------
        PlanError
            When a row breaks the contract.
        """
        for name, rows in layers.items():
            spec = self.specs[name]
            known = {column.name for column in spec.columns} | {"geometry"}
            check_rows(spec, [{key: value for key, value in row.items() if key in known} for row in rows])
            self._rows[name] = list(rows)

    def close(self) -> None:
        """Turn findings and checks into their layers: stops first, the most doubtful check first.

        Findings that hold for the whole run come last and belong to no parcel.
        """
        findings = sorted(self.findings, key=lambda item: (_of_run(self, item[1]), item[1].rank))
        self._rows["findings"] = [
            _finding_row(self, number, step, finding) for number, (step, finding) in enumerate(findings, start=1)
        ]
        checks = sorted(self.checks, key=lambda item: item[1].order)
        names = check_ids(self.parcel_id, [check for _, check in checks])
        self._rows["visit_checks"] = [
            _check_row(self, name, number, step, check)
            for number, (name, (step, check)) in enumerate(zip(names, checks, strict=True), 1)
        ]
        self._rows["visit_areas"] = [
            _area_row(check_row, check.area)
            for check_row, (_, check) in zip(self._rows["visit_checks"], checks, strict=True)
            if check.area is not None
        ]
        for name in ("findings", "visit_checks", "visit_areas"):
            check_rows(PLAN_LAYERS[name], self._rows[name])


GRID_M = 1e-4
"""Polygons are snapped to this, so that no hairline is left that rounding in another CRS would tie in a knot."""

DECIMALS = 6
"""Points and lines are rounded to so many decimals [m]."""


def on_grid(spec: Layer, shapes: ArrayLike) -> NDArray[np.object_]:
    """Return a layer's geometries with their coordinates on the grid on which a plan has them.

    A file keeps them in another CRS, and the way there and back moves them by some nanometres. That is enough to tip
    whatever decides between two things just as good: how a corner is rounded, from where a random path bounces off.
    A step would give one result in a plan, and another on the plan as it is stored. So a plan's coordinates lie on a
    grid much coarser than that, and those that are read back are put on it again: to the last bit where they were.
    Polygons carry their grid with them as a precision, and what is cut out of them is computed on it.

    Parameters
    ----------
    spec
        The layer.
    shapes
        Its geometries in the measuring frame, shape (n,) [m].
    """
    some = np.asarray(shapes, dtype=object)
    if spec.geometry == "Polygon":
        return np.asarray(shapely.set_precision(some, GRID_M, mode="pointwise"), dtype=object)
    return np.asarray(shapely.transform(some, lambda xy: np.round(xy, DECIMALS)), dtype=object)


def _on_grid(spec: Layer, rows: Sequence[Row]) -> Sequence[Row]:
    if spec.geometry == "Polygon":
        return [_with_snapped_polygon(row) for row in rows]
    if spec.geometry is None or not all(isinstance(row.get("geometry"), BaseGeometry) for row in rows):
        return rows
    shapes = on_grid(spec, [row["geometry"] for row in rows])
    return [{**row, "geometry": shape} for row, shape in zip(rows, shapes, strict=True)]


def _with_snapped_polygon(row: Row) -> Row:
    polygon = row.get("geometry")
    if not isinstance(polygon, Polygon) or polygon.is_empty:
        return row
    parts = polygon_parts(shapely.set_precision(polygon, GRID_M))
    return {**row, "geometry": max(parts, key=lambda part: part.area)} if parts else row


def _finding_row(plan: Plan, number: int, step: str, finding: Finding) -> Row:
    row = {**finding.row(plan.catalogue), "step": step}
    if _of_run(plan, finding):
        return {**row, "finding_id": f"F{number}", "parcel_id": None, "geometry": Point()}
    place = plan.inside if finding.place is None else finding.place
    return {**row, "finding_id": f"{plan.parcel_id}-F{number}", "parcel_id": plan.parcel_id, "geometry": place}


def _of_run(plan: Plan, finding: Finding) -> bool:
    """Return whether a finding holds for the whole run; what stops a plan is said of each that it stops."""
    return finding.severity != "stop" and plan.catalogue.of_run(finding.code)


PLACE_M = 0.5
"""Checks that name no feature are the same when they are asked for in the same square of this size."""


def check_ids(parcel_id: str, checks: Sequence[VisitCheck]) -> list[str]:
    """Return names of checks that follow from what is asked: a later plan that asks the same gives the same names.

    Parameters
    ----------
    parcel_id
        The parcel.
    checks
        Its checks, places in the measuring frame [m].

    Examples
    --------
    >>> width = VisitCheck("passage-width", {}, Point(1, 2), target_layer="links", target_id="P4-K1",
    ...                    target_column="width_m")
    >>> outlet = VisitCheck("outlet", {}, Point(1, 2), target_layer="outlets", target_column="geometry")
    >>> check_ids("P4", [width, outlet])
    ['P4-V-K1-width_m', 'P4-V-outlets-6eba']
    """
    names: list[str] = []
    for check in checks:
        asked = check.target_id.removeprefix(f"{parcel_id}-") if check.target_id else check.target_layer or "look"
        name = f"{parcel_id}-V-{asked}-{check.target_column if check.target_id else _square(check)}"
        same = sum(other == name or other.startswith(f"{name}-again") for other in names)
        names.append(f"{name}-again{same}" if same else name)
    return names


def _square(check: VisitCheck) -> str:
    """Return a short digest of where a check that names no feature is asked, and for what."""
    place = [] if check.place.is_empty else [round(xy / PLACE_M) for xy in (check.place.x, check.place.y)]
    return blake2b(f"{check.target_column or check.code} {place}".encode(), digest_size=2).hexdigest()


def _check_row(plan: Plan, check_id: str, number: int, step: str, check: VisitCheck) -> Row:
    return {
        "parcel_id": plan.parcel_id,
        "check_id": check_id,
        "priority": number,
        **check.said(plan.catalogue),
        "code": check.code,
        "values": values_text(check.values),
        "value": check.value,
        "sd": check.sd,
        "unit": check.unit,
        "limit_value": check.limit_value,
        "flip_probability": check.flip_probability,
        **{name: getattr(check, name) for name in ("flip_sd", "price_share", "mown_share")},
        "weight": check.weight,
        "at_stake": check.at_stake,
        "changes": None if check.changes is None else values_text(check.changes),
        "step": step,
        "target_layer": check.target_layer or None,
        "target_id": check.target_id or None,
        "target_column": check.target_column or None,
        "geometry": check.place,
    }


def _area_row(check: Row, area: BaseGeometry) -> Row:
    return {
        **{name: check[name] for name in ("parcel_id", "check_id", "step")},
        "area_m2": area.area or None,
        "length_m": None if area.area else area.length,
        "geometry": area,
    }
