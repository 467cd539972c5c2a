"""Ground cover and trees of a whole image, block by block, as a GeoPackage: for the analyst, without parcels.

Index, shifts and usual brightness are those of the whole image. Each block is then read with a rim wide enough for
what lies at its sides, its pieces of ground are joined to those of its neighbours, and what is complete is written.
So no more than some blocks are ever in memory, and how the image is cut makes no difference to the result.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import geopandas
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from lawngis.errors import ParameterError
from lawngis.geometry.polygons import polygon_parts
from lawngis.ground.cover import CoverClass, CoverPiece, GroundCover, ground_cover, pieces_in_turn, with_hedges
from lawngis.ground.imagery import Imagery, vegetation_index
from lawngis.ground.raster import Grid
from lawngis.ground.seams import Block, blocks
from lawngis.ground.trees import FoundTree, found_trees, new_trees

from ..derived.imagery_rules import (
    LAWN_NOT_GREEN,
    PAVING_GREEN,
    PAVING_GREEN_SHARE,
    CoverParameters,
    contradicted,
    contradiction,
    cover_word,
    flat_buildings,
    low_trees,
)
from ..derived.lawn_doubt import DOUBTS, doubt_area_findings
from ..files import gpkg
from ..files.rasters import rasters_passing
from ..model.plan import GRID_M, Finding, Row
from ..model.site import single_parts
from ..model.tables import Table, table
from ..model.text import counted
from ..reading.read_options import ReadOptions
from ..reading.site_files import SiteFiles
from .calibration import CalibratedImage, calibrated
from .cover_layers import COVER_LAYERS, cover_row, finding_row, run_info_rows, tree_row
from .image import WholeImage

BATCH_ROWS = 4000
"""Rows are written when there are this many."""


@dataclass
class CoverOutcome:
    """Outcome of an image: how much of each cover, how many trees, which findings.

    Parameters
    ----------
    path
        The file that was written.
    area_m2
        Ground by what covers it [m²].
    trees, pieces
        How many.
    findings
        Findings on the whole image; in codes the number of all findings by code.
    """

    path: Path
    area_m2: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))
    trees: int = 0
    pieces: int = 0
    findings: list[Finding] = field(default_factory=list)
    codes: Counter[str] = field(default_factory=Counter)

    @property
    def words(self) -> str:
        """The outcome in one sentence."""
        hectares = self.area_m2["lawn"] / 1e4
        pieces = counted(self.pieces, "piece")
        return f"{pieces} of cover, {hectares:.2f} ha of them lawn, and {counted(self.trees, 'tree')}: {self.path}"


def write_cover(
    files: SiteFiles,
    options: ReadOptions,
    parameters: CoverParameters,
    out: Path,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> CoverOutcome:
    """Write what covers the ground of a whole image, and the trees on it, as one GeoPackage.

    Parameters
    ----------
    files
        Image, and where they are there surface and terrain model and the layers that they are compared with.
    options
        Bands and vertical unit.
    parameters
        Of the step `cover`.
    out
        Target; whatever is there is replaced once the new file is complete.
    progress
        Called with the number of blocks done and of all.

    Raises
    ------
    SiteError, LayerError, RasterError, ParameterError
        When image, models or layers can't be used.
    PlanError
        When the target can't be written; it is then as it was.
    """
    started = datetime.now(UTC)
    _refuse_input(files, out)
    gpkg.refuse_unwritable(out)
    outcome = CoverOutcome(out)
    with rasters_passing(threads=1):
        image = WholeImage.of(files, options)
        calibration = calibrated(image, parameters)
        work = _BlockwiseCover(calibration, parameters, outcome, progress)
        specs = tuple(COVER_LAYERS.values())
        batches = _table_batches(work, lambda: run_info_rows(calibration.image, parameters, started))
        gpkg.write_plan_batches(out, batches, specs, crs=image.frame.source)
    return outcome


def _refuse_input(files: SiteFiles, out: Path) -> None:
    if files.is_input(out):
        raise ParameterError("would overwrite an input", where=str(out), advice="Name another file.")


class _BlockwiseCover:
    """Maps the cover block by block, and yields the rows that are complete."""

    def __init__(
        self,
        calibration: CalibratedImage,
        parameters: CoverParameters,
        outcome: CoverOutcome,
        progress: Callable[[int, int], None] | None,
    ) -> None:
        self.image, self.rules, self._threshold = calibration.image, calibration.rules, calibration.threshold
        self._halo_m = calibration.halo_m
        self._parameters, self._outcome, self._progress = parameters, outcome, progress
        self._cells = Counter[str]()
        self._shaded_m2 = 0.0
        self._parted = 0
        self._rows: dict[str, list[Row]] = {"cover": [], "trees_found": [], "findings": []}
        for finding in calibration.findings:
            outcome.findings.append(finding)
            self._add_findings(finding)

    def batches(self) -> Iterator[dict[str, list[Row]]]:
        """Yield rows by layer, some at a time, until the image is done."""
        pieces = pieces_in_turn(
            self._covers(),
            self.image.frame,
            tolerance_m=self.image.cell_m,
            area_min_m2=self._parameters.piece_min_m2,
            sheet_cells=round(self._parameters.sheet_m / self.image.cell_m),
        )
        waiting: list[CoverPiece] = []
        for piece in pieces:
            waiting.append(piece)
            if len(waiting) >= BATCH_ROWS:
                yield self._completed(waiting)
                waiting = []
        yield self._completed(waiting)
        for finding in self._summary():
            self._outcome.findings.append(finding)
            self._add_findings(finding)
        yield self._flushed()

    def _covers(self) -> Iterator[tuple[GroundCover, Block]]:
        cell_m = self.image.cell_m
        size, halo = max(1, round(self._parameters.block_m / cell_m)), int(np.ceil(self._halo_m / cell_m))
        every = list(blocks(self.image.shape, size_cells=size, halo_cells=halo))
        for number, block in enumerate(every, start=1):
            yield self._cover_of(block), block
            if self._progress is not None:
                self._progress(number, len(every))

    def _cover_of(self, block: Block) -> GroundCover:
        """Return the cover of a block, and add the rows of the trees and contradictions in it."""
        imagery = self.image.imagery(block.read)
        if not np.isfinite(vegetation_index(imagery)).any():
            return _no_cover(imagery.red)
        height = self.image.heights(imagery.red)
        seen = imagery if self.image.learned is None else self.image.learned.on(imagery)
        cover = with_hedges(ground_cover(seen, height, self.rules))
        self._count(imagery, height, block)
        if height is not None:
            grid = imagery.red.with_values(height)
            ground = _BlockGround(self.image, imagery.red, block)
            self._add_trees(ground, grid, cover)
            self._add_contradictions(ground, grid)
        return cover

    def _count(self, imagery: Imagery, height: NDArray[np.float64] | None, block: Block) -> None:
        known = np.isfinite(vegetation_index(imagery)[block.inner])
        self._cells["known"] += int(known.sum())
        if height is not None:
            self._cells["without height"] += int((known & ~np.isfinite(height[block.inner])).sum())

    def _add_trees(self, ground: _BlockGround, height: Grid, cover: GroundCover) -> None:
        """Add the trees whose tops lie in a block and that no layer has."""
        trees = found_trees(
            height,
            np.isin(cover.classes, (CoverClass.SHRUB, CoverClass.TREE)),
            self.image.frame,
            built=np.isin(cover.classes, (CoverClass.BUILT, CoverClass.STANDING)),
            height_min_m=self._parameters.tree_min_m,
        )
        trees = ground.own(trees)
        if trees and "buildings" in self.image.layers:
            roofs = shapely.union_all(ground.features("buildings").geometry.to_numpy())
            tops = shapely.points([(tree.x_m, tree.y_m) for tree in trees])
            trees = [tree for tree, hit in zip(trees, shapely.intersects(roofs, tops), strict=True) if not hit]
        if trees and "trees" in self.image.layers:
            known = single_parts(ground.features("trees"))
            crowns = known["crown_diameter_m"].to_numpy(dtype=float)
            trees = new_trees(trees, known.geometry.get_coordinates().to_numpy(), crowns)
        for tree in trees:
            self._outcome.trees += 1
            self._rows["trees_found"].append(tree_row(self._outcome.trees, tree))

    def _add_contradictions(self, ground: _BlockGround, height: Grid) -> None:
        """Add findings on buildings and trees of a block that the surface model doesn't show."""
        if "buildings" in self.image.layers:
            buildings = ground.features("buildings")
            self._add_findings(*flat_buildings(height, buildings.geometry[ground.inside(buildings)], self.image.frame))
        if "trees" in self.image.layers:
            trees = single_parts(ground.features("trees"))
            self._add_findings(*low_trees(height, trees[ground.inside(trees)], self.image.frame))

    def _completed(self, pieces: list[CoverPiece]) -> dict[str, list[Row]]:
        """Return the rows of pieces that are complete, and all others that wait."""
        learned = self.image.learned is not None and self.image.learned.taken
        for piece in pieces:
            polygon = max(
                polygon_parts(shapely.set_precision(piece.polygon, GRID_M)), key=lambda part: part.area, default=None
            )
            if polygon is None:
                continue
            self._outcome.pieces += 1
            self._parted += piece.parted
            word = cover_word(piece)
            self._outcome.area_m2[word] += polygon.area
            self._shaded_m2 += polygon.area * piece.shaded_share if word in ("lawn", "green") else 0.0
            row = cover_row(self._outcome.pieces, word, piece, polygon, self._threshold, learned=learned)
            self._rows["cover"].append(row)
        for layers, covers, share, finding in (
            (("lawns",), (CoverClass.BARE, CoverClass.BUILT), 1, LAWN_NOT_GREEN),
            (("hard_surfaces", "water"), (CoverClass.LAWN, CoverClass.GREEN), PAVING_GREEN_SHARE, PAVING_GREEN),
        ):
            shown = [piece.polygon for piece in pieces if piece.cover in covers and not piece.inferred]
            self._add_clashes([name for name in layers if name in self.image.layers], shown, share, finding)
        return self._flushed()

    def _add_clashes(
        self, layers: Sequence[str], shown: Sequence[BaseGeometry], share: int, finding: tuple[str, str]
    ) -> None:
        if not shown:
            return
        around = shapely.box(*shapely.total_bounds(shown))
        area_min_m2 = share * self._parameters.piece_min_m2
        for name in layers:
            mapped = self.image.features(name, around)
            feature, piece = shapely.STRtree(shown).query(mapped.geometry.to_numpy(), predicate="intersects")
            for row in np.unique(feature):
                pieces = [shown[number] for number in piece[feature == row]]
                parts = contradicted([mapped.geometry.iloc[row]], pieces, area_min_m2)
                if parts:
                    clash = contradiction(parts, finding)
                    which = {"case": "whole_image", "layer": name, "feature": mapped["number"].iloc[row]}
                    self._add_findings(replace(clash, values={**clash.values, **which}))

    def _add_findings(self, *findings: Finding) -> None:
        for finding in findings:
            self._outcome.codes[finding.code] += 1
            self._rows["findings"].append(finding_row(self._outcome.codes.total(), finding))

    def _flushed(self) -> dict[str, list[Row]]:
        rows, self._rows = self._rows, {name: [] for name in self._rows}
        return rows

    def _summary(self) -> Iterator[Finding]:
        """Yield what is known only at the end."""
        area_m2 = self._outcome.area_m2
        hidden = {"under_crowns": area_m2["lawn_under_crown"], "in_shade": self._shaded_m2}
        parts = [("hidden-lawn", {"case": where, "area_m2": area}) for where, area in hidden.items() if area >= 0.5]
        if parts:
            yield Finding("info", "lawn-inferred", {"hidden": parts})
        yield from doubt_area_findings({kind: area_m2[kind] for kind in DOUBTS})
        missing = self._cells["without height"] / max(self._cells["known"], 1)
        if missing > 0:
            yield Finding("caution", "heights-missing", {"share_percent": 100 * missing})
        if "trees" in self.image.layers and self._outcome.trees:
            yield Finding("info", "tree-unmapped", {"case": "whole_image", "trees": self._outcome.trees})
        if self._parted:
            values = {"sheet_m": self._parameters.sheet_m, "pieces": self._parted}
            yield Finding("info", "cover-parted", values)


