"""axle-direction, worked by hand: speed every 10 ms (or 100 ms), known to +-0.5 rpm, limit 0 rpm.

Which sign drives and which brakes: P = T w (quadrants; arithmetic anyone can redo).
"""

import numpy as np
import pytest

from canscope.model.bench import Mounting
from canscope.model.findings import Verdict
from canscope.rules import RULES
from tests.rules.harness import judge as run

U = {"units.front.speed": 0.5}
NAN = np.nan


def every(step_s, end_s):
    return np.round(np.arange(0, end_s, step_s), 3)


def profile(times, *points):
    """Straight lines between (time in s, value) points."""
    return np.round(np.interp(times, [t for t, _ in points], [v for _, v in points]), 6)


def steps(times, *points):
    """Each value from its time on."""
    starts = [t for t, _ in points]
    return np.array([v for _, v in points], float)[np.searchsorted(starts, times, "right") - 1]


def judge(speed, request, *, step_s=0.01, end_s=8.0, more=None, **options):
    """``speed``: points of a profile or values; ``request``: steps, read every 50 ms."""
    times, slow = every(step_s, end_s), every(0.05, end_s)
    values = profile(times, *speed) if isinstance(speed, list) else speed
    roles = {
        "units.front.speed": (times, values),
        "driver.direction": (slow, steps(slow, *request)),
        **(more or {}),
    }
    cycles = {"units.front.speed": step_s, "driver.direction": 0.05}
    return run("axle-direction", roles, u=U, cycles_s=cycles, **options)


FORWARD_3_S = [(0, 0), (1, 1)]
# Standing until 1 s, then 500 rpm within 0.5 s, held to 4 s, standing again at 4.5 s.
SPIN = [(0, 0), (1, 0), (1.5, 500), (4, 500), (4.5, 0)]


def negative(points):
    return [(t, -v) for t, v in points]


def test_an_axle_that_follows_the_request_passes_and_the_other_direction_stays_unproven():
    found = judge(SPIN, FORWARD_3_S)
    assert found["front forward"].verdict is Verdict.PASS
    assert "the front axle turned forward when forward was requested" in (
        found["front forward"].sentence
    )
    assert (found["front reverse"].verdict, found["front reverse"].reason) == (
        Verdict.UNPROVEN,
        "not-exercised",
    )


def test_the_margin_of_a_pass_is_its_slowest_median():
    """1000 rpm/s from 1 s on: at or above 50 rpm from 1.05 to 4.45 s, judged from 1.25 s on.

    There the window (1.05, 1.25] holds 60, 70 .. 250 rpm: its median is 155. Slowing down, the last
    judged sample is 50 rpm at 4.45 s: the window holds 240, 230 .. 50 rpm, median 145.
    """
    finding = judge(SPIN, FORWARD_3_S)["front forward"]
    assert finding.margin == pytest.approx(145)
    assert finding.measured == pytest.approx(145)
    assert finding.at_s == pytest.approx(4.45)
    assert finding.window_s == pytest.approx((4.25, 4.45))
    rising = judge(SPIN, FORWARD_3_S, end_s=4.0)["front forward"]
    assert (rising.margin, rising.at_s) == (pytest.approx(155), pytest.approx(1.25))


def test_an_axle_that_turns_against_the_request_fails_by_its_worst_median():
    found = judge([(0, 0), (1, 0), (1.5, -182), (4, -182), (4.5, 0)], FORWARD_3_S)
    finding = found["front forward"]
    assert finding.verdict is Verdict.FAIL
    assert (finding.measured, finding.margin, finding.limit) == (-182, -182, 0)
    assert finding.uncertainty == 0.5
    assert "the front axle turned against the requested direction (forward)" in finding.sentence
    assert finding.code == "against-request"
    assert found["front reverse"].reason == "not-exercised"


def test_it_fails_at_the_first_reading_after_the_length_of_a_kick():
    """1000 rpm/s backwards from 1 s on: at 50 rpm at 1.05 s, judged 0.05 s later."""
    finding = judge(negative(SPIN), FORWARD_3_S)["front forward"]
    assert finding.first_failed_s == pytest.approx(1.10)


def test_reverse_is_judged_with_its_own_sign():
    reverse = [(0, 0), (1, -1)]
    assert judge(negative(SPIN), reverse)["front reverse"].verdict is Verdict.PASS
    failed = judge(SPIN, reverse)["front reverse"]
    assert (failed.verdict, failed.measured, failed.margin) == (Verdict.FAIL, 500, -500)


