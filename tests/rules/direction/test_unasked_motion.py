"""unasked-motion, worked by hand: speed every 10 ms, pedal and direction every 20 ms.

A median over 0.3 s holds 30 readings: one from which 16 on are 100 rpm is 100 rpm (15: 50 rpm).
"""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from canscope.rules import RULES
from tests.rules.harness import judge as run

SPEED, TORQUE, LINK = "units.front.speed", "units.front.torque", "units.front.link_voltage"
PEDAL, REQUEST, BRAKE = "driver.pedal", "driver.direction", "driver.brake"
POLES = ("contactors.negative", "contactors.positive")
END_S = 16.0
TIMES = np.round(np.arange(0, END_S, 0.01), 3)
SLOW = np.round(np.arange(0, END_S, 0.02), 3)
NAN = np.nan

# Pressed in forward from 2 s to 4 s; 800 rpm from 3 s on; at rest again at 5.5 s.
PRESSED = ((0, 0.6), (2, 20), (4, 0.6))
FORWARD = ((0, 0), (1, 1))
BURST = ((0, 0), (2, 0), (3, 800), (4, 800), (5.5, 0))


def line(*points):
    return np.round(np.interp(TIMES, *zip(*points, strict=True)), 6)


def steps(times, *points):
    starts, values = zip(*points, strict=True)
    return np.array(values, float)[np.searchsorted(starts, times, "right") - 1]


def judge(rpm, *, pedal=PRESSED, direction=FORWARD, stage="dry-spin", more=None, **options):
    """``rpm``: values or points of straight lines; ``pedal``, ``direction``: steps, or None."""
    roles = {SPEED: (TIMES, line(*rpm) if isinstance(rpm, tuple) else rpm), **(more or {})}
    for role, what in ((PEDAL, pedal), (REQUEST, direction)):
        if what is not None and role not in roles:
            roles[role] = (SLOW, steps(SLOW, *what))
    cycles = {role: round(float(t[1] - t[0]), 3) for role, (t, _) in roles.items()}
    u = options.pop("u", {SPEED: 0.5})
    return run("unasked-motion", roles, u=u, cycles_s=cycles, stage=stage, **options)["front"]


def bump(at_s, rpm, long_s, ramp_s=0.1):
    """A speed that is added from an instant on, with ramps at both ends."""
    points = ((0, 0), (at_s, 0), (at_s + ramp_s, rpm), (at_s + long_s, rpm))
    return line(*points, (at_s + long_s + ramp_s, 0))


def code_of(finding):
    return finding.code if finding.verdict is Verdict.FAIL else str(finding.verdict)


def test_a_unit_whose_speed_is_not_bound_is_unproven():
    """A survey may know a unit by its link alone; only front has a speed here, both have links."""
    other = "units.rear.link_voltage"
    links = {role: (TIMES, np.full(len(TIMES), 350.0)) for role in (LINK, other)}
    roles = {SPEED: (TIMES, line(*BURST)), REQUEST: (SLOW, steps(SLOW, *FORWARD)), **links}
    cycles = {role: round(float(t[1] - t[0]), 3) for role, (t, _) in roles.items()}
    found = run("unasked-motion", roles, u={SPEED: 0.5}, cycles_s=cycles)
    assert found["rear"].verdict is Verdict.UNPROVEN
    assert found["rear"].reason == "not-bound"


def test_a_burst_that_was_asked_for_and_coasts_down_passes():
    finding = judge(BURST)
    assert finding.verdict is Verdict.PASS
    assert (finding.measured, finding.limit, finding.uncertainty) == (0, 25, 0.5)
    assert "the unit did not move or speed up unasked" in finding.sentence


def test_speeding_up_after_release_fails_by_what_it_gained():
    """800 rpm at 4 s, 700 rpm at 5 s, then up to 900 rpm at 6 s and down to 0 at 8 s.

    The median lags by 0.15 s: the least after 1 s, 700 rpm, is followed by 900 rpm.
    """
    finding = judge((*BURST[:4], (5.2, 700), (6, 900), (6.4, 900), (8, 0)))
    assert (finding.verdict, finding.code) == (Verdict.FAIL, "pedal-at-rest")
    assert finding.measured == pytest.approx(200, abs=15)
    assert "turned at 900 rpm with the pedal at rest; it gained" in finding.sentence


