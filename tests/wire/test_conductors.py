"""Resistance of the wire."""

import pytest

from lawngis.errors import ParameterError
from lawngis.wire.conductors import FLEXIBLE_OHM_PER_KM, SOLID_OR_STRANDED_OHM_PER_KM, resistance_ohm


def test_resistance_is_proportional_to_length():
    assert resistance_ohm(200, 0.75) == pytest.approx(2 * resistance_ohm(100, 0.75))
    assert resistance_ohm(0, 0.75) == 0


def test_resistance_by_hand():
    # IEC 60228: 24.5 ohm/km at 20 °C for 0.75 mm²; 10 K more add 0.004 x 10 = 4 %.
    assert resistance_ohm(200, 0.75) == pytest.approx(4.9)
    assert resistance_ohm(200, 0.75, 30.0) == pytest.approx(5.096)
    assert resistance_ohm(200, 0.75, -60.0) == pytest.approx(4.9 * 0.68)
    assert resistance_ohm(200, 0.75, 250.0) == pytest.approx(4.9 * 1.92)


def test_thicker_wire_and_colder_wire_resist_less():
    for table in (SOLID_OR_STRANDED_OHM_PER_KM, FLEXIBLE_OHM_PER_KM):
        values = [resistance_ohm(100, section, table=table) for section in sorted(table)]
        assert values == sorted(values, reverse=True)
    assert resistance_ohm(100, 0.75, 0.0) < resistance_ohm(100, 0.75, 20.0) < resistance_ohm(100, 0.75, 40.0)


def test_sections_between_are_refused_with_those_known():
    with pytest.raises(ParameterError, match=r"section_mm2 0\.8 .*0\.5, 0\.75, 1, 1\.5"):
        resistance_ohm(100, 0.8)


@pytest.mark.parametrize(
    ("bad", "said"),
    [
        ({"length_m": -1.0}, "length_m -1 "),
        ({"length_m": float("nan")}, "length_m nan "),
        ({"temperature_c": 400.0}, "temperature 400.0 °C .* -60 and 250 °C"),
    ],
)
def test_impossible_values_are_refused(bad, said):
    values = {"length_m": 100.0, "section_mm2": 0.75, "temperature_c": 20.0} | bad
    with pytest.raises(ParameterError, match=said):
        resistance_ohm(**values)
