"""Errors that tell people what is wrong, where, and what to do.

One root, :class:`LawngisError`, with one child per unit of data. Each child also inherits the fitting
builtin, so that callers of the library can catch ``ValueError`` without knowing lawngis. Fields carry the
facts; :func:`LawngisError.__str__` is the only place that renders them.
"""

from __future__ import annotations


class LawngisError(Exception):
    """Root of all errors that lawngis raises on purpose.

    Parameters
    ----------
    what
        What is wrong, as a sentence without a final stop.
    where
        File, layer and feature as far as they are known, outermost first.
    advice
        What the reader can do about it; empty when there is nothing to say.
    """

    def __init__(self, what: str, *, where: str | tuple[str, ...] = (), advice: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = (where,) if isinstance(where, str) else tuple(where)
        self.advice = advice

    def within(self, *outer: str) -> LawngisError:
        """Return the same error with outer places (file, layer) put before the known ones."""
        return type(self)(self.what, where=(*outer, *self.where), advice=self.advice)

    def __reduce__(self) -> tuple[object, ...]:
        """Errors cross process borders, so they must be picklable with their fields."""
        return (_rebuilt, (type(self), self.what, self.where, self.advice))

    def __str__(self) -> str:
        """Place, fact, advice, in this order: ``garden.gpkg, trees, feature 7: …. Do …``."""
        place = ", ".join(part for part in self.where if part)
        text = f"{place}: {self.what}" if place else self.what
        return f"{text}. {self.advice}" if self.advice else text


def _rebuilt(kind: type[LawngisError], what: str, where: tuple[str, ...], advice: str) -> LawngisError:
    return kind(what, where=where, advice=advice)


class SiteError(LawngisError, ValueError):
    """A site (file or folder) that can't be used as a whole."""


class LayerError(LawngisError, ValueError):
    """A layer that is missing, or has the wrong geometry, CRS or columns."""


class FeatureError(LawngisError, ValueError):
    """A single feature whose geometry or values can't be used."""


class RasterError(LawngisError, ValueError):
    """A raster that is missing, unreadable, without CRS, or does not cover what it should."""


class ParameterError(LawngisError, ValueError):
    """A parameter or profile value that is unknown, out of range or impossible."""


class PlanError(LawngisError, ValueError):
    """A plan that breaks its own contract, or cannot be written."""