def test_what_a_unit_gains_within_a_second_of_the_release_is_its_lag():
    """The controller's ramp: 850 rpm at 4.5 s, falling from then on."""
    assert judge((*BURST[:4], (4.5, 850), (6, 0))).verdict is Verdict.PASS


def test_starting_from_standstill_fails_at_any_speed_above_noise():
    for rpm, expected in ((30, "pedal-at-rest"), (-30, "pedal-at-rest"), (20, "pass")):
        assert code_of(judge(line(*BURST) + bump(9, rpm, 1.0))) == expected
    finding = judge(line(*BURST) + bump(9, 100, 1.0, ramp_s=0.01))
    assert finding.first_failed_s == pytest.approx(9.15, abs=0.02)
    assert finding.measured == 100


def test_neither_noise_nor_one_wrong_reading_is_motion():
    rng = np.random.default_rng(1)
    noise = np.round(rng.uniform(-15, 15, len(TIMES)))
    assert judge(line(*BURST) + noise).verdict is Verdict.PASS
    slow_noise = 15 * np.sign(np.sin(2 * np.pi * 0.7 * TIMES))
    assert judge(line(*BURST) + np.where(TIMES > 6, slow_noise, 0)).verdict is Verdict.PASS
    assert judge(line(*BURST) + bump(9, 60, 0.05, ramp_s=0.03)).verdict is Verdict.PASS


def test_a_change_exactly_at_the_limit_is_too_close_to_call():
    finding = judge(line(*BURST) + bump(9, 25, 1.0))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "too-close-to-call")


@pytest.mark.parametrize("pedal", [PRESSED, ((0, 0.6), (2, 20), (4, 20))])
def test_turning_in_neutral_fails_whatever_the_pedal_does(pedal):
    finding = judge(BURST, pedal=pedal, direction=((0, 0), (1.9, 0), (12, 1)))
    assert (finding.verdict, finding.code) == (Verdict.FAIL, "in-neutral")
    assert "in neutral; it gained" in finding.sentence


def test_the_torque_that_the_unit_claims_changes_nothing():
    for torque in (0.2, 4.0, -9.0):
        more = {TORQUE: (TIMES, TIMES * 0 + torque)}
        failed = judge(line(*BURST) + bump(9, 300, 1.0), more=more)
        assert failed.code == "pedal-at-rest"
        assert judge(BURST, more=more).verdict is Verdict.PASS


@pytest.mark.parametrize("rpm", [-30, -90, -700])
def test_turning_against_the_request_fails_at_any_speed(rpm):
    second = ((0, 0.6), (2, 20), (4, 0.6), (9, 20), (12, 0.6))
    finding = judge(line(*BURST) + bump(9.2, rpm, 2.0), pedal=second)
    assert (finding.verdict, finding.code) == (Verdict.FAIL, "against-request")
    right = judge(line(*BURST) + bump(9.2, -rpm, 2.0), pedal=second)
    assert right.verdict is Verdict.PASS


def test_coasting_the_old_way_is_allowed_after_a_change_of_direction_and_driving_is_not():
    """Reverse and pedal from 4.2 s on, at 800 rpm forward."""
    what = {"pedal": (*PRESSED, (4.2, 20), (9, 0.6)), "direction": (*FORWARD, (4.1, -1))}
    assert judge((*BURST, (8, -600), (9, -600), (11, 0)), **what).verdict is Verdict.PASS
    goes_on = (*BURST[:4], (9, 800), (11, 0))
    finding = judge(goes_on, **what)
    assert (finding.verdict, finding.code) == (Verdict.FAIL, "kept-turning")


def test_going_on_at_nearly_the_same_speed_after_release_fails():
    """800 rpm at 4 s, 760 rpm 2 s later: 40 rpm lost, and 8 % of 800 rpm are 64."""
    finding = judge((*BURST[:4], (8, 720), (10, 0)))
    assert (finding.verdict, finding.code) == (Verdict.FAIL, "kept-turning")
    assert finding.limit == pytest.approx(64, abs=8)
    assert "though nobody asked for it; lost in 2 s" in finding.sentence
    # also at a low speed, after it had coasted down to that
    assert code_of(judge((*BURST[:4], (5, 120), (9, 120), (9.5, 0)))) == "kept-turning"


@pytest.mark.parametrize("coast_s", [1.0, 3.0, 8.0])
def test_light_drag_coasts_long_and_is_no_fault(coast_s):
    assert judge((*BURST[:4], (4 + coast_s, 0))).verdict is Verdict.PASS


