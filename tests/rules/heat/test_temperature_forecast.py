"""temperature-forecast: 10 s to the ceiling, at least, at the slope of the last 5 s (both common
practice, no source). Worked by hand: a winding at a steady slope reaches (ceiling - T) / slope.

Published, "Heat" of the project's check values: 500 W into 5 kg of copper at 385 J/kg K warm it
by 0.2597 K/s (arithmetic), so that 2.597 K below the ceiling are just 10 s.
"""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

FAST = np.round(np.arange(0, 80, 0.1), 3)
SLOW = np.round(np.arange(0, 80, 0.5), 3)
WINDING, SPEED = "units.front.temperatures.winding", "units.front.speed"
COPPER_K_PER_S = 500 / (5 * 385)


def judge(degC, *, slow=SLOW, half_step_K=0.05, ceiling=100.0, bench=None, **more):
    """The front unit turns from 10 to 13 s; the winding as given."""
    turns = (FAST >= 10) & (FAST < 13)
    roles = {WINDING: (slow, degC(slow)), SPEED: (FAST, np.where(turns, 800.0, 0.0))}
    ceilings = {} if ceiling is None else {"winding": ceiling}
    return run(
        "temperature-forecast",
        roles,
        u={WINDING: half_step_K},
        bench={"ceilings_degC": ceilings} | (bench or {}),
        **more,
    )["front winding"]


def ramp(slope, start_s=10.0, end_s=40.0, start_degC=20.0):
    return lambda t: start_degC + slope * (np.clip(t, start_s, end_s) - start_s)


def test_two_kelvin_a_second_fail_ten_seconds_before_the_ceiling():
    """20 degC at 10 s, 2 K/s: 80 degC at 40 s, where it stays. 20 K short of 100 degC are 10 s;
    1 K more and it fails before the ceiling itself is reached."""
    finding = judge(ramp(2.0, end_s=41.0))
    assert finding.verdict is Verdict.FAIL
    assert finding.measured == pytest.approx(82.0 + 20.0)
    assert finding.margin == pytest.approx(-2.0)
    assert (finding.limit, finding.unit, finding.at_s) == (100.0, "degC", 41.0)
    # 0.05 K, and one step of 0.1 K over 5 s for 10 s.
    assert finding.uncertainty == pytest.approx(0.05 + 10 * 0.1 / 5)
    assert "ceiling in 9.0 s" in finding.sentence
    assert finding.facts["ceiling_in_s"] == pytest.approx(9.0)


def test_a_ceiling_just_ten_seconds_away_is_too_close_to_call():
    assert judge(ramp(2.0, end_s=40.0)).reason == "too-close-to-call"
    assert judge(ramp(2.0, end_s=39.5)).verdict is Verdict.PASS


def test_copper_heated_by_500_watts_needs_2_597_K_for_ten_seconds():
    warm = ramp(COPPER_K_PER_S, end_s=40.0)
    top = float(warm(np.array(40.0)))
    assert judge(warm, ceiling=top + 2.597 + 0.3).verdict is Verdict.PASS
    assert judge(warm, ceiling=top + 2.597 - 0.3).verdict is Verdict.FAIL
    assert judge(warm, ceiling=top + 2.597).margin == pytest.approx(0.0, abs=1e-3)


def test_a_shorter_horizon_is_the_plans():
    given = {"given": {"temperature-forecast": frozenset({"horizon_s"})}}
    finding = judge(ramp(2.0, end_s=41.0), rules={"horizon_s": 5}, bench=given)
    assert (finding.verdict, finding.limit_source) == (Verdict.PASS, "plan")
    assert judge(ramp(2.0)).limit_source == "common practice, no source"


def test_a_cooling_part_is_forecast_to_stay_where_it_is():
    finding = judge(lambda t: 60 - 0.5 * np.clip(t - 10, 0, 60))
    assert finding.verdict is Verdict.PASS
    assert finding.measured == pytest.approx(60.0)
    assert "ceiling in" not in finding.sentence


def test_above_the_ceiling_it_fails_though_it_cools():
    assert judge(lambda t: 120 - 0.1 * t).verdict is Verdict.FAIL


def test_one_step_of_a_coarse_sensor_far_below_the_ceiling_passes():
    assert judge(lambda t: np.where(t >= 12, 21.0, 20.0), half_step_K=0.5).verdict is Verdict.PASS


def test_without_a_ceiling_there_is_no_limit():
    finding = judge(ramp(2.0), ceiling=None)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "no-limit")


def test_a_unit_that_never_turned_is_not_exercised():
    still = {WINDING: (SLOW, ramp(0.1)(SLOW)), SPEED: (FAST, np.zeros(len(FAST)))}
    bench = {"ceilings_degC": {"winding": 100.0}}
    finding = run("temperature-forecast", still, bench=bench)["front winding"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    idle = run("temperature-forecast", still, bench=bench, stage="power-up")["front winding"]
    assert idle.verdict is Verdict.PASS  # nothing shall turn there


def test_a_recording_that_ends_before_the_heat_has_soaked_out_is_no_pass():
    finding = judge(ramp(0.1), slow=SLOW[SLOW < 50])
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def test_a_sensor_that_never_moves_is_suspect():
    assert judge(lambda t: np.full(len(t), 20.0)).reason == "sensor-suspect"


def test_it_stops_and_is_never_required():
    assert not judge(ramp(0.1)).required


@pytest.mark.parametrize("slope", [0.5, 2.5])
def test_no_cut_changes_anything(slope):
    assert judge(ramp(slope), cuts="each") == judge(ramp(slope))
