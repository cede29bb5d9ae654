"""temperature-rise, worked by hand: 10 K over the value before the first burst; read to +-0.5 K."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from canscope.rules import RULES
from tests.rules.harness import bench_of
from tests.rules.harness import judge as run

FAST = np.round(np.arange(0, 100, 0.1), 3)
SLOW = np.round(np.arange(0, 100, 0.5), 3)
WINDING, SPEED = "units.front.temperatures.winding", "units.front.speed"
DRY = {"oil": "empty"}


def judge(degC, speed=None, slow=SLOW, **more):
    """Bursts from 5 to 8 s and from 20 to 23 s; the watch ends at 83 s."""
    turns = (FAST >= 5) & (FAST < 8) | (FAST >= 20) & (FAST < 23)
    roles = {
        WINDING: (slow, degC(slow)),
        SPEED: (FAST, np.where(turns, 800.0, 0.0) if speed is None else speed),
    }
    more = {"u": {WINDING: 0.5}, "bench": DRY} | more
    return run("temperature-rise", roles, **more)["front winding"]


def climb(final_degC, at_s=30.0, fall_s=100.0):
    """20 degC up to 5 s, then a straight climb, then straight down again."""
    return lambda t: np.interp(t, [0, 5, at_s, fall_s], [20, 20, final_degC, 20])


def test_a_rise_of_15_kelvin_over_the_first_value_fails():
    finding = judge(climb(35.0))
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 15.0, -5.0)
    # 0.6 K/s from 5 s: more than 10 K + 1 K of uncertainty from 23.33 s on.
    assert (finding.first_failed_s, finding.facts["base_degC"]) == (23.5, 20.0)


def test_both_readings_are_uncertain():
    finding = judge(climb(28.5))
    assert (finding.verdict, finding.margin, finding.uncertainty) == (Verdict.PASS, 1.5, 1.0)
    assert judge(climb(29.5)).reason == "too-close-to-call"


def test_the_first_burst_gives_the_base_not_the_second():
    finding = judge(climb(35.0, at_s=20.0))
    assert (finding.facts["base_degC"], finding.margin) == (20.0, -5.0)


def test_what_happens_later_than_the_watch_is_not_judged():
    late = judge(lambda t: np.interp(t, [0, 5, 30, 84, 90], [20, 20, 25, 25, 60]))
    assert (late.verdict, late.margin) == (Verdict.PASS, 5.0)


def test_without_a_fresh_value_before_the_first_burst_it_is_unproven():
    finding = judge(climb(22.0), slow=SLOW[SLOW >= 6])
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def test_a_unit_that_never_turned_is_unproven():
    assert judge(climb(22.0), speed=np.zeros(len(FAST))).reason == "not-exercised"


def test_a_recording_that_ends_too_early_is_unproven():
    keep = SLOW < 60
    roles = {
        WINDING: (SLOW[keep], climb(25.0)(SLOW[keep])),
        SPEED: (FAST[FAST < 60], np.where((FAST >= 5) & (FAST < 8), 800.0, 0.0)[FAST < 60]),
    }
    finding = run("temperature-rise", roles, bench=DRY)["front winding"]
    assert finding.reason == "not-exercised"
    assert "heat soaks out for 60 s" in finding.sentence


def test_it_applies_only_while_something_is_empty():
    rule = RULES["temperature-rise"]()
    assert rule.applies(bench_of([SPEED], "dry-spin", {"coolant": "empty"}))
    assert not rule.applies(bench_of([SPEED], "dry-spin", {}))
    assert not rule.applies(bench_of([SPEED], "unit-alone", {}))


@pytest.mark.parametrize("final_degC", [25.0, 35.0])
def test_cutting_changes_nothing(final_degC):
    assert judge(climb(final_degC), cuts="each") == judge(climb(final_degC))
