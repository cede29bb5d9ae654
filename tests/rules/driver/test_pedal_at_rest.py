"""pedal-at-rest, worked by hand: pedal and direction every 50 ms, speed and torque every 20 ms.

What drives and what brakes: P = T w, speed and torque of one sign drive, of opposite signs brake.
"""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from canscope.rules import RULES
from tests.rules.harness import judge as run

SLOW = np.round(np.arange(0, 10, 0.05), 3)
FAST = np.round(np.arange(0, 10, 0.02), 3)
U = {"driver.pedal": 0.2, "units.front.speed": 0.5, "units.front.torque": 0.1}
NAN = np.nan


def steps(times, *points):
    """Each value from its time on."""
    starts = [t for t, _ in points]
    return np.array([v for _, v in points], float)[np.searchsorted(starts, times, "right") - 1]


def judge(pedal=((0, 0),), direction=((0, 0),), speed=((0, 0),), torque=((0, 0),), **more):
    roles = {
        "driver.pedal": (SLOW, steps(SLOW, *pedal)),
        "driver.direction": (SLOW, steps(SLOW, *direction)),
        "units.front.speed": (FAST, steps(FAST, *speed)),
        "units.front.torque": (FAST, steps(FAST, *torque)),
    }
    roles.update(more.pop("roles", {}))
    cycles = {role: round(float(t[1] - t[0]), 3) for role, (t, _) in roles.items()}
    return run("pedal-at-rest", roles, u=U, cycles_s=cycles, **more)


def pedal_of(*pedal, direction=((0, 0),), **more):
    return judge(pedal, direction, **more)["pedal"]


# The pedal's rest


def test_a_pedal_that_comes_back_to_rest_in_neutral_passes_with_its_lowest_held_reading():
    """Pressed to 40 % in neutral, then resting at 1.2 %: margin 3 - 1.2."""
    finding = pedal_of((0, 40), (3, 1.2))
    assert finding.verdict is Verdict.PASS
    assert (finding.measured, finding.limit) == (1.2, 3)
    assert finding.margin == pytest.approx(1.8)
    assert finding.uncertainty == 0.2
    assert finding.unit == "%"


def test_a_pedal_that_never_comes_below_the_limit_in_neutral_fails():
    finding = pedal_of((0, 40), (3, 5))
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 5, -2)
    assert "did not come back to rest" in finding.sentence


def test_a_reading_held_for_less_than_half_a_second_is_no_rest():
    """Down to 0 % from 3.0 s, read at 5 % again at 3.45 s (0.45 s) or at 3.55 s."""
    assert pedal_of((0, 5), (3, 0), (3.45, 5)).measured == 5
    assert pedal_of((0, 5), (3, 0), (3.55, 5)).measured == 0


def test_a_rest_exactly_at_the_limit_is_too_close_to_call():
    assert pedal_of((0, 3)).reason == "too-close-to-call"


def test_each_neutral_stretch_is_judged_by_itself_when_it_ends():
    """Neutral to 2 s at 0 %, forward, neutral from 5 s to 7 s at 5 %, forward, neutral at 0 %."""
    direction = ((0, 0), (2, 1), (5, 0), (7, 1), (8, 0))
    finding = pedal_of((0, 0), (3, 30), (5, 5), (7.5, 0), direction=direction)
    assert (finding.verdict, finding.measured) == (Verdict.FAIL, 5)
    assert finding.first_failed_s == pytest.approx(7.0)


def test_a_pedal_in_a_driving_direction_is_not_judged_as_rest():
    finding = pedal_of((0, 0), (2, 30), direction=((0, 0), (1.5, 1)))
    assert finding.verdict is Verdict.PASS
    assert pedal_of((0, 30), direction=((0, 1),)).reason == "not-exercised"


def test_an_unknown_direction_is_not_neutral():
    assert pedal_of((0, 0), direction=((0, NAN),)).verdict is Verdict.UNPROVEN


def test_a_pedal_without_value_has_no_rest():
    assert pedal_of((0, NAN)).verdict is Verdict.UNPROVEN


# The unit does not start turning


def front(**what):
    return judge(**what)["front"]


def test_a_unit_that_stays_passes_by_what_it_has_left_to_turning():
    finding = front(speed=((0, 0), (3, 10)))
    assert finding.verdict is Verdict.PASS
    assert (finding.measured, finding.margin, finding.unit) == (10, 40, "rpm")


