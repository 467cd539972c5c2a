"""How far data is off: one model for what is drawn, one for what is on a grid; every doubt is from here.

What is drawn is off in three parts, each with its standard deviation across an edge::

    survey    every feature of a survey alike: a shifted image, a wrong datum      cancels in any distance within it
    feature   one feature as a whole: digitised from another picture, another day  cancels within the feature
    vertex    each corner on its own: the hand, the pixel                          never cancels

A grid's errors are alike over a distance: its noise is smooth at the scale of a mower and averages out slowly.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, isfinite, sqrt
from typing import Literal

from lawngis.errors import ParameterError
from lawngis.ground.terrain import Correlation, ExponentialCorrelation, GaussianCorrelation

ErrorForm = Literal["exponential", "gaussian"]

FEATURE_SHARE = 0.64
"""Share of the variance of a drawn edge that its whole feature has in common, where nobody says. Common practice, no
source: what is drawn from one picture is shifted and turned rather than frayed."""


@dataclass(frozen=True)
class VectorError:
    """How far an edge of a drawn feature is off, across it, in three independent parts [m]."""

    survey_m: float
    feature_m: float
    vertex_m: float

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if not (isfinite(value) and value >= 0):
                raise ParameterError(f"{name} must be a length of at least 0 m, not {value:g}")

    @classmethod
    def of_total(cls, position_sd_m: float, survey_m: float = 0.0) -> VectorError:
        """Return the parts of a total of which nobody says more: :data:`FEATURE_SHARE` of what the survey leaves.

        Raises
        ------
        ParameterError
            When the shift of the survey alone is more than the total.

        Examples
        --------
        >>> VectorError.of_total(0.10)
        VectorError(survey_m=0.0, feature_m=0.08, vertex_m=0.06)
        """
        rest = position_sd_m**2 - survey_m**2
        if rest < 0:
            raise ParameterError(f"a survey shifted by {survey_m:g} m isn't as good as {position_sd_m:g} m")
        feature_m, vertex_m = (round(sqrt(share * rest), 12) for share in (FEATURE_SHARE, 1 - FEATURE_SHARE))
        return cls(survey_m, feature_m, vertex_m)

    @property
    def total_m(self) -> float:
        """Standard deviation of an edge's place [m]."""
        return hypot(self.survey_m, self.feature_m, self.vertex_m)


def distance_sd_m(one: VectorError, other: VectorError, *, same_feature: bool = False) -> float:
    """Return the standard deviation of the distance between two drawn edges [m].

    Parameters
    ----------
    one, other
        Errors of the two.
    same_feature
        Whether both belong to one feature, whose shift they share.

    Notes
    -----
    The distance is the difference of two places, so what both share cancels: the survey's shift, as far as the smaller
    of the two goes (two surveys on one datum share that), and within one feature its own shift.

    Examples
    --------
    >>> round(distance_sd_m(VectorError.of_total(0.10), VectorError.of_total(0.10)), 4)
    0.1414
    >>> aerial = VectorError.of_total(0.10)
    >>> round(distance_sd_m(aerial, aerial, same_feature=True), 4)
    0.0849
    """
    survey = abs(one.survey_m**2 - other.survey_m**2)
    feature = abs(one.feature_m**2 - other.feature_m**2) if same_feature else one.feature_m**2 + other.feature_m**2
    return sqrt(survey + feature + one.vertex_m**2 + other.vertex_m**2)


@dataclass(frozen=True)
class RasterError:
    """How far the values of a grid are off.

    Parameters
    ----------
    sd_m
        Standard deviation of one value [m].
    correlation_m
        Distance over which errors are alike: at it the correlation is 1/e [m].
    form
        How it falls: ``exponential`` for rough errors (laser scanning), ``gaussian`` for smooth ones (image matching).
    """

    sd_m: float
    correlation_m: float
    form: ErrorForm = "exponential"

    def __post_init__(self) -> None:
        if not (isfinite(self.sd_m) and self.sd_m >= 0):
            raise ParameterError(f"sd_m must be a length of at least 0 m, not {self.sd_m:g}")

    @property
    def correlation(self) -> Correlation:
        """Correlation of two values by their distance [m]."""
        smooth = self.form == "gaussian"
        return GaussianCorrelation(self.correlation_m) if smooth else ExponentialCorrelation(self.correlation_m)
