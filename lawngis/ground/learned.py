"""Lawn learned from examples: pieces that somebody drew of lawn and of other ground teach a small classifier.

Whether that does better than an index is asked of pieces that it has not seen: cells of one piece are alike, so whole
pieces are left out in turn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

from lawngis.arrays import BoolArray, FloatArray
from lawngis.errors import ParameterError
from lawngis.ground.greenness import green_threshold, warmth
from lawngis.ground.imagery import (
    Imagery,
    cell_side_m,
    ndvi,
    vari,
    vegetation_index,
    visible_index,
)

if TYPE_CHECKING:
    from sklearn.ensemble import RandomForestClassifier

PIECES_MIN = 2
"""Fewest pieces of each kind: one is left out in turn, and another of its kind must be left."""

FOLDS_MOST = 10
"""From so many pieces on several are left out at once: more tells little more of them."""

CELLS_MOST = 400
"""Cells of a piece that are learned from, spread evenly: more of them are alike."""

TEXTURE_M = 1.0
"""Side of the square within which brightness is compared [m]: a few leaves of a crown, many of a lawn."""

SURE_GAIN = 1.64
"""Standard errors by which the classifier must do better: in 95 of 100 cases it is then really better."""

TREES, LEAF_MIN = 40, 5
"""Size of the classifier: decision trees, and fewest cells at the end of a branch."""


@dataclass(frozen=True, eq=False)
class Example:
    """Cells of one piece that somebody drew.

    Parameters
    ----------
    lawn
        Whether it is lawn.
    features
        Of its cells, shape (n, k); see :func:`cell_features`.
    green
        Which of them an index takes for green, shape (n,).
    """

    lawn: bool
    features: FloatArray
    green: BoolArray


@dataclass(frozen=True, eq=False)
class LearnedLawn:
    """What examples teach, and how well that does on pieces that it has not seen.

    Parameters
    ----------
    pieces
        Of lawn, and of other ground.
    right, right_by_index
        Share of the cells of unseen pieces told rightly, by the classifier and by the index [0, 1]: mean of lawn and
        of other ground, each the mean of its pieces.
    taken
        Whether the classifier beats the index by more than chance.
    worth
        Chance that what it is surest of is right [0, 1].
    """

    pieces: tuple[int, int]
    right: float
    right_by_index: float
    taken: bool
    worth: float
    _forest: RandomForestClassifier

    def on(self, imagery: Imagery) -> Imagery:
        """Return an image with how likely each cell is lawn; without that where the index does as well."""
        if not self.taken:
            return replace(imagery, examples_drawn=True)
        features = cell_features(imagery)
        known = np.isfinite(features).all(axis=-1)
        chance = np.full(known.shape, np.nan)
        if known.any():
            share = self._forest.predict_proba(features[known])[:, 1]
            chance[known] = 0.5 + (2 * self.worth - 1) * (share - 0.5)
        return replace(imagery, lawn_chance=imagery.red.with_values(chance), examples_drawn=True)


def cell_features(imagery: Imagery) -> FloatArray:
    """Return what an image shows of each cell: indices, warmth, brightness, texture; shape (rows, cols, k).

    Texture is the standard deviation of brightness in a square around the cell, as a share of its mean. By itself it
    tells no lawn: crowns are rough in one image and smooth in the next.
    """
    brightness = imagery.brightness
    side = max(3, 2 * round(TEXTURE_M / cell_side_m(imagery.red) / 2) + 1)
    known = np.nan_to_num(brightness)
    mean, square = (uniform_filter(values, side, mode="nearest") for values in (known, known**2))
    texture = np.sqrt(np.maximum(square - mean**2, 0.0)) / np.maximum(mean, 1e-9)
    layers = [brightness, texture]
    if imagery.nir is not None:
        layers.append(ndvi(imagery.red.values, imagery.nir.values))
    if imagery.green is not None and imagery.blue is not None:
        bands = imagery.red.values, imagery.green.values, imagery.blue.values
        layers += [visible_index(*bands), np.nan_to_num(vari(*bands)), warmth(imagery)]
    return np.stack(layers, axis=-1)


def example(imagery: Imagery, inside: BoolArray, *, lawn: bool) -> Example:
    """Return the cells of one piece.

    Parameters
    ----------
    imagery
        The image around it, wide enough that an index finds in it where green begins.
    inside
        Cells of the piece, shape (rows, cols).
    lawn
        Whether it is lawn.

    Raises
    ------
    ParameterError
        When the image shows nothing of the piece.
    """
    features = cell_features(imagery)
    known = np.asarray(np.isfinite(features).all(axis=-1))
    inside = inside & known
    if not inside.any():
        raise ParameterError("the image shows no cell of this piece", advice="Draw it larger, or inside the image.")
    threshold = green_threshold(imagery, known)
    green = vegetation_index(imagery, threshold.index) >= threshold.value
    cells = np.flatnonzero(inside)
    kept = cells[np.linspace(0, len(cells) - 1, min(len(cells), CELLS_MOST)).round().astype(int)]
    return Example(lawn, features.reshape(-1, features.shape[-1])[kept], green.ravel()[kept])


def learned_lawn(examples: Sequence[Example]) -> LearnedLawn:
    """Return what pieces of lawn and of other ground teach.

    Parameters
    ----------
    examples
        Two pieces of each kind at least; each counts as much as any other, and both kinds as much.

    Raises
    ------
    ParameterError
        When there are fewer, or the package is missing that learns.

    Notes
    -----
    A random forest (Breiman, 2001), tested on pieces left out. It is taken when on those it is right more often than
    the index, piece by piece, by more than chance: `SURE_GAIN` standard errors of the difference. Its worth is by the
    rule of succession on the pieces that it has not seen, (right + 1) / (n + 2): of four, all right, 5 / 6.

    References
    ----------
    Breiman, 2001, Random forests, Machine Learning 45, 5-32. Roberts et al., 2017, Cross-validation strategies for data
    with temporal, spatial, hierarchical, or phylogenetic structure, Ecography 40(8), 913-929: whole blocks are left
    out.
    """
    lawn = np.array([one.lawn for one in examples], dtype=bool)
    pieces = int(lawn.sum()), int((~lawn).sum())
    if min(pieces) < PIECES_MIN:
        raise ParameterError(
            f"examples hold {pieces[0]} pieces of lawn and {pieces[1]} of other ground",
            advice=f"Draw {PIECES_MIN} of each at least, of different lawns and low grounds.",
        )
    fold = _folds(lawn)
    right = np.zeros(len(examples))
    for left_out in np.unique(fold):
        forest = _forest([one for one, number in zip(examples, fold, strict=True) if number != left_out])
        for number in np.flatnonzero(fold == left_out).tolist():
            told = forest.predict_proba(examples[number].features)[:, 1] >= 0.5
            right[number] = (told == lawn[number]).mean()
    by_index = np.array([(one.green == one.lawn).mean() for one in examples])
    weight = np.where(lawn, 0.5 / pieces[0], 0.5 / pieces[1])
    better = right - by_index
    of_kind = np.where(lawn, better[lawn].mean(), better[~lawn].mean())
    error = float(np.sqrt(weight**2 @ (better - of_kind) ** 2))
    return LearnedLawn(
        pieces,
        float(weight @ right),
        float(weight @ by_index),
        taken=bool(weight @ better > SURE_GAIN * error),
        worth=float((right.sum() + 1) / (len(right) + 2)),
        _forest=_forest(examples),
    )


def _folds(lawn: BoolArray) -> NDArray[np.int64]:
    """Return by number with which others each piece is left out: those of a kind are dealt in turn."""
    turn = np.zeros(len(lawn), dtype=int)
    for kind, start in ((lawn, 0), (~lawn, int(lawn.sum()))):
        turn[kind] = start + np.arange(int(kind.sum()))
    return turn % FOLDS_MOST


def _forest(examples: Sequence[Example]) -> RandomForestClassifier:
    try:
        from sklearn.ensemble import RandomForestClassifier
    except ImportError as error:
        raise ParameterError(
            "examples are learned from by the package scikit-learn", advice="pip install 'lawngis[examples]'"
        ) from error
    features = np.concatenate([one.features for one in examples])
    lawn = np.concatenate([np.full(len(one.features), one.lawn) for one in examples])
    weight = np.concatenate([np.full(len(one.features), 1 / len(one.features)) for one in examples])
    weight /= np.where(lawn, weight[lawn].sum(), weight[~lawn].sum())
    forest = RandomForestClassifier(TREES, min_samples_leaf=LEAF_MIN, random_state=0)
    return forest.fit(features, lawn, weight)