def test_a_unit_that_starts_turning_with_the_pedal_at_rest_fails():
    """120 rpm from 4 s on: kept up for 0.2 s at 4.2 s."""
    finding = front(speed=((0, 0), (4, -120)))
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 120, -70)
    assert finding.first_failed_s == pytest.approx(4.2)
    assert "the front unit started turning with the pedal at rest" in finding.sentence


def test_a_wheel_turned_by_hand_with_all_poles_open_did_not_start_by_itself():
    for closed, verdict in ((0, Verdict.PASS), (1, Verdict.FAIL)):
        pole = np.where(SLOW < 3, 1.0, closed)
        roles = {"contactors.negative": (SLOW, pole), "contactors.positive": (SLOW, 0 * SLOW)}
        moved = front(pedal=((0, 1), (1, 0)), speed=((0, 0), (4, -120)), roles=roles)
        assert moved.verdict is verdict


def test_a_unit_that_starts_with_the_pedal_pressed_is_allowed_to_coast():
    what = {"pedal": ((0, 0), (4, 20), (5, 0)), "speed": ((0, 0), (4.1, 300), (8, 0))}
    assert front(**what).verdict is Verdict.PASS


def test_within_a_second_of_the_release_it_may_still_start():
    released = ((0, 0), (3, 20), (4, 0))
    assert front(pedal=released, speed=((0, 0), (4.9, 300))).verdict is Verdict.PASS
    assert front(pedal=released, speed=((0, 0), (5.2, 300))).verdict is Verdict.FAIL


def test_a_unit_that_had_not_stood_for_a_second_did_not_start():
    what = {"pedal": ((0, 20), (2, 0)), "speed": ((0, 300), (4, 0), (4.9, 300))}
    assert front(**what).reason == "not-exercised"


def test_a_pedal_pressed_between_two_of_its_readings_is_not_taken_for_at_rest():
    """Pressed right after the reading at 4.0 s, read at 4.05 s; the unit turns from 4.02 s on."""
    what = {"pedal": ((0, 0), (4.01, 20)), "speed": ((0, 0), (4.02, 300))}
    assert front(**what).verdict is Verdict.PASS


def test_a_pedal_that_is_read_seldom_is_waited_for():
    """Pressed right after the reading at 4.0 s; the next one, at 5.0 s, tells."""
    seldom = np.arange(0, 10, 1.0)
    pressed = {"driver.pedal": (seldom, steps(seldom, (0, 0), (4.01, 20)))}
    found = judge(speed=((0, 0), (4.02, 300)), torque=((0, 0), (4.02, 9)), roles=pressed)
    assert found["front"].verdict is Verdict.PASS
    assert found["front torque"].verdict is Verdict.PASS


def test_a_pedal_that_is_never_at_rest_proves_nothing_of_the_unit():
    found = judge(pedal=((0, 5),), torque=((0, 0), (4, 2.5)))
    assert found["front"].reason == "not-exercised"
    assert found["front torque"].reason == "not-exercised"


# The unit does not drive


def torque_of(torque, speed=((0, 0),), **what):
    return judge(torque=torque, speed=speed, **what)["front torque"]


MOVING = ((0, 0), (0.1, 300))
RELEASED = ((0, 20), (2, 0))


def test_torque_that_holds_a_unit_at_standstill_does_not_drive():
    """Zero-speed control: 9 Nm and up to 29 rpm of noise. What moves is judged by its motion."""
    finding = torque_of(((0, 0), (4, -9)), ((0, 0), (4, 29)), direction=((0, 1),))
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.PASS, 0, 5)
    assert torque_of(((0, 0), (4, 9)), ((0, 0), (4, 31))).verdict is Verdict.FAIL


def test_torque_at_standstill_in_neutral_drives_against_the_brake():
    """Neutral from 3 s: what it holds until 4 s is the direction's, what it gives after is not."""
    finding = torque_of(((0, 9),), direction=((0, 1), (3, 0)))
    assert (finding.verdict, finding.measured) == (Verdict.FAIL, 9)
    assert finding.first_failed_s == pytest.approx(4.5, abs=0.06)
    assert torque_of(((0, 9), (4.2, 0)), direction=((0, 1), (3, 0))).verdict is Verdict.PASS


