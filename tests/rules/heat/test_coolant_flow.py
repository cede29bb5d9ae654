"""coolant-flow, worked by hand: at least 1 l/min (common practice, no source), read to +-0.05 l/min
every 0.2 s, whenever a unit turns. The unit turns from 5 to 12 s; that it turns is known 0.2 s
later."""

from dataclasses import replace

import numpy as np
import pytest

from canscope.model.bench import Kind
from canscope.model.findings import Verdict
from tests.rules import harness
from tests.rules.vehicle import clock

SPEED, FLOW = "units.front.speed", "cooling.flow"


def judge(flow, *, stage="wet-spin", every_s=0.2, edit=None, turns=True, **more):
    """The flow from 3 s on, when the pump starts, or the flow as a function of time."""
    fast, slow = clock(20.0, 0.05), clock(20.0, every_s, 0.01)
    spins = (fast >= 5) & (fast < 12) if turns else np.zeros(len(fast), bool)
    roles = {
        SPEED: (fast, np.where(spins, 800.0, 0.0)),
        FLOW: (slow, flow(slow) if callable(flow) else np.where(slow < 3, 0.0, float(flow))),
    }
    if edit:
        edit(roles)
    return harness.judge(
        "coolant-flow",
        roles,
        stage=stage,
        u={FLOW: 0.05},
        cycles_s={SPEED: 0.05, FLOW: every_s},
        **more,
    )["coolant"]


def between(low_s, high_s, inside, outside=8.0):
    return lambda t: np.where((t >= low_s) & (t < high_s), inside, outside)


def test_eight_litres_a_minute_pass_and_are_required_in_wet_stages():
    finding = judge(8.0)
    assert finding.verdict is Verdict.PASS
    assert (finding.measured, finding.limit, finding.unit) == (8.0, 1.0, "l/min")
    assert finding.required
    assert judge(8.0, stage="rolling").required


def test_no_flow_while_the_unit_turns_fails():
    finding = judge(0.0)
    assert (finding.verdict, finding.margin) == (Verdict.FAIL, -1.0)
    assert finding.first_failed_s == pytest.approx(5.2)
    assert judge(0.0, rules={"grace_s": 2}).first_failed_s == pytest.approx(7.2)


def test_a_flow_that_stops_on_the_way_fails_and_before_or_after_it_does_not():
    assert judge(between(9.0, 9.5, 0.0)).verdict is Verdict.FAIL
    assert judge(between(0.0, 5.0, 0.0)).verdict is Verdict.PASS
    assert judge(between(12.1, 20.0, 0.0)).verdict is Verdict.PASS


def always(flow):
    return lambda t: np.full(len(t), flow)


def test_a_flow_that_was_never_seen_at_rest_may_come_from_a_stuck_sensor():
    finding = judge(always(8.0))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert finding.code == "never-at-rest"
    assert "it never read less than 8.0 l/min" in finding.sentence


def test_a_sensor_that_reads_two_litres_at_rest_must_rise_by_the_minimum():
    """Two litres at rest and while the unit turns: the coolant may stand. Then 2 + 1.2 l/min."""
    assert judge(always(2.0)).code == "never-at-rest"
    assert judge(between(3.0, 20.0, 3.05, 2.0)).code == "never-at-rest"  # 1.05 rise, +-0.1
    assert judge(between(3.0, 20.0, 3.2, 2.0)).verdict is Verdict.PASS


def test_a_flow_that_comes_and_goes_with_the_motion_is_none_of_a_pump():
    """From 4.8 to 12.4 s; one that comes at 4 s or goes at 13 s is a pump's."""
    finding = judge(between(4.75, 12.35, 8.0, 0.0))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "made of the motion" in finding.sentence
    assert judge(between(3.95, 12.35, 8.0, 0.0)).verdict is Verdict.PASS
    assert judge(between(4.75, 13.0, 8.0, 0.0)).verdict is Verdict.PASS


def test_start_up_codes_are_not_a_pump_at_rest():
    assert judge(between(0.0, 0.9, 0.0)).code == "never-at-rest"


def test_an_earlier_recording_that_saw_it_at_rest_is_enough():
    vouched = judge(always(8.0), bench={"moved_before": frozenset({FLOW})})
    assert vouched.verdict is Verdict.PASS


def test_a_stuck_sensor_lifts_no_fail():
    assert judge(always(0.5)).verdict is Verdict.FAIL


def test_a_pump_that_starts_with_the_unit_already_turning_fails_unless_the_plan_grants_it():
    assert judge(between(0.0, 5.5, 0.0)).verdict is Verdict.FAIL
    granted = judge(between(0.0, 5.5, 0.0), rules={"grace_s": 2})
    assert granted.verdict is Verdict.PASS
    assert "whenever a unit turned, from 2 s after it began" in granted.sentence
    assert judge(between(0.0, 7.5, 0.0), rules={"grace_s": 2}).verdict is Verdict.FAIL


def test_a_flow_at_the_minimum_is_too_close_to_call():
    assert judge(1.0).reason == "too-close-to-call"


def test_a_slow_sensor_is_judged_by_what_was_last_known():
    """One reading every 15 s, none of them while it turned; 0 l/min was the last."""
    finding = judge(0.0, every_s=15.0)
    assert (finding.verdict, finding.at_s) == (Verdict.FAIL, pytest.approx(5.2))


def test_a_unit_that_never_turns_is_not_exercised():
    finding = judge(8.0, turns=False)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_a_flow_that_falls_silent_is_stale():
    def silent(roles):
        times, values = roles[FLOW]
        roles[FLOW] = (times[times < 8], values[times < 8])

    assert judge(8.0, edit=silent).reason == "stale"


def test_a_flow_without_value_is_not_available():
    assert (
        judge(lambda t: np.where(t > 6, np.nan, np.where(t < 3, 0.0, 8.0))).reason
        == "not-available"
    )


def test_a_flow_at_the_upper_end_of_its_range_is_suspect():
    """Raw 65535 of 16 bits; 655.35 l/min in this harness."""
    assert judge(655.35).reason == "sensor-suspect"


def test_no_flow_bound_is_not_bound():
    def unbound(roles):
        del roles[FLOW]

    finding = judge(8.0, edit=unbound)
    assert (finding.reason, finding.required) == ("not-bound", True)


@pytest.mark.parametrize(("running", "verdict"), [(1.0, Verdict.PASS), (0.0, Verdict.FAIL)])
def test_a_pump_state_must_be_on_and_proves_no_flow(monkeypatch, running, verdict):
    build = harness.bench_of

    def with_pump(*args):
        bench = build(*args)
        pump = replace(bench.bindings[FLOW], kind=Kind.STATE, half_step=0.0)
        return replace(bench, bindings={**bench.bindings, FLOW: pump})

    monkeypatch.setattr(harness, "bench_of", with_pump)
    finding = judge(running)
    assert (finding.verdict, finding.measured, finding.limit) == (verdict, running, 1.0)
    assert ("CAN cannot prove that coolant moves" in finding.sentence) is (running == 1)


@pytest.mark.parametrize("flow", [8.0, 0.0])
@pytest.mark.parametrize("every_s", [0.5, 15.0])
def test_no_cut_changes_anything(flow, every_s):
    assert judge(flow, every_s=every_s, cuts="each") == judge(flow, every_s=every_s)
