"""Where a break is, against the conductor table worked by hand."""

import numpy as np
import pytest

from lawngis.errors import ParameterError
from lawngis.record.faults import (
    LaidLengths,
    distance_reading,
    fault_place,
    ratio_reading,
    refuse_unlike_whole,
    resistance_reading,
)


def exact(*lengths):
    return LaidLengths(np.array(lengths), np.zeros(len(lengths)))


def test_break_by_the_conductor_table_by_hand():
    # IEC 60228, table 1: 0.75 mm², 24.5 ohm/km at 20 °C. 1.225 ohm / 24.5 ohm/km = 50 m of wire.
    reading = resistance_reading(1.225, 0.75, temperature_c=20.0)
    assert reading.wire_m == pytest.approx(50.0)
    # 2 % of wire in hand: 50 m of wire lie along 50 / 1.02 = 49.02 m of ground; from the end of 120 m: 70.98 m.
    assert fault_place([reading], exact(120.0), slack_share=0.02).chainage_m == pytest.approx(49.0196, abs=1e-4)
    end = resistance_reading(1.225, 0.75, temperature_c=20.0, from_end=True)
    assert fault_place([end], exact(70.0, 50.0), slack_share=0.02).chainage_m == pytest.approx(70.9804, abs=1e-4)


def test_warm_wire_and_leads_by_hand():
    # IEC 60028: copper has 0.00393 /K more than at 20 °C. At 32 °C: 1 + 0.00393 * 12 = 1.04716.
    # 24.5 ohm/km * 1.04716 = 25.65542 ohm/km. The meter shows 1.48 ohm, 0.19722903 of it its leads:
    # 1.28277097 ohm / 25.65542 ohm/km = 50.000 m.
    reading = resistance_reading(1.48, 0.75, temperature_c=32.0, leads_ohm=0.19722903)
    assert reading.wire_m == pytest.approx(50.0, abs=1e-4)
    # Forgotten, the leads alone put it 7.7 m too far: 0.19722903 / 25.65542 * 1000.
    assert resistance_reading(1.48, 0.75, temperature_c=32.0).wire_m - 50.0 == pytest.approx(7.6876, abs=1e-3)
    # Its sd: 0.02 ohm are 0.77956 m; 3 % of the wire 1.5 m; 2 K of 0.00393 / 1.04716 are 0.75059 % or 0.37530 m.
    # (0.77956² + 1.5² + 0.37530²)^0.5 = 1.73178.
    assert reading.sd_m == pytest.approx(1.7318, abs=1e-3)


def test_a_temperature_that_nobody_measured_widens_what_is_claimed():
    known, unknown = (resistance_reading(2.45, 0.75, temperature_c=warm) for warm in (20.0, None))
    assert known.wire_m == unknown.wire_m
    # 100 m: 0.02 ohm 0.81633 m, 3 % 3 m, 10 K 3.93 m: 5.0112 m; 2 K 0.786 m: 3.2068 m.
    assert unknown.sd_m == pytest.approx(5.0112, abs=1e-3)
    assert known.sd_m == pytest.approx(3.2068, abs=1e-3)


@pytest.mark.parametrize("warm", [-5.0, 20.0, 45.0])
@pytest.mark.parametrize("per_km", [24.5, 23.3, 7.41])
def test_measured_from_both_ends_wire_and_temperature_cancel(per_km, warm):
    """Wire of 120 m on the ground and 2 % in hand is broken at 45 m; the leads have 0.3 ohm."""
    ohm_per_m = per_km / 1000 * (1 + 0.00393 * (warm - 20))
    start, end = (1.02 * metres * ohm_per_m + 0.3 for metres in (45.0, 75.0))
    found = fault_place([ratio_reading(start, end, leads_ohm=0.3)], exact(120.0))
    assert found.chainage_m == pytest.approx(45.0)


def test_sd_of_the_ratio_by_hand():
    # 1 and 2 ohm, each ± 0.02: (1² + 2²)^0.5 * 0.02 / 3² = 0.0049690 of 300 m are 1.49071 m;
    # wire in hand, 1 % of 100 m times 2/3, 0.66667 m; together 1.63299 m.
    assert fault_place([ratio_reading(1.0, 2.0)], exact(300.0)).sd_m == pytest.approx(1.6330, abs=1e-3)
    # One from its start alone, with the table: 3 % of 40.8163 m and more.
    assert resistance_reading(1.0, 0.75, temperature_c=20.0).sd_m > 1.4


def test_two_faults_show_in_the_sum_of_both_ends():
    # 120 m of 0.75 mm²: 2.94 ohm. From both ends 0.8 and 1.2 ohm: 40 m are missing between two breaks.
    with pytest.raises(ParameterError, match=r"together it is 2\.00 ohm, but 120\.0 m .* have 2\.94 ± "):
        refuse_unlike_whole(0.8, 1.2, 120.0, 0.75)
    refuse_unlike_whole(1.3, 1.4, 120.0, 0.75)  # wire a little better than the table
    refuse_unlike_whole(1.5, 1.6, 120.0, 0.75, leads_ohm=0.1)


def test_how_sure_the_laid_lengths_are_counts_from_the_end_measured_at():
    laid = LaidLengths(np.array([50.0, 20.0, 50.0]), np.array([0.2, 6.0, 0.3]))
    assert laid.sds_m(25.0) == (pytest.approx(0.1), pytest.approx(np.hypot(0.1, np.hypot(6.0, 0.3))))
    near, beyond = (fault_place([distance_reading(at, sd_m=0.1)], laid).sd_m for at in (40.0, 90.0))
    assert near < 1 < 6 < beyond
    assert fault_place([distance_reading(30.0, sd_m=0.1, from_end=True)], laid).sd_m < 1
    shared = fault_place([ratio_reading(1.0, 2.0, ohm_sd=0.0)], laid).sd_m  # at 40 m: a third of what lies after
    assert shared == pytest.approx(
        np.linalg.norm([0.01 * 40 * 2 / 3, 0.16 * 2 / 3, np.linalg.norm([0.04, 6, 0.3]) / 3])
    )


def test_both_ends_know_better_than_one():
    start, end = distance_reading(40.0, sd_m=2.0), distance_reading(61.0, sd_m=2.0, from_end=True)
    both = fault_place([start, end], exact(100.0))
    assert 39.0 < both.chainage_m < 40.0
    assert both.sd_m < min(fault_place([one], exact(100.0)).sd_m for one in (start, end))


def test_readings_that_cannot_be_are_refused():
    with pytest.raises(ParameterError, match="beyond the loop"):
        fault_place([distance_reading(130.0)], exact(100.0))
    with pytest.raises(ParameterError, match="contradict"):
        fault_place([distance_reading(10.0), distance_reading(10.0, from_end=True)], exact(100.0))
    with pytest.raises(ParameterError, match="needs a reading"):
        fault_place([], exact(100.0))
    with pytest.raises(ParameterError, match="can't be"):
        resistance_reading(-1.0, 0.75)
    with pytest.raises(ParameterError, match=r"0\.1 ohm are less than the 0\.2 ohm of the meter's leads"):
        resistance_reading(0.1, 0.75, leads_ohm=0.2)
    with pytest.raises(ParameterError, match="no resistance from either end"):
        ratio_reading(0.2, 0.2, leads_ohm=0.2)