def test_torque_along_the_motion_fails_once_it_is_kept_up_for_half_a_second():
    finding = torque_of(((0, 0), (4, 9)), MOVING, pedal=RELEASED)
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 9, -4)
    assert finding.first_failed_s == pytest.approx(4.5)
    assert finding.unit == "Nm"
    assert "the front unit drove with the pedal at rest" in finding.sentence


def test_torque_for_less_than_half_a_second_is_tolerated():
    shorter, longer = ((0, 0), (4, 9), (4.48, 0)), ((0, 0), (4, 9), (4.56, 0))
    assert torque_of(shorter, MOVING, pedal=RELEASED).verdict is Verdict.PASS
    assert torque_of(longer, MOVING, pedal=RELEASED).verdict is Verdict.FAIL


@pytest.mark.parametrize(
    ("speed_rpm", "torque_Nm", "drives"),
    [(300, 9, True), (-300, -9, True), (300, -9, False), (-300, 9, False), (300, 0, False)],
)
def test_torque_along_the_motion_drives_and_against_it_brakes(speed_rpm, torque_Nm, drives):
    """The quadrants of P = T w."""
    pressed = ((0, 20), (2, 0))
    torque = ((0, 20), (0.2, torque_Nm))  # it moves once, so that it does not look stuck
    finding = torque_of(torque, ((0, 0), (0.1, speed_rpm)), pedal=pressed)
    assert finding.verdict is (Verdict.FAIL if drives else Verdict.PASS)


def test_driving_torque_counts_from_a_second_after_the_release():
    """Released at 3 s: torque kept up from 4 s to 4.5 s fails there, until 4.4 s it does not.

    It is driven on all the same, so that the pedal is not believed; one that lets go by 3.5 s is.
    """
    pressed = ((0, 20), (3, 0))
    moving = ((0, 0), (0.1, 300))
    assert torque_of(((0, 9), (3.5, 0)), moving, pedal=pressed).verdict is Verdict.PASS
    assert torque_of(((0, 9), (4.4, 0)), moving, pedal=pressed).reason == "sensor-suspect"
    failed = torque_of(((0, 9),), moving, pedal=pressed)
    assert failed.first_failed_s == pytest.approx(4.5)


def test_creep_that_the_plan_declares_is_no_fault():
    found = judge(torque=((0, 0), (4, 9)), speed=((0, 0), (4, 100)), bench={"creep": True})
    assert set(found) == {"pedal"}


def test_without_torque_the_standstill_is_proven_and_the_torque_is_not():
    roles = {
        "driver.pedal": (SLOW, SLOW * 0),
        "driver.direction": (SLOW, SLOW * 0),
        "units.front.speed": (FAST, steps(FAST, (0, 0), (5, 1))),
    }
    found = run("pedal-at-rest", roles, u=U)
    assert found["front"].verdict is Verdict.PASS
    assert found["front torque"].reason == "not-bound"


def test_a_speed_that_died_makes_no_standstill():
    early = FAST[FAST < 0.5]
    found = judge(roles={"units.front.speed": (early, early * 0)})
    assert found["front"].verdict is Verdict.UNPROVEN
    assert found["front torque"].verdict is Verdict.UNPROVEN


def test_without_a_driver_section_it_says_what_is_not_bound():
    found = run("pedal-at-rest", {"units.front.speed": (FAST, FAST * 0)})
    assert {finding.reason for finding in found.values()} == {"not-bound"}


def test_it_stops_a_live_run_and_is_required_when_spinning():
    rule = RULES["pedal-at-rest"]
    assert rule.stops
    assert rule.required_in == {"dry-spin", "wet-spin", "rolling"}