def test_a_whole_vehicle_rolls_on():
    """Stage rolling: 800 to 780 rpm in 4 s."""
    assert judge((*BURST[:4], (8, 780), (14, 0)), stage="rolling").verdict is Verdict.PASS
    assert code_of(judge((*BURST[:4], (5, 700), (8, 780)), stage="rolling")) == "pedal-at-rest"


def test_declared_creep_is_a_speed_limit_not_a_licence():
    """At most 500 rpm with the pedal at rest, in the requested direction, not in neutral."""
    creep = {"bench": {"creep": True}}
    slow = line(*BURST[:4], (5, 400), (14, 400), (15, 0))
    assert judge(slow, **creep).verdict is Verdict.PASS
    assert code_of(judge(slow)) == "kept-turning"
    assert code_of(judge(line(*BURST) + bump(9, 560, 2.0), **creep)) == "above-creep"
    assert code_of(judge(line(*BURST) + bump(9, -40, 2.0), **creep)) == "pedal-at-rest"
    neutral = (*FORWARD, (8, 0))
    assert code_of(judge(line(*BURST) + bump(9, 40, 2.0), direction=neutral, **creep)) == (
        "in-neutral"
    )


def test_in_power_up_any_motion_with_a_pole_closed_fails_whatever_was_asked():
    asked = "asked-in-power-up"
    for pedal, direction, code in ((PRESSED, FORWARD, asked), (None, None, "in-power-up")):
        finding = judge(BURST, pedal=pedal, direction=direction, stage="power-up")
        assert (finding.verdict, finding.code) == (Verdict.FAIL, code)
        assert finding.measured == 800
    assert judge(TIMES * 0, pedal=None, direction=None, stage="power-up").verdict is Verdict.PASS


def poles(*when):
    closed = steps(SLOW, (0, 0), *when)
    return dict.fromkeys(POLES, (SLOW, closed))


@pytest.mark.parametrize("stage", ["dry-spin", "power-up"])
def test_a_wheel_turned_by_hand_with_all_poles_open_is_no_motion_of_the_unit(stage):
    by_hand = bump(1, 90, 1.0) + bump(12, -60, 1.0)
    more = poles((4, 1), (10, 0))
    what = {"stage": stage, "more": more, "pedal": ((0, 0.6), (5, 9), (6, 0.6))}
    assert judge(by_hand + bump(15, 1, 0.5), **what).verdict is Verdict.PASS
    one_closed = more | {POLES[0]: (SLOW, np.ones(len(SLOW)))}
    assert judge(by_hand, **what | {"more": one_closed}).verdict is Verdict.FAIL


@pytest.mark.parametrize("stage", ["dry-spin", "power-up"])
def test_what_a_hand_turned_just_before_a_pole_closed_is_none_either(stage):
    what = {"stage": stage, "more": poles((4, 1)), "pedal": ((0, 0.6), (5, 9), (6, 0.6))}
    assert judge(bump(3, 90, 0.9, ramp_s=0.05), **what).verdict is Verdict.PASS  # until 3.95 s
    assert judge(bump(3, 90, 1.5), **what).verdict is not Verdict.PASS


def test_without_contactors_a_dead_link_says_that_the_unit_cannot_drive():
    link = steps(TIMES, (0, 0), (4, 350), (10, 20))
    more = {LINK: (TIMES, link)}
    rests = ((0, 0.6), (5, 2.0), (6, 0.6))
    assert judge(bump(1, 90, 1.0), more=more, pedal=rests).verdict is Verdict.PASS
    assert judge(bump(7, 90, 1.0), more=more, pedal=rests).verdict is Verdict.FAIL


def test_with_the_poles_open_all_the_time_nothing_is_proven():
    finding = judge(bump(1, 90, 1.0), more=poles(), pedal=((0, 0.6),))
    assert finding.verdict is Verdict.UNPROVEN


def test_without_a_pedal_the_requested_direction_is_asked_all_the_time():
    assert judge(BURST, pedal=None).verdict is Verdict.PASS
    assert code_of(judge(line(*BURST) + bump(9, -40, 1.0), pedal=None)) == "against-request"
    neutral = (*FORWARD, (8, 0))
    assert code_of(judge(line(*BURST) + bump(9, 40, 1.0), pedal=None, direction=neutral)) == (
        "in-neutral"
    )


