"""change-at-standstill, worked by hand: limit 100 rpm, speed known to +-0.5 rpm."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

SECONDS = [0.0, 1.0, 2.0, 3.0]


def judge(speed_rpm, entered_at_s=None, before=0, value=1, **more):
    """A run sampled once a second; direction goes from ``before`` to ``value``."""
    late = [t >= entered_at_s for t in SECONDS] if entered_at_s is not None else [False] * 4
    roles = {
        "units.front.speed": (SECONDS[: len(speed_rpm)], speed_rpm),
        "driver.direction": (SECONDS, np.where(late, value, before)),
    }
    found = run(
        "change-at-standstill",
        roles,
        u={"units.front.speed": 0.5},
        cycles_s={"units.front.speed": 1.0, "driver.direction": 1.0},
        **more,
    )
    return found["front"]


def test_a_change_on_the_move_fails_by_the_excess_speed():
    finding = judge(speed_rpm=[0, 140, 140, 140], entered_at_s=2.0)
    assert (finding.verdict, finding.margin) == (Verdict.FAIL, -40.0)
    assert (finding.measured, finding.limit, finding.uncertainty) == (140.0, 100.0, 0.5)
    assert (finding.at_s, finding.first_failed_s) == (2.0, 2.0)
    assert "forward was entered while the front unit was turning" in finding.sentence


def test_turning_backwards_is_turning_as_well():
    assert judge([0, -140, -140, -140], 2.0, before=-1).margin == -40.0


def test_a_change_at_the_limit_is_too_close_to_call():
    finding = judge(speed_rpm=[0, 100, 100, 100], entered_at_s=2.0)
    assert finding.reason == "too-close-to-call"


def test_a_change_at_standstill_passes():
    finding = judge(speed_rpm=[0, 1, 0, 0], entered_at_s=2.0)
    assert finding.verdict is Verdict.PASS
    assert finding.margin == 100.0


def test_no_change_at_all_is_unproven():
    assert judge(speed_rpm=[0, 0, 1, 0]).reason == "not-exercised"


def test_a_direction_that_the_run_begins_with_was_not_entered_in_it():
    finding = judge([140, 140, 139, 140], before=1)
    assert (finding.verdict, finding.measured) == ("unproven", None)


def test_leaving_for_neutral_is_no_entering():
    assert judge([140, 140, 139, 140], 2.0, before=1, value=0).reason == "not-exercised"


def test_the_speed_may_have_moved_while_the_change_happened():
    """From 140 to 90 rpm between the two readings of the direction: 90 +- (0.5 + 50)."""
    finding = judge([0, 140, 90, 90], 2.0)
    assert (finding.reason, finding.margin) == ("too-close-to-call", 10.0)
    assert finding.uncertainty == 50.5


def test_a_speed_that_went_silent_before_the_change_proves_nothing():
    times = np.arange(0, 3, 0.1)
    roles = {
        "units.front.speed": ([0.0, 0.1, 0.2], [0, 1, 0]),
        "driver.direction": (times, times >= 2),
    }
    cycles = {"units.front.speed": 0.1, "driver.direction": 0.1}
    finding = run("change-at-standstill", roles, cycles_s=cycles)["front"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


@pytest.mark.parametrize("cuts", ["each", [0.5, 2.0], [2.0]])
def test_cutting_does_not_matter(cuts):
    whole = judge([0, 140, 120, 120], 2.0)
    assert judge([0, 140, 120, 120], 2.0, cuts=cuts) == whole


def test_without_any_unit_it_says_what_is_not_bound():
    found = run("change-at-standstill", {"driver.direction": (SECONDS, [0, 0, 1, 1])})
    assert found["axles"].reason == "not-bound"