def test_coarse_readings_every_tenth_of_a_second_are_enough():
    assert judge(SPIN, FORWARD_3_S, step_s=0.1)["front forward"].verdict is Verdict.PASS
    assert judge(negative(SPIN), FORWARD_3_S, step_s=0.1)["front forward"].margin == -500


def test_coasting_on_from_before_the_request_is_no_answer_to_it():
    """Forward until 2 s; reverse requested while still at 500 rpm, which runs down to 0 at 3 s."""
    run_down = [(0, 0), (1, 0), (1.5, 500), (2, 500), (3, 0), (3.5, 0), (4, -400), (5, -400)]
    found = judge(run_down, [(0, 0), (1, 1), (2, -1)])
    assert found["front forward"].verdict is Verdict.PASS
    assert found["front reverse"].verdict is Verdict.PASS
    # without ever turning in reverse, nothing is proven of it
    stopped = judge(run_down[:6], [(0, 0), (1, 1), (2, -1)])
    assert stopped["front reverse"].reason == "not-exercised"


def test_once_it_was_slow_after_the_request_turning_on_the_old_way_fails():
    again = [(0, 0), (1, 0), (1.5, 500), (2, 500), (3, 0), (3.5, 0), (4, 400), (5, 400)]
    finding = judge(again, [(0, 0), (1, 1), (2, -1)])["front reverse"]
    assert (finding.verdict, finding.margin) == (Verdict.FAIL, -400)


def test_a_request_between_two_readings_finds_the_unit_standing():
    """Still 0 rpm at 1.0 s, requested at 1.05 s, -300 rpm from the next reading at 1.1 s on."""
    jump = steps(every(0.1, 8.0), (0, 0), (1.1, -300), (4, 0))
    found = judge(jump, [(0, 0), (1.05, 1)], step_s=0.1)
    assert found["front forward"].margin == -300


def test_a_wheel_turned_by_hand_with_all_poles_open_proves_nothing_and_fails_nothing():
    times = every(0.05, 8.0)
    more = {"contactors.positive": (times, np.where(times < 0.5, 1.0, 0.0))}
    for speed in (SPIN, negative(SPIN)):
        assert judge(speed, FORWARD_3_S, more=more)["front forward"].reason == "not-exercised"
    more["contactors.negative"] = (times, np.ones(len(times)))
    assert judge(SPIN, FORWARD_3_S, more=more)["front forward"].verdict is Verdict.PASS


def test_turning_in_neutral_is_not_judged():
    found = judge(negative(SPIN), [(0, 1), (0.5, 0)])
    assert {finding.reason for finding in found.values()} == {"not-exercised"}


def test_a_request_that_never_changes_is_no_request_that_a_pass_can_rest_on():
    found = judge(SPIN, [(0, 1)])["front forward"]
    assert (found.verdict, found.reason) == (Verdict.UNPROVEN, "sensor-suspect")


def test_a_request_that_the_run_begins_with_counts():
    assert judge(negative(SPIN), [(0, 1)])["front forward"].verdict is Verdict.FAIL


def test_a_single_wrong_reading_is_no_rotation():
    times = every(0.01, 8.0)
    glitch = profile(times, *SPIN)
    glitch[300] = -900
    finding = judge(glitch, FORWARD_3_S)["front forward"]
    assert finding.verdict is Verdict.PASS


def test_turning_for_less_than_a_fifth_of_a_second_proves_nothing():
    """Above 50 rpm for 0.15 s only."""
    short = steps(every(0.01, 8.0), (0, 0), (2, 80), (2.15, 0))
    assert judge(short, FORWARD_3_S)["front forward"].reason == "not-exercised"


def test_a_kick_against_the_request_fails_whatever_the_other_bursts_were():
    """Rightly from 1 s to 4.5 s; at 6 s 80 rpm the other way for 0.07 s."""
    times = every(0.01, 8.0)
    kicked = profile(times, *SPIN) + steps(times, (0, 0), (6, -80), (6.07, 0))
    finding = judge(kicked, FORWARD_3_S)["front forward"]
    assert (finding.verdict, finding.margin) == (Verdict.FAIL, -80)
    assert finding.first_failed_s == pytest.approx(6.05)
    shorter = profile(times, *SPIN) + steps(times, (0, 0), (6, -80), (6.05, 0))
    assert judge(shorter, FORWARD_3_S)["front forward"].verdict is Verdict.PASS