def test_without_a_direction_a_pressed_pedal_asks_for_either_sense():
    for sense in (1, -1):
        assert judge(sense * line(*BURST), direction=None).verdict is Verdict.PASS
    assert code_of(judge(line(*BURST) + bump(9, 40, 1.0), direction=None)) == "pedal-at-rest"


def test_where_nothing_says_what_was_asked_it_is_unproven():
    finding = judge(BURST, pedal=None, direction=None)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-bound")


def test_a_pedal_pressed_between_two_of_its_readings_is_waited_for():
    """Read every 0.5 s: pressed at 2.01 s, known at 2.5 s; the unit turns from 2.05 s on."""
    seldom = np.round(np.arange(0, END_S, 0.5), 3)
    more = {PEDAL: (seldom, steps(seldom, (0, 0.6), (2.01, 20), (4, 0.6)))}
    assert judge(((0, 0), (2.05, 0), (2.3, 400), (4, 800), (5.5, 0)), more=more).verdict is (
        Verdict.PASS
    )


def test_a_speed_that_died_is_no_standstill():
    alive = TIMES < 3.5
    more = {SPEED: (TIMES[alive], line(*BURST)[alive])}
    finding = judge(BURST, more=more)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def test_an_unknown_request_with_the_pedal_pressed_is_not_judged():
    finding = judge(-line(*BURST), direction=((0, 0), (1, NAN)))
    assert finding.verdict is Verdict.UNPROVEN


def test_a_jump_that_no_rotor_can_make_takes_the_proof():
    """(0 + 10) Nm on 0.02 kgm^2 are 500 rad/s^2, or 48 rpm in 10 ms; it falls by 480."""
    at_once = line(*BURST)
    at_once[(TIMES >= 4.9)] = 0
    released = {BRAKE: (SLOW, (SLOW < 1).astype(float)), TORQUE: (TIMES, (TIMES < 1.5) * 1.0)}
    finding = judge(at_once, more=released)
    assert (finding.verdict, finding.reason, finding.code) == (
        Verdict.UNPROVEN,
        "sensor-suspect",
        "jump",
    )
    assert "within 10 ms, which no rotor can" in finding.sentence
    # a brake may stop it, and brakes are not always bound
    assert judge(at_once, more={TORQUE: released[TORQUE]}).verdict is Verdict.PASS
    pressed = {BRAKE: (SLOW, (SLOW > 4.5).astype(float))}
    assert judge(at_once, more=released | pressed).verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("at_s", "rpm", "long_s", "reason"),
    [(7.0, 300, 0.1, "sensor-suspect"), (7.0, -180, 0.15, "sensor-suspect"), (7.0, 70, 0.1, None)],
    ids=["a jerk", "backwards", "slower"],
)
def test_a_jerk_that_nobody_asked_for_takes_the_proof(at_s, rpm, long_s, reason):
    """A half sine of 0.1 s, of which two thirds lie above 75 rpm: 7 readings; none of 70 rpm."""
    inside = (at_s <= TIMES) & (at_s + long_s > TIMES)
    jerk = np.where(inside, rpm * np.sin(np.pi * (TIMES - at_s) / long_s), 0.0)
    finding = judge(line(*BURST) + jerk)
    assert finding.reason == reason
    assert judge(line(*BURST) + jerk, cuts=(6.9, 7.03, 7.06, 7.2)) == finding
    assert judge(line(*BURST) + jerk, pedal=((0, 0.6), (2, 20))).reason != "sensor-suspect"


@pytest.mark.parametrize(
    ("rpm", "until_rpm", "reason"),
    [(20, 20, "sensor-suspect"), (-20, -20, "sensor-suspect"), (20, 10, None), (9, 9, None)],
    ids=["creeps", "backwards", "coasts", "a zero that is off"],
)
def test_creeping_on_and_on_takes_the_proof(rpm, until_rpm, reason):
    """From 8 s to 12 s, below the 25 rpm that count as moving."""
    crept = line((0, 0), (8, 0), (8.1, rpm), (12, until_rpm), (12.1, 0), (20, 0))
    finding = judge(line(*BURST) + crept)
    assert finding.reason == reason
    assert judge(line(*BURST) + crept, cuts=(8.05, 9.5, 10.02, 11.4)) == finding
    noise = np.random.default_rng(2).normal(0, 15, len(TIMES)) * (np.abs(crept) > 0)
    assert judge(line(*BURST) + noise).verdict is Verdict.PASS


