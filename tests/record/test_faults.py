"""Where a break is, against the conductor table worked by hand."""

import pytest

from lawngis.errors import ParameterError
from lawngis.record.faults import distance_reading, fault_place, resistance_reading


def test_break_by_the_conductor_table_by_hand():
    # IEC 60228, table 1: 0.75 mm², 24.5 ohm/km at 20 °C. 1.225 ohm / 24.5 ohm/km = 50 m of wire.
    reading = resistance_reading(1.225, 0.75)
    assert reading.wire_m == pytest.approx(50.0)
    # 2 % of wire in hand: 50 m of wire lie along 50 / 1.02 = 49.02 m of ground; from the end of 120 m: 70.98 m.
    assert fault_place([reading], length_m=120.0, slack_share=0.02).chainage_m == pytest.approx(49.0196, abs=1e-4)
    end = resistance_reading(1.225, 0.75, from_end=True)
    assert fault_place([end], length_m=120.0, slack_share=0.02).chainage_m == pytest.approx(70.9804, abs=1e-4)


def test_warm_wire_by_hand():
    # 30 °C: 1 + 0.004 * 10 = 1.04; 24.5 * 1.04 = 25.48 ohm/km; 1.274 ohm / 25.48 = 50 m.
    assert resistance_reading(1.274, 0.75, temperature_c=30.0).wire_m == pytest.approx(50.0)


def test_both_ends_know_better_than_one():
    start, end = distance_reading(40.0, sd_m=2.0), distance_reading(61.0, sd_m=2.0, from_end=True)
    both = fault_place([start, end], length_m=100.0)
    assert 39.0 < both.chainage_m < 40.0
    assert both.sd_m < min(fault_place([one], length_m=100.0).sd_m for one in (start, end))


def test_readings_that_cannot_be_are_refused():
    with pytest.raises(ParameterError, match="beyond the loop"):
        fault_place([distance_reading(130.0)], length_m=100.0)
    with pytest.raises(ParameterError, match="contradict"):
        fault_place([distance_reading(10.0), distance_reading(10.0, from_end=True)], length_m=100.0)
    with pytest.raises(ParameterError, match="needs a reading"):
        fault_place([], length_m=100.0)
    with pytest.raises(ParameterError, match="can't be"):
        resistance_reading(-1.0, 0.75)