def test_a_kick_takes_three_readings():
    """Every 60 ms: two readings lie 60 ms apart, three 120 ms."""
    times = every(0.06, 8.0)
    spin = profile(times, *SPIN)
    spin[100:102] = -80
    assert judge(spin, FORWARD_3_S, step_s=0.06)["front forward"].verdict is Verdict.PASS
    spin[102] = -80
    assert judge(spin, FORWARD_3_S, step_s=0.06)["front forward"].verdict is Verdict.FAIL


def test_creeping_forward_proves_nothing_and_creeping_back_fails():
    times = every(0.01, 8.0)
    forward = steps(times, (0, 0), (2, 49), (4, 0))
    assert judge(forward, FORWARD_3_S)["front forward"].reason == "not-exercised"
    back = judge(-forward, FORWARD_3_S)["front forward"]
    assert (back.verdict, back.margin) == (Verdict.FAIL, -49)
    assert back.first_failed_s == pytest.approx(2.5)
    spun = profile(times, *SPIN) + steps(times, (0, 0), (6, -30), (7, 0))
    assert judge(spun, FORWARD_3_S)["front forward"].margin == -30


def test_the_noise_of_a_resolver_and_the_end_of_a_coast_are_no_creep():
    """15 rpm to and fro; and at 40 rpm still forward when reverse is asked for."""
    times = every(0.01, 8.0)
    noise = np.where(np.arange(len(times)) // 60 % 2, 15.0, -15.0)
    assert judge(profile(times, *SPIN) + noise, FORWARD_3_S)["front forward"].verdict is (
        Verdict.PASS
    )
    slowly = [(0, 0), (1, 0), (1.5, 500), (4, 500), (5, 45), (7, 20), (7.5, 0)]
    found = judge(slowly, [(0, 0), (1, 1), (5.2, -1)])
    assert found["front reverse"].reason == "not-exercised"


def test_going_on_as_before_the_change_of_direction_fails():
    """500 rpm forward from 1.5 s on; reverse from 4 s on. At 6 s it has lost nothing in 2 s.

    A unit that coasts for 8 s has lost a quarter by then.
    """
    goes_on = [(0, 0), (1, 0), (1.5, 500), (8, 500)]
    reverse_too = [(0, 0), (0.5, 1), (4, -1)]
    finding = judge(goes_on, reverse_too)["front reverse"]
    assert (finding.verdict, finding.margin) == (Verdict.FAIL, -500)
    assert finding.first_failed_s == pytest.approx(6.0)
    coasts = [(0, 0), (1, 0), (1.5, 500), (4, 500), (12, 0)]
    assert judge(coasts, reverse_too)["front reverse"].reason == "not-exercised"
    rolling = judge(goes_on, reverse_too, stage="rolling")["front reverse"]
    assert rolling.reason == "not-exercised"


def test_an_unknown_request_is_not_neutral_and_not_forward():
    found = judge(negative(SPIN), [(0, 0), (1, NAN)])
    assert {finding.verdict for finding in found.values()} == {Verdict.UNPROVEN}


def test_a_request_that_went_silent_is_not_held_against_the_axle():
    slow = every(0.05, 1.1)
    more = {"driver.direction": (slow, steps(slow, *FORWARD_3_S))}
    finding = judge(SPIN, FORWARD_3_S, more=more)["front forward"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def test_a_speed_that_dies_while_turning_turns_the_pass_into_unproven():
    times = every(0.01, 2.5)
    more = {"units.front.speed": (times, profile(times, *SPIN))}
    finding = judge(SPIN, FORWARD_3_S, more=more)["front forward"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def stalled(torque_Nm=6.0, brake=0, speed_rpm=0.0, until_s=3.0):
    times = every(0.05, 8.0)
    torque = steps(times, (0, 0), (2, torque_Nm), (until_s, 0))
    more = {
        "units.front.torque": (times, torque),
        "driver.brake": (times, np.full(len(times), brake)),
    }
    speed = steps(every(0.01, 8.0), (0, 0), (2, speed_rpm), (until_s, 0))
    return judge(speed, FORWARD_3_S, more=more)["front forward"]


def test_torque_without_motion_for_a_second_is_a_stall():
    """6 Nm from 2 s to 3.2 s; at 3 s it has lasted 1 s: 0 rpm where 50 would be turning."""
    finding = stalled(until_s=3.2)
    assert finding.verdict is Verdict.FAIL
    assert (finding.measured, finding.limit, finding.margin) == (0, 50, -50)
    assert finding.first_failed_s == pytest.approx(3.0)
    assert "stalled" in finding.sentence
    assert finding.code == "stalled"


def test_pushing_the_other_way_without_motion_is_a_stall_too():
    assert stalled(torque_Nm=-6.0, until_s=3.2).verdict is Verdict.FAIL


def pushing(torque_Nm, until_s, pedal=20.0, brake=0.0, stage="dry-spin"):
    """Standing with that torque from 2 s on; pedal or brake None: not bound."""
    times = every(0.05, 8.0)
    more = {"units.front.torque": (times, steps(times, (0, 0), (2, torque_Nm), (until_s, 0)))}
    if pedal is not None:
        more["driver.pedal"] = (times, np.full(len(times), pedal))
    if brake is not None:
        more["driver.brake"] = (times, np.full(len(times), brake))
    speed = profile(every(0.01, 8.0), (0, 0), (4, 0), (4.5, 500), (6, 500), (6.5, 0))
    return judge(speed, FORWARD_3_S, more=more, stage=stage)["front forward"]


def test_a_torque_that_holds_with_the_pedal_at_rest_is_no_stall():
    assert pushing(8, 3.5).code == "stalled"
    assert pushing(8, 3.5, pedal=0.6).code != "stalled"
    assert pushing(8, 3.5, pedal=None).code == "stalled"
    assert pushing(8, 3.5, brake=None).code == "stalled"  # nobody drives against the brake
    assert pushing(8, 3.5, pedal=None, brake=None).verdict is Verdict.PASS


def test_twice_the_torque_stalls_sooner_where_no_whole_vehicle_is_to_be_moved():
    """10 Nm free 0.1 kgm^2 to 30 rad/s (286 rpm) in 0.3 s: a = T / J.

    Half of it moves the heaviest, 0.3 kgm^2 and wheels of 6 kgm^2 behind 9:1, to 39 rpm.
    """
    assert pushing(10, 2.35).code == "stalled"
    assert pushing(10, 2.35).first_failed_s == pytest.approx(2.3)
    assert pushing(10, 2.25).verdict is Verdict.PASS
    assert pushing(9.9, 2.35).verdict is Verdict.PASS
    assert pushing(10, 2.35, stage="rolling").verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("stage", "rpm", "is_stall"),
    [
        ("rolling", 24, False),
        ("rolling", 2, True),
        ("dry-spin", 24, True),
    ],
)
def test_a_heavy_vehicle_that_goes_on_gaining_speed_does_not_stall(stage, rpm, is_stall):
    """24 rpm in 1.4 s of 20 Nm: 2.5 t on the road, and no shaft on a stand."""
    times = every(0.05, 8.0)
    more = {
        "units.front.torque": (times, steps(times, (0, 0), (2, 20), (3.4, 0))),
        "driver.brake": (times, np.zeros(len(times))),
    }
    speed = profile(every(0.01, 8.0), (0, 0), (2, 0), (3.4, rpm), (3.5, 0))
    found = judge(speed, FORWARD_3_S, more=more, stage=stage)["front forward"]
    assert (found.code == "stalled") == is_stall


@pytest.mark.parametrize(
    "less",
    [{"torque_Nm": 4.9}, {"brake": 1}, {"until_s": 2.95}, {"speed_rpm": 31.0}, {"brake": NAN}],
)
def test_less_than_that_is_no_stall(less):
    finding = stalled(**{"until_s": 3.2, **less})
    assert finding.verdict is Verdict.UNPROVEN


def test_it_can_be_neither_waived_nor_left_out_of_a_spin():
    rule = RULES["axle-direction"]
    assert not rule.waivable
    assert rule.stops
    assert rule.required_in == {"dry-spin", "wet-spin", "rolling"}
    assert judge(SPIN, FORWARD_3_S, stage="power-up") == {}


def test_the_plan_sets_what_counts_as_turning():
    creeping = steps(every(0.01, 8.0), (0, 0), (2, -49), (4, 0))
    found = judge(creeping, FORWARD_3_S, rules={"turning_rpm": 40})
    assert found["front forward"].margin == -49


@pytest.mark.parametrize("cuts", ["each", [1.0, 1.1, 1.25], [2.0, 3.05, 4.44]])
@pytest.mark.parametrize("step_s", [0.04, 0.1])
def test_cutting_does_not_matter(cuts, step_s):
    there_and_back = [(0, 0), (1, 0), (1.5, 500), (2, 0), (2.6, 0), (3, 300), (4, -300), (5, 0)]
    times = every(0.05, 6.0)
    more = {
        "units.front.torque": (times, steps(times, (0, 0), (4.6, 7))),
        "driver.brake": (times, np.zeros(len(times))),
    }
    request = [(0, 0), (1, 1), (2.3, -1), (3.4, NAN), (3.5, -1), (5.3, 1)]
    options = {"step_s": step_s, "end_s": 6.0, "more": more}
    whole = judge(there_and_back, request, **options)
    assert whole["front reverse"].verdict is Verdict.FAIL
    assert judge(there_and_back, request, **options, cuts=cuts) == whole


def test_mounting_is_not_applied_twice():
    """Roles come corrected: a unit with sign -1 is judged on the value that it is given."""
    from canscope.model.bench import DriveUnit

    turned = DriveUnit("front", mounting=Mounting(yaw=180), sign=-1)
    found = judge(SPIN, FORWARD_3_S, bench={"units": (turned,)})
    assert found["front forward"].verdict is Verdict.PASS


def test_without_units_or_direction_it_says_what_is_not_bound():
    times = every(0.05, 2)
    found = run("axle-direction", {"driver.direction": (times, times * 0)})
    assert found["axles"].reason == "not-bound"
    found = run("axle-direction", {"units.front.speed": (times, times * 0)})
    assert {finding.reason for finding in found.values()} == {"not-bound"}


# -- marks as the request, where no signal is bound to it -----------------------------------------


def by_marks(speed, *marks, cuts=None, end_s=20.0):
    """``marks``: (time in s, what was asked, further keys)."""
    times = every(0.01, end_s)
    walk = [{"at_s": at_s, "asked": word, **more} for at_s, word, more in marks]
    roles = {"units.front.speed": (times, profile(times, *speed))}
    cycles = {"units.front.speed": 0.01}
    longest_s = max([1.0, *(mark.get("within_s", 0.0) for mark in walk)])
    bench = {"mark_s": longest_s}
    return run("axle-direction", roles, u=U, cycles_s=cycles, marks=walk, cuts=cuts, bench=bench)


LATE_SPIN = [(0, 0), (5, 0), (5.5, 500), (9, 500), (9.5, 0)]


def test_a_mark_is_the_request_where_no_signal_is_bound():
    found = by_marks(LATE_SPIN, (3, "forward", {}))
    assert found["front forward"].verdict is Verdict.PASS
    assert "asked as a person marked it, within 1 s" in found["front forward"].sentence
    assert found["front reverse"].reason == "not-exercised"
    assert by_marks(LATE_SPIN, (3, "reverse", {}))["front reverse"].verdict is Verdict.FAIL


def test_without_signal_and_marks_the_request_is_not_bound():
    found = by_marks(LATE_SPIN)
    assert {f.reason for f in found.values()} == {"not-bound"}
    assert "driver.direction, and no mark says what was asked" in found["front forward"].sentence


def test_a_mark_made_a_moment_after_the_axle_began_to_turn_still_counts():
    assert by_marks(LATE_SPIN, (5.6, "forward", {}))["front forward"].verdict is Verdict.PASS


def test_within_the_time_that_a_mark_may_be_wrong_nothing_is_judged():
    """The lever goes over at 9 s or later; the mark of it comes at 10.2 s, within 3 s."""
    turned = [(0, 0), (5, 0), (5.5, 500), (7, 500), (7.5, 0), (9, 0), (9.5, -500), (14, -500)]
    marks = (3, "forward", {}), (10.2, "reverse", {"within_s": 3.0})
    found = by_marks(turned, *marks)
    assert {f.verdict for f in found.values()} == {Verdict.PASS}
    hasty = by_marks(turned, marks[0], (10.2, "reverse", {"within_s": 0.1}))
    assert hasty["front forward"].verdict is Verdict.FAIL  # it turned back before anybody asked


def test_a_mark_that_names_an_axle_asks_of_that_one_alone():
    assert by_marks(LATE_SPIN, (3, "reverse", {"axle": "rear"}))["front reverse"].verdict is (
        Verdict.UNPROVEN
    )


def test_neutral_asked_is_no_request():
    found = by_marks(LATE_SPIN, (1, "reverse", {}), (3, "neutral", {}))
    assert {f.verdict for f in found.values()} == {Verdict.UNPROVEN}


@pytest.mark.parametrize("cuts", [[5.0, 6.0, 9.0], [3.0, 3.01, 19.5], "each"])
def test_cutting_does_not_matter_to_marks(cuts):
    for word in ("forward", "reverse"):
        marks = (3, word, {}), (9, "reverse", {}), (19.9, "neutral", {})
        assert by_marks(LATE_SPIN, *marks, cuts=cuts) == by_marks(LATE_SPIN, *marks)
