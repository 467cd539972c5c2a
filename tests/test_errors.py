"""Errors carry what, where and advice, across process borders too."""

import pickle

import pytest

from lawngis.errors import FeatureError, LawngisError, LayerError, RasterError, SiteError


def test_text_says_where_what_and_what_to_do():
    error = LayerError("has no CRS", where=("garden.gpkg", "layer trees"), advice="Assign one in a GIS.")
    assert str(error) == "garden.gpkg, layer trees: has no CRS. Assign one in a GIS."


def test_outer_places_come_first():
    error = FeatureError("crosses itself", where="feature 7").within("garden.gpkg", "layer beds")
    assert error.where == ("garden.gpkg", "layer beds", "feature 7") and isinstance(error, FeatureError)


@pytest.mark.parametrize("kind", [SiteError, LayerError, FeatureError, RasterError])
def test_errors_are_value_errors_and_survive_pickling(kind):
    error = pickle.loads(pickle.dumps(kind("wrong", where=("a", "b"), advice="do")))
    assert isinstance(error, ValueError) and isinstance(error, LawngisError)
    assert (error.what, error.where, error.advice) == ("wrong", ("a", "b"), "do")
