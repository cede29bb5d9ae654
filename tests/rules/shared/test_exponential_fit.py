"""The exponential fit against exact curves of known tau (V(t)/V0 = 1 - e^(-t/RC), check-values.md)
and against scipy's curve_fit on noisy ones."""

import numpy as np
import pytest
from scipy.optimize import curve_fit

from canscope.rules.shared.exponential_fit import exponential
from tests.rules.vehicle import charging, clock, discharging


@pytest.mark.parametrize("tau_s", [0.040, 0.047, 0.100, 0.150])
def test_an_exact_charging_curve_gives_its_tau_and_final_level(tau_s):
    t = clock(6 * tau_s, 0.005)
    fit = exponential(t, charging(t, 0.0, 400.0, tau_s))
    assert fit.tau_s == pytest.approx(tau_s, rel=1e-6)
    assert fit.level == pytest.approx(400.0, abs=1e-4)
    assert fit.r2 == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("percent", "taus"), [(90, 2.3026), (95, 2.9957), (98, 3.9120), (99, 4.6052)]
)
def test_the_time_to_a_share_of_the_pack_is_as_published(percent, taus):
    """t90/95/98/99 = 2.3026/2.9957/3.9120/4.6052 tau (D)."""
    t = clock(0.240, 0.005)
    fit = exponential(t, charging(t, 0.0, 400.0, 0.040))
    assert fit.when(4.0 * percent) / 0.040 == pytest.approx(taus, abs=5e-5)


def test_the_published_warming_bead_is_read_back():
    """Bead of "A Heat Transfer Textbook", tau 1.116 s, from 20 to 200 degC (C, D)."""
    t = clock(4, 0.05)
    fit = exponential(t, charging(t, 0.0, 200.0, 1.116, start_V=20.0))
    assert fit.tau_s == pytest.approx(1.116, rel=1e-6)
    assert [fit.at(s) for s in (1, 3, 5)] == pytest.approx([126.53, 187.76, 197.96], abs=0.01)


def test_two_thirds_of_a_curve_give_tau_when_the_final_level_is_known():
    t = clock(0.040, 0.005)
    fit = exponential(t, charging(t, 0.0, 400.0, 0.040), level=400.0)
    assert fit.tau_s == pytest.approx(0.040, rel=1e-6)
    assert fit.level_u == 0


def test_time_to_a_voltage_is_as_in_the_published_discharge_example():
    """600 V, 300 uF, 150 kohm: tau 45 s; 111.821 s to 50 V; 0.764 V at 300 s (motion-drive project
    manual, "Calculation example - discharging circuit", C)."""
    t = clock(100, 0.1)
    fit = exponential(t, discharging(t, 0.0, 600.0, 300e-6 * 150e3), level=0.0)
    assert fit.tau_s == pytest.approx(45.0, rel=1e-6)
    assert fit.when(50.0) == pytest.approx(111.821, abs=5e-4)
    assert fit.at(300.0) == pytest.approx(0.764, abs=5e-4)


def test_400_to_60_V_takes_1_89712_tau():
    """D: ln(400 / 60) = 1.89712."""
    t = clock(2, 0.01)
    assert exponential(t, discharging(t, 0.0, 400.0, 1.0), level=0.0).when(60.0) == pytest.approx(
        1.89712, abs=5e-6
    )


def test_estimate_and_twice_the_standard_error_agree_with_scipy():
    rng = np.random.default_rng(7)
    t = clock(0.3, 0.005)
    v = charging(t, 0.0, 400.0, 0.040) + rng.normal(0, 1.0, len(t))

    def curve(t, tau, level, swing):
        return level + swing * np.exp(-t / tau)

    best, covariance = curve_fit(curve, t, v, p0=(0.05, 390, -390))
    fit = exponential(t, v)
    assert (fit.tau_s, fit.level, fit.swing) == pytest.approx(tuple(best), rel=1e-5)
    assert fit.tau_u == pytest.approx(2 * np.sqrt(covariance[0, 0]), rel=1e-3)
    assert fit.level_u == pytest.approx(2 * np.sqrt(covariance[1, 1]), rel=1e-3)


def test_what_does_not_move_or_is_too_short_has_no_fit():
    t = clock(1.0, 0.1)
    assert exponential(t, np.full(len(t), 5.0)) is None
    assert exponential(t[:3], charging(t[:3], 0, 400, 0.1)) is None


def test_a_straight_line_has_no_fit():
    t = clock(1.0, 0.01)
    assert exponential(t, 100 * t) is None