@pytest.mark.parametrize("cuts", ["each", [4.2, 4.5], [2.0, 4.01, 5.05, 7.0]])
def test_cutting_does_not_matter(cuts):
    what = {
        "pedal": ((0, 4), (1, 0.4), (4, NAN), (4.1, 0.4), (6, 30), (7, 2), (8.1, 0.5), (9.4, 4)),
        "direction": ((0, 0), (2, 1), (5, 0), (5.5, NAN), (5.6, 0), (8, -1), (9, 0)),
        "speed": ((0, 0), (3, 120), (3.5, 0), (6, 200), (8.5, NAN), (8.6, -200)),
        "torque": ((0, 0), (2.5, 7), (3.2, 0), (8.3, -8)),
    }
    coarse = FAST[::3]
    roles = {
        "units.front.speed": (coarse, steps(coarse, *what["speed"])),
        "units.front.torque": (coarse, steps(coarse, *what["torque"])),
    }
    whole = judge(**what, roles=dict(roles))
    assert {str(whole[name].verdict) for name in whole} == {"fail"}
    assert judge(**what, roles=roles, cuts=cuts) == whole


@pytest.mark.parametrize(
    ("torque_Nm", "until_s", "verdict"),
    [
        (60, 4.2, Verdict.FAIL),
        (-60, 4.2, Verdict.FAIL),
        (24, 4.2, Verdict.PASS),
        (60, 4.08, Verdict.PASS),
        (12, 4.3, Verdict.FAIL),
        (8, 4.4, Verdict.PASS),
    ],
    ids=["kick", "the other way", "allowed for 0.2 s", "too short", "longer", "allowed longer"],
)
def test_a_kick_at_rest_in_neutral_fails_though_it_is_short(torque_Nm, until_s, verdict):
    """60 Nm for 0.2 s turn 0.05 kgm^2 by 240 rad/s, 12 Nm for 0.3 s by 72 rad/s.

    24 Nm stay below 25 Nm and 8 Nm below 9 Nm.
    """
    finding = torque_of(((0, 0), (4, torque_Nm), (until_s, 0)))
    assert finding.verdict is verdict
    kicked = f"kicked with the pedal at rest: {abs(torque_Nm)}"
    assert verdict is Verdict.PASS or kicked in finding.sentence


SWINGS = (
    (0, 0),
    *((5 + row / 25, 30 * (-1) ** row) for row in range(50)),
    (7, 0),
)  # for 2 s, 40 ms each way


@pytest.mark.parametrize(
    ("stage", "speed", "torque", "fails"),
    [
        ("dry-spin", ((0, 0),), ((0, 8), (5, 60), (5.3, 8)), True),  # 18 Nms at once
        ("dry-spin", ((0, 0),), ((0, 8), (5, 150), (5.06, 8)), True),
        ("dry-spin", ((0, 0),), ((0, 8), (5, 20), (5.6, 8)), False),  # it may hold so
        ("rolling", ((0, 0),), ((0, 8), (5, 60), (5.3, 8)), False),  # on a slope
        ("dry-spin", ((0, 300), (5, 20)), ((0, -30), (5.3, 0)), False),  # braked to rest
        ("dry-spin", ((0, 0),), ((0, 8), (5, -60), (5.3, 8)), True),
        ("dry-spin", ((0, 0),), SWINGS, False),
    ],
    ids=["pushes", "a blow", "holds", "a slope", "comes to rest", "the other way", "swings"],
)
def test_what_pushes_against_a_pressed_brake_is_a_kick(stage, speed, torque, fails):
    """Forward is chosen, the pedal at rest, the shaft held by the brake."""
    told = judge(((0, 1),), ((0, 1),), speed, torque, stage=stage)
    assert (told["front torque"].verdict is Verdict.FAIL) == fails, told["front torque"].sentence


@pytest.mark.parametrize("stage", ["dry-spin", "rolling"])
@pytest.mark.parametrize(
    ("torque", "reason"),
    [
        (((0, 8), (5, 20), (5.8, 8)), "inferred"),
        (((0, 8), (5, -20), (5.8, 8)), "inferred"),
        (((0, 8), (5, 20), (5.4, 8)), None),  # too short
        (((0, 8), (5, 11.5), (5.8, 8)), None),  # no more than holds
    ],
)
def test_whether_a_strong_torque_at_standstill_holds_or_pushes_is_not_known(stage, torque, reason):
    """2.4 times 5 Nm for 0.5 s, forward chosen."""
    finding = judge(((0, 1),), ((0, 1),), ((0, 0),), torque, stage=stage)["front torque"]
    assert finding.reason == reason
    again = judge(((0, 1),), ((0, 1),), ((0, 0),), torque, stage=stage, cuts=(5.21, 5.55))
    assert again["front torque"] == finding
