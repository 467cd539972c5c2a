"""What holds for a whole image: what counts as green, its usual brightness, how far it lies off the map."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from lawngis.errors import LawngisError
from lawngis.ground.cover import CoverRules
from lawngis.ground.imagery import Imagery, Threshold, vegetation_index
from lawngis.ground.raster import Grid
from lawngis.ground.shift import Shift, windows_shift

from ..derived.imagery_rules import (
    CoverParameters,
    cover_rules,
    shift_findings,
    threshold_findings,
    to_correct,
    used_threshold,
)
from ..model.plan import Finding
from ..reading.examples import learned_finding
from .image import WholeImage

TREE_HALO_M = 30.0
"""Crowns and hedges at a block's side are looked at this far beyond it [m]: twice the crown of a tree of 35 m."""

SHIFT_WINDOW_M = 150.0
"""Side of the windows in which the image's place is compared with the map's [m]."""

SHIFT_WINDOWS = 12
"""So many windows with the most outlines are compared, of those that are looked at for outlines."""

SHIFT_WINDOWS_SIDE = 8
"""Windows are looked at for outlines, spread over the image, so many along each side."""


@dataclass(frozen=True, eq=False)
class CalibratedImage:
    """An image with what was settled on the whole of it: rules by which cells are classified, shifts, findings."""

    image: WholeImage
    rules: CoverRules
    threshold: Threshold
    findings: tuple[Finding, ...]

    @property
    def halo_m(self) -> float:
        """How far beyond a block's sides it has to be read [m]."""
        return max(TREE_HALO_M, self.rules.halo_m(self.image.cell_m))


def calibrated(image: WholeImage, parameters: CoverParameters) -> CalibratedImage:
    """Return an image with its index threshold, usual brightness and shifts, each settled on the whole of it.

    Raises
    ------
    LawngisError
        When no threshold parts green from bare ground, with the image named.
    """
    sample, height_m = image.sample()
    try:
        threshold = used_threshold(sample, height_m, parameters)
    except LawngisError as error:
        raise error.within(image.info["imagery"].source) from error
    findings = [_index_finding(threshold)]
    of_index = threshold_findings(threshold, with_examples=image.learned is not None)
    findings += [finding for finding in of_index if finding.code not in _SAID_OF_IMAGE]
    if image.learned is not None:
        findings.append(learned_finding(image.learned))
    if "dsm" not in image.info:
        findings.append(Finding("caution", "cover-without-heights"))
    image_shift, surface_shift = _shifts(image)
    findings += shift_findings("image", image_shift, image.cell_m, parameters)
    findings += shift_findings("surface model", surface_shift, image.surface_cell_m, parameters)
    rules = cover_rules(sample, threshold, parameters, surface_cell_m=image.surface_cell_m)
    moved = image.laid_right(*(s if to_correct(s, parameters) else None for s in (image_shift, surface_shift)))
    return CalibratedImage(moved, rules, threshold, tuple(findings))


_SAID_OF_IMAGE = ("green-threshold", "green-by-colour")
"""Findings on a parcel's threshold that :func:`_index_finding` says of the whole image."""


def _index_finding(threshold: Threshold) -> Finding:
    values = {
        "case": f"whole_image_{threshold.origin}",
        "kind": threshold.index,
        "index": threshold.value,
        "index_sd": threshold.sd,
        "depth_percent": 100 * threshold.depth,
    }
    return Finding("info", "green-threshold", values)


def _shifts(image: WholeImage) -> tuple[Shift | None, Shift | None]:
    """Return how far image and surface model lie off the map, from the windows with the most outlines."""
    outlined = [name for name in ("buildings", "hard_surfaces") if name in image.layers]
    if not outlined:
        return None, None
    windows = _shift_windows(image, outlined)
    image_shift = windows_shift(
        (
            (seen.red.with_values(vegetation_index(seen)), shapes)
            for seen, shapes in _outlined(image, windows, outlined)
        ),
        image.frame,
    )
    if "buildings" not in outlined or "dsm" not in image.info:
        return image_shift, None
    return image_shift, windows_shift(_inverted_heights(image, windows), image.frame)


def _shift_windows(image: WholeImage, layers: Sequence[str]) -> list[tuple[slice, slice]]:
    size = max(1, round(SHIFT_WINDOW_M / image.cell_m))
    rows, cols = (_spread(cells, size) for cells in image.shape)
    windows = [(row, col) for row in rows for col in cols]
    length = []
    for window in windows:
        around = _part_outline(image, window)
        shapes = [image.features(name, around).geometry.intersection(around).length.sum() for name in layers]
        length.append(sum(shapes))
    order = np.argsort(-np.array(length), kind="stable")[:SHIFT_WINDOWS]
    return [windows[number] for number in order if length[number] > 0]


def _spread(cells: int, size: int) -> list[slice]:
    """Return windows along a side of the image: all, or some that are spread evenly."""
    starts = np.arange(0, cells, size)
    if len(starts) > SHIFT_WINDOWS_SIDE:
        starts = starts[np.linspace(0, len(starts) - 1, SHIFT_WINDOWS_SIDE).round().astype(int)]
    return [slice(int(start), min(int(start) + size, cells)) for start in starts]


def _part_outline(image: WholeImage, cells: tuple[slice, slice]) -> BaseGeometry:
    info = image.info["imagery"]
    corners = [(col, row) for row in (cells[0].start, cells[0].stop) for col in (cells[1].start, cells[1].stop)]
    xy = np.array([info.transform @ corner for corner in corners])
    return shapely.box(*shapely.MultiPoint(image.frame.coordinates_from(info.crs, xy)).bounds)


def _outlined(
    image: WholeImage, windows: Sequence[tuple[slice, slice]], layers: Sequence[str]
) -> Iterator[tuple[Imagery, list[BaseGeometry]]]:
    for cells in windows:
        around = _part_outline(image, cells)
        yield image.imagery(cells), [shape for name in layers for shape in image.features(name, around).geometry]


def _inverted_heights(
    image: WholeImage, windows: Sequence[tuple[slice, slice]]
) -> Iterator[tuple[Grid, list[BaseGeometry]]]:
    for seen, buildings in _outlined(image, windows, ("buildings",)):
        surface = image.surface(seen.red)
        height = None if surface is None else image.heights(surface)
        if surface is not None and height is not None and np.isfinite(height).any():
            yield surface.with_values(-np.minimum(height, 3.0)), buildings
