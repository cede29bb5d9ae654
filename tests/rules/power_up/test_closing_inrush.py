"""closing-inrush, worked by hand: the plan's limit of 50 A in the 200 ms after positive closes
(common practice, no source). Current every 10 ms to +-0.5 A; positive closes at 2.0 s."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run
from tests.rules.vehicle import clock, state


def judge(current, *, limit_A=50.0, closes=((2.0, 1),), states_s=0.02, edit=None, **more):
    times, fine = clock(4.0, states_s), clock(4.0, 0.01, 0.005)
    roles = {
        "contactors.negative": (times, state(times, (0.5, 1))),
        "contactors.precharge": (times, state(times, (1.0, 1), (2.3, 0))),
        "contactors.positive": (times, state(times, *closes)),
        "pack.current": (fine, current(fine)),
    }
    if edit:
        edit(roles)
    return run(
        "closing-inrush",
        roles,
        rules={} if limit_A is None else {"limit_A": limit_A},
        u={"pack.current": 0.5},
        cycles_s=dict.fromkeys(roles, states_s) | {"pack.current": 0.01},
        **more,
    )["pack"]


def spike(amps, at_s=2.005):
    return lambda t: np.where(np.abs(t - at_s) < 1e-6, amps, 0.5)


@pytest.mark.parametrize("amps", [80.0, -80.0])
def test_a_rush_that_was_sampled_fails(amps):
    finding = judge(spike(amps))
    assert (finding.verdict, finding.margin) == (Verdict.FAIL, -30.0)
    assert finding.limit_source == "plan"
    assert finding.at_s == pytest.approx(2.005)


def test_no_rush_in_any_sample_is_inferred_and_never_a_pass():
    finding = judge(spike(5.0))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "inferred")
    assert finding.measured == 5.0
    assert "CAN is too slow to prove it" in finding.sentence


@pytest.mark.parametrize("amps", [49.6, 50.0, 50.4])
def test_a_current_at_the_limit_is_too_close_to_call(amps):
    assert judge(spike(amps)).reason == "too-close-to-call"


def test_what_flows_before_positive_or_later_than_200_ms_is_not_inrush():
    assert judge(spike(80.0, 1.955)).reason == "inferred"
    assert judge(spike(80.0, 2.255)).reason == "inferred"
    assert judge(spike(80.0, 2.195)).verdict is Verdict.FAIL


def test_a_rush_before_the_slow_state_shows_the_closing_is_not_overlooked():
    assert judge(spike(80.0, 1.955), closes=((1.95, 1),), states_s=0.1).verdict is Verdict.FAIL


def test_without_a_limit_there_is_none():
    finding = judge(spike(500.0), limit_A=None)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "no-limit")


def test_positive_that_never_closes_is_not_exercised():
    assert judge(spike(5.0), closes=()).reason == "not-exercised"


def test_a_current_that_is_silent_or_absent_just_then_is_told_so():
    def silent(roles):
        times, values = roles["pack.current"]
        heard = (times < 1.9) | (times > 2.3)
        roles["pack.current"] = (times[heard], values[heard])

    assert judge(spike(5.0), edit=silent).reason == "stale"
    blank = judge(lambda t: np.where((t > 1.9) & (t < 2.3), np.nan, 0.5))
    assert blank.reason == "not-available"


@pytest.mark.parametrize("amps", [5.0, 80.0])
def test_no_cut_changes_anything(amps):
    assert judge(spike(amps), cuts="each") == judge(spike(amps))
