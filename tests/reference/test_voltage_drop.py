"""Voltage drop against worked examples."""

import pytest

from lawngis.dock.supply import voltage_drop_percent

# IEC 60364-5-52, annex G: u = b (rho1 L/S cos phi + lambda L sin phi) IB with b = 2 for single phase (structure from a
# secondary source), rho1 = 0.0225 ohm mm²/m for copper in use and lambda = 0.08 mohm/m (from memory, not confirmed).
OHM_PER_M = 0.0225 / 1.5


@pytest.mark.parametrize(("power_factor", "volts"), [(0.8, 2.4096), (1.0, 3.000)])
def test_fifty_metres_of_one_and_a_half_square_at_two_amperes(power_factor, volts):
    # L = 50 m, S = 1.5 mm², I = 2 A; recomputed.
    drop = voltage_drop_percent(
        50, current_a=2, voltage_v=230, ohm_per_m=OHM_PER_M, power_factor=power_factor, reactance_ohm_per_m=0.08e-3
    )
    assert drop / 100 * 230 == pytest.approx(volts, abs=5e-5)


def test_extra_low_voltage_is_ohms_law_out_and_back():
    """IEC 60228 (2004), class 5, 1.5 mm²: 13.3 ohm/km at 20 °C; dU = 2 I R L = 2 x 2 A x 0.0133 x 15 m = 0.798 V."""
    drop = voltage_drop_percent(15, current_a=2, voltage_v=24, ohm_per_m=13.3e-3)
    assert drop == pytest.approx(100 * 0.798 / 24)
