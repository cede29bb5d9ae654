"""hand-reading by hand: allowed are both uncertainties and 5 % of it, 2.5 % of a voltage."""

import numpy as np
import pytest

from canscope.model.bench import Reading
from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

TIMES = np.round(np.arange(0, 30, 0.05), 3)
# Turning from 5 s to 15 s: 1 s up to 600 rpm, 8 s at it, 1 s down: 90 turns of the motor.
SPEED = np.round(np.interp(TIMES, [5, 6, 14, 15], [0, 600, 600, 0]), 6)
POLES = ("negative", "positive")
PACK, FRONT, WINDING = "pack.voltage", "units.front.speed", "units.front.temperatures.winding"


def reading(value, uncertainty, role=PACK, at_s=20.0, **more):
    said = {"said": f"{value:g}", "instrument": "meter 3", "by": "A. Tester"}
    times = {} if "from_s" in more else {"at_s": at_s}
    return Reading(role, value, uncertainty, **{**said, **times, **more})


def judge(values, *readings, role=PACK, u=0.0, times=TIMES, **more):
    found = run(
        "hand-reading",
        {role: (times, values)},
        bench={"readings": readings},
        u={role: u},
        cycles_s={role: 0.05},
        **more,
    )
    return found[role]


def test_a_voltmeter_that_agrees_anchors_the_scale():
    found = judge(358.0, reading(357.9, 0.5), u=0.05)
    assert found.verdict is Verdict.PASS
    assert found.margin == pytest.approx(0.05 + 0.5 + 357.9 * 0.025 - 0.1)
    assert found.unit == "V"
    assert "agrees to 0.1 V with the 357.9 that A. Tester read (meter 3)" in found.sentence


def test_a_voltmeter_of_half_a_volt_that_reads_12_V_more_disagrees():
    """Allowed are 0.5 V and 2.5 % of 370 V, 9.8 V in all."""
    assert judge(358.0, reading(370.0, 0.5)).verdict is Verdict.FAIL
    assert judge(358.0, reading(364.0, 0.5)).verdict is Verdict.PASS


def test_voltages_at_three_quarters_of_the_truth_fail():
    found = judge(358.0 * 0.75, reading(357.9, 0.5))
    assert found.verdict is Verdict.FAIL
    assert found.margin == pytest.approx(0.5 + 357.9 * 0.025 - 357.9 + 358.0 * 0.75)
    assert "disagrees" in found.sentence


def test_a_current_of_a_tenth_fails_beside_a_clamp():
    found = judge(2.3, reading(23.0, 1.0, role="pack.current"), role="pack.current")
    assert found.verdict is Verdict.FAIL


def test_a_signal_that_moves_while_it_is_read_is_too_close_to_call():
    rising = np.interp(TIMES, [19.5, 20.5], [330, 386])
    assert judge(rising, reading(358.0, 0.5)).reason == "too-close-to-call"


def test_a_reading_that_would_agree_with_any_scale_proves_none_but_may_refute_it():
    assert judge(358.0, reading(350.0, 90.0)).reason == "too-close-to-call"
    assert judge(358.0, reading(350.0, 28.0)).reason == "too-close-to-call"  # 10.5 % in all
    assert judge(358.0, reading(350.0, 24.0)).verdict is Verdict.PASS  # 9.4 %
    assert judge(0.0, reading(0.1, 0.1)).reason == "too-close-to-call"
    assert judge(100.0, reading(350.0, 90.0)).verdict is Verdict.FAIL


def test_a_thermometer_within_ten_kelvin_tells_an_offset():
    near, far = reading(17.0, 2.0, role=WINDING), reading(57.0, 2.0, role=WINDING)
    assert judge(18.0, near, role=WINDING).verdict is Verdict.PASS
    assert judge(18.0, far, role=WINDING).verdict is Verdict.FAIL


@pytest.mark.parametrize(
    ("wheel_turns", "verdict"),
    [(90 / 9, Verdict.PASS), (2 * 90 / 9, Verdict.FAIL), (90 / 9 / 9, Verdict.FAIL)],
)
def test_counted_turns_of_a_wheel_are_held_against_the_speed(wheel_turns, verdict):
    """Ratio 9, counted from standstill to standstill over 12 s: 90 motor turns are 450 rpm."""
    ratio, minutes = 9.0, 12 / 60
    counted = reading(
        wheel_turns * ratio / minutes, 0.25 * ratio / minutes, FRONT, from_s=4.0, to_s=16.0
    )
    for sense in (1, -1):  # a count has no sense
        assert judge(SPEED * sense, counted, role=FRONT).verdict is verdict


def test_a_reading_outside_of_the_recording_proves_nothing():
    assert judge(358.0, reading(358.0, 0.5, at_s=40.0)).reason == "not-exercised"


def test_a_reading_while_the_signal_was_silent_proves_nothing():
    silent = (TIMES > 15) & (TIMES < 25)
    found = judge(np.full(int((~silent).sum()), 358.0), reading(358.0, 0.5), times=TIMES[~silent])
    assert found.reason == "stale"


@pytest.mark.parametrize(
    ("volts", "read_V", "closed", "verdict"),
    [
        (0.4, 300.0, 0, "fail"),
        (0.4, 0.0, 0, "unproven"),  # what a person finds dead proves no scale
        (0.4, 300.0, 1, "unproven"),  # contactors closed: it may have charged since
        (70.0, 300.0, 0, "unproven"),
    ],
)
def test_a_link_that_a_person_finds_live_after_its_node_fell_asleep(volts, read_V, closed, verdict):
    link, awake = "units.front.link_voltage", TIMES < 15
    poles = {f"contactors.{pole}": (TIMES, np.full(len(TIMES), closed)) for pole in POLES}
    found = run(
        "hand-reading",
        {link: (TIMES[awake], np.full(int(awake.sum()), volts)), **poles},
        bench={"readings": (reading(read_V, 0.5, link, at_s=25.0),)},
        cycles_s=dict.fromkeys((link, *poles), 0.05),
    )
    assert str(found[link].verdict) == verdict


def test_without_readings_there_is_no_finding():
    assert run("hand-reading", {PACK: (TIMES, 358.0)}) == {}


def test_a_wrong_reading_is_not_made_up_for_by_a_right_one():
    assert judge(358.0, reading(358.0, 0.5), reading(280.0, 0.5)).verdict is Verdict.FAIL


@pytest.mark.parametrize("cuts", [[20.0, 20.5], [1.0, 20.99, 21.0, 21.05], "each"])
def test_cutting_does_not_matter(cuts):
    readings = (reading(358.0, 0.5), reading(300.0, 0.5, at_s=29.9))
    whole, cut = judge(358.0, *readings), judge(358.0, *readings, cuts=cuts)
    assert cut == whole
