"""Published classes of vertical accuracy.

Sources: USGS, 3DEP Lidar Base Specification (RMSEz and the 95 % figures, read in a copy); ASPRS 2015, Positional
Accuracy Standards, edition 1 (X-cm: RMSEz ≤ X, 3.00 X; from memory).
"""

import pytest

from lawngis.errors import ParameterError
from lawngis.ground.accuracy import PUBLISHED_CLASSES, accuracy_class


@pytest.mark.parametrize(
    ("name", "rmse_cm", "vegetated_95_cm"), [("QL0", 5, 14.7), ("QL1", 10, 29.4), ("QL2", 10, 29.4), ("QL3", 20, 58.8)]
)
def test_quality_levels(name, rmse_cm, vegetated_95_cm):
    found = accuracy_class(name.lower())
    assert 100 * found.rmse_z_m == pytest.approx(rmse_cm)
    assert 100 * found.vegetated_95_m == pytest.approx(vegetated_95_cm)


@pytest.mark.parametrize(("name", "rmse_m"), [("10-cm", 0.1), ("33.3-cm", 0.333), ("1 CM", 0.01)])
def test_classes_by_centimetres(name, rmse_m):
    found = accuracy_class(name)
    assert found.rmse_z_m == pytest.approx(rmse_m)
    assert found.vegetated_95_m == pytest.approx(3 * rmse_m)
    assert accuracy_class(found.name) == found


@pytest.mark.parametrize("name", ["QL9", "0-cm", "", "cm", "-5-cm"])
def test_unknown_classes_are_refused_with_the_known_ones(name):
    with pytest.raises(ParameterError, match="accuracy class") as error:
        accuracy_class(name)
    assert all(known.name in str(error.value) for known in PUBLISHED_CLASSES)
