"""temperature-rate: limit 2 K/s over 5 s.

Published, "Heat" of the project's check values: 500 W into 5 kg of copper at 385 J/kg K warm it
by 0.2597 K/s (arithmetic). The rest is worked by hand beside the checks.
"""

import numpy as np
import pytest
from scipy.stats import theilslopes

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

FAST = np.round(np.arange(0, 80, 0.1), 3)
SLOW = np.round(np.arange(0, 80, 0.5), 3)
WINDING, SPEED = "units.front.temperatures.winding", "units.front.speed"


def judge(degC, slow=SLOW, half_step_K=0.05, **more):
    turns = (FAST >= 10) & (FAST < 13)
    roles = {WINDING: (slow, degC(slow)), SPEED: (FAST, np.where(turns, 800.0, 0.0))}
    return run("temperature-rate", roles, u={WINDING: half_step_K}, **more)["front winding"]


def ramp(slope, start_s=10.0, end_s=16.0):
    """A rise, and a slow cooling after it: what stands to the bit after a burst is not alive."""
    cools = 0.002 * slope * (end_s - start_s)
    return lambda t: (
        20 + slope * (np.clip(t, start_s, end_s) - start_s) - cools * np.maximum(t - end_s, 0)
    )


def test_three_kelvin_a_second_fail_and_the_slope_is_exact():
    finding = judge(ramp(3.0))
    assert finding.verdict is Verdict.FAIL
    assert finding.measured == pytest.approx(3.0)
    assert finding.margin == pytest.approx(-1.0)
    # One raw step of 0.1 K over 5 s.
    assert finding.uncertainty == pytest.approx(0.02)


def test_copper_heated_by_500_watts_warms_as_published():
    finding = judge(ramp(500 / (5 * 385), end_s=40.0))
    assert finding.verdict is Verdict.PASS
    assert finding.measured == pytest.approx(0.2597, abs=5e-5)


def test_the_slope_is_the_one_of_theil_and_sen():
    """Oracle: scipy.stats.theilslopes over each five seconds, eleven readings of 0.5 s."""
    noise = np.random.default_rng(7).normal(0, 0.5, len(SLOW))
    finding = judge(lambda t: 20 + 0.1 * t + noise)
    expected = [
        theilslopes(20 + 0.1 * SLOW[row - 10 : row + 1] + noise[row - 10 : row + 1], SLOW[:11])[0]
        for row in range(10, len(SLOW))
        if SLOW[row] <= 13 + 60  # the watch's end
    ]
    assert finding.measured == pytest.approx(max(expected))


def test_one_step_of_a_coarse_sensor_is_no_fast_rise():
    def coarse(t):
        return np.where(t >= 12, 21.0, 20.0)

    finding = judge(coarse, half_step_K=0.5)
    assert finding.verdict is Verdict.PASS
    # No pair further apart than 5 s, nor median above what one step in half a window gives.
    assert 0.2 <= finding.measured <= 1 / 2.5
    assert finding.uncertainty == pytest.approx(1.0 / 5)


def test_a_single_wild_reading_does_not_tip_the_slope():
    finding = judge(lambda t: ramp(0.5)(t) + np.where(t == 14.0, 30.0, 0.0))
    assert finding.verdict is Verdict.PASS
    assert finding.measured < 1.0


def test_nothing_is_judged_before_a_whole_window_was_seen():
    # 3 K/s during the first 4 s alone: too short for 5 s of readings to show 2 K/s by 5 s.
    finding = judge(lambda t: 20 + 0.2 * np.minimum(t, 4.0), slow=SLOW[SLOW >= 0.5])
    assert finding.at_s >= 5.0


def test_cooling_down_fast_is_no_fault():
    assert judge(lambda t: 40 - ramp(3.0)(t)).verdict is Verdict.PASS


def test_a_slope_within_its_uncertainty_is_too_close_to_call():
    assert judge(ramp(1.9), half_step_K=0.5).reason == "too-close-to-call"  # u = 0.2 K/s


def test_no_slope_is_taken_from_the_end_of_a_range():
    """A node that sends every 1.9 s shows -40 degC once: 24 of the 43 pairs in 5 s have it."""
    slow = np.round(np.arange(0, 80, 1.9), 3)
    assert judge(lambda t: np.where(t == 0, -40.0, 20 + 0.01 * t), slow=slow).measured < 0.1


def test_no_slope_is_taken_across_a_silence():
    # 15 K appear within a silence of 3 s, more than 3 cycles of 0.5 s.
    def jump(t):
        return np.where(t >= 13, 35.0, 20.0) + 0.01 * t

    finding = judge(jump, slow=SLOW[(SLOW <= 10) | (SLOW >= 13)], cycles_s={WINDING: 0.5})
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def test_the_watch_ends_60_s_after_the_burst_where_nodes_may_fall_asleep():
    assert judge(ramp(3.0, 73.5, 79.0)).verdict is Verdict.FAIL
    assert judge(ramp(3.0, 67.0, 73.0)).verdict is Verdict.FAIL


@pytest.mark.parametrize("slope", [0.5, 3.0])
def test_cutting_changes_nothing(slope):
    assert judge(ramp(slope), cuts="each") == judge(ramp(slope))
