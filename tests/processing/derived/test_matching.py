"""Which feature a measured fact is about: the one of its name, unless another lies where it was measured."""

import pytest
from shapely import Point

from lawngis.processing.derived.matching import matched
from lawngis.processing.model.facts import Fact

FEATURES = [("P1-D1", Point(0, 0)), ("P1-D2", Point(0.5, 0)), ("P1-D3", Point(30, 0)), ("", Point(50, 0))]


def meant(name="", place=None, *, ours=True):
    """Return the name of the feature that a fact is about, and the codes of what is said."""
    told = []
    fact = Fact(1.0, "dock_candidates", "slope_percent", name, place, label="override 1", ours=ours)
    found = [FEATURES[index] for _, index in matched([fact], FEATURES, told)]
    return (found[0] if found else None), [(item.severity, item.code) for item in told]


@pytest.mark.parametrize(
    ("name", "place", "feature", "said"),
    [
        ("P1-D2", None, 1, []),
        ("", Point(0.3, 0), 1, []),
        ("", Point(51, 0), 3, []),
        ("P1-D1", Point(0, 0), 0, []),
        ("P1-D1", Point(1.2, 0), 0, []),  # drawn carelessly, but no other lies there
        ("P1-D1", Point(0.45, 0), 1, ["override-renamed"]),  # it lies on the other
        ("P1-D1", Point(29, 0), 2, ["override-renamed"]),  # names have shifted
        ("P1-D9", Point(29, 0), 2, ["override-renamed"]),
        ("P1-D2", Point(200, 0), 1, []),
    ],
)
def test_place_and_name_say_which_is_meant(name, place, feature, said):
    found, told = meant(name, place)
    assert found == FEATURES[feature]
    assert [code for _, code in told] == said


def test_what_is_about_nothing_stops_the_plan_unless_it_may_be_the_neighbours():
    assert meant("P1-D9") == (None, [("stop", "override-no-target")])
    assert meant("", Point(10, 0)) == (None, [("stop", "override-no-target")])
    assert meant("", Point(10, 0), ours=False) == (None, [("info", "override-beside")])


def test_without_any_feature_there_is_no_target():
    told = []
    assert list(matched([Fact(1.0, "links", "width_m", "P1-P1", label="override 1")], [], told)) == []
    assert (told[0].code, told[0].values["case"]) == ("override-no-target", "none")