def _no_cover(grid: Grid) -> GroundCover:
    """Return the cover of a block without data: images of crooked areas are mostly that."""
    unknown = np.full(grid.shape, CoverClass.UNKNOWN, dtype=np.uint8)
    nothing = np.zeros(grid.shape)
    return GroundCover(unknown, unknown, grid.with_values(nothing), np.zeros(grid.shape, dtype=bool), nothing)


@dataclass(frozen=True, eq=False)
class _BlockGround:
    """A block of the image on the ground: what lies at its sides belongs to one block alone."""

    image: WholeImage
    read: Grid
    block: Block

    def features(self, layer: str) -> geopandas.GeoDataFrame:
        """Return a layer's features around the block."""
        return self.image.features(layer, self.image.outline(self.read))

    def inside(self, features: geopandas.GeoDataFrame) -> NDArray[np.bool_]:
        """Return which features have their middle in the block's core."""
        middles = features.geometry.representative_point()
        return self._in_core(np.column_stack([middles.x, middles.y]))

    def own(self, trees: list[FoundTree]) -> list[FoundTree]:
        """Return the trees whose tops lie in the block's core."""
        inside = self._in_core(np.array([(tree.x_m, tree.y_m) for tree in trees]).reshape(-1, 2))
        return [tree for tree, own in zip(trees, inside, strict=True) if own]

    def _in_core(self, xy: NDArray[np.float64]) -> NDArray[np.bool_]:
        inverse = ~self.read.transform
        x, y = self.image.frame.coordinates_in(self.read.crs, xy).T
        rows, cols = self.block.inner
        col, row = inverse.a * x + inverse.c, inverse.e * y + inverse.f
        return np.asarray((row >= rows.start) & (row < rows.stop) & (col >= cols.start) & (col < cols.stop))


def _table_batches(work: _BlockwiseCover, facts: Callable[[], list[Row]]) -> Iterator[dict[str, Table]]:
    """Yield the tables to write, geometries moved back to the image's CRS; facts of the run come last."""
    frame = work.image.frame
    for rows in work.batches():
        tables = {}
        for name, some in rows.items():
            if some:
                moved = frame.to_source([row["geometry"] for row in some])
                placed = [{**row, "geometry": shape} for row, shape in zip(some, moved, strict=True)]
                tables[name] = table(COVER_LAYERS[name], placed, frame.source)
        if tables:
            yield tables
    yield {"run_info": table(COVER_LAYERS["run_info"], facts(), frame.source)}