def test_in_rolling_a_vehicle_that_creeps_without_torque_may_be_on_a_slope():
    crept = line((0, 0), (8, 0), (8.1, 20), (12, 20), (12.1, 0), (20, 0))
    for torque_Nm, reason in ((2.0, "sensor-suspect"), (0.0, None)):
        torque = {TORQUE: (TIMES, np.where((TIMES > 8) & (TIMES < 12), torque_Nm, 0.0))}
        finding = judge(line(*BURST) + crept, stage="rolling", more=torque)
        assert finding.reason == reason


def test_nobody_can_take_it_away_in_any_stage():
    assert len(RULES["unasked-motion"].required_in) == 5


@pytest.mark.parametrize("cuts", ["each", [2.0, 3.97, 4.01, 5.0, 9.1], [4.0, 6.0, 9.16]])
@pytest.mark.parametrize("creep", [True, False])
def test_cutting_does_not_matter(cuts, creep):
    rpm = line(*BURST[:4], (5, 300), (7, 295), (8, 0)) + bump(9.2, -40, 1.0) + bump(12, 700, 1.0)
    some = TIMES[::4]
    more = {SPEED: (some, rpm[::4]), BRAKE: (SLOW, (SLOW < 1).astype(float))}
    more |= poles((1, 1), (14, 0))
    what = {"more": more, "pedal": (*PRESSED, (9, 20), (10.5, 0.6)), "bench": {"creep": creep}}
    whole = judge(rpm, **what)
    assert whole.verdict is Verdict.FAIL
    assert judge(rpm, **what, cuts=cuts) == whole


# With all poles open from 10 s on; the wheel turns from 11 s to 13 s.
OPENS = {role: (SLOW, np.where(SLOW < 10, 1.0, 0.0)) for role in POLES}


def after_opening(rpm, link_V, stage="power-up"):
    link = {LINK: (SLOW, np.where(SLOW < 10, 350.0, link_V))}
    return judge(bump(11, rpm, 2, 0.5), stage=stage, more={**OPENS, **link})


@pytest.mark.parametrize("stage", ["power-up", "dry-spin"])
def test_a_charged_link_can_turn_a_unit_with_all_poles_open(stage):
    """45 J at 300 V and 1 mF turn 0.02 kgm^2 at 640 rpm."""
    assert after_opening(300, 300.0, stage).verdict is Verdict.FAIL
    assert after_opening(300, 20.0, stage).verdict is Verdict.PASS


@pytest.mark.parametrize(("rpm", "torque_Nm", "suspect"), [(60, 0, 1), (60, 2, 0), (150, 0, 0)])
def test_a_hand_beside_a_charged_link_cannot_be_told_from_it_where_there_is_no_torque(
    rpm, torque_Nm, suspect
):
    """60 rpm of the motor are 6 to 7 turns of a wheel in a minute."""
    link = {
        LINK: (SLOW, np.full(len(SLOW), 300.0)),
        TORQUE: (TIMES, np.full(len(TIMES), torque_Nm)),
    }
    found = judge(bump(11, rpm, 2, 0.5), stage="dry-spin", more={**OPENS, **link})
    assert found.verdict is (Verdict.UNPROVEN if suspect else Verdict.FAIL)
    assert not suspect or "by hand, or by what the link still holds" in found.sentence


@pytest.mark.parametrize(("rpm", "reason"), [(1100, None), (1300, "sensor-suspect")])
def test_no_hand_turns_a_wheel_at_more_than_120_rpm(rpm, reason):
    """Of the wheel: 1200 of a motor whose plan states no ratio, taken as 10."""
    assert after_opening(rpm, 20.0).reason == reason


@pytest.mark.parametrize(("rpm", "reason"), [(550, None), (650, "sensor-suspect")])
def test_people_push_no_vehicle_faster_than_7_km_an_hour(rpm, reason):
    """Half of it: 600 rpm of the motor, 60 of the wheel, 1.9 m/s with 0.3 m."""
    assert after_opening(rpm, 20.0, "rolling").reason == reason


def test_a_person_who_saw_a_wheel_turn_in_power_up_is_believed():
    def seen(at_s, **mark):
        marks = [{"at_s": at_s, "axle": "front", **mark}]
        return judge(line((0, 0)), stage="power-up", more=OPENS, marks=marks)

    assert "a person saw its wheel turn forward" in seen(5.0, seen="forward").sentence
    assert seen(5.0, seen="still").verdict is Verdict.PASS
    assert seen(12.0, seen="forward").verdict is Verdict.PASS  # turned by hand
