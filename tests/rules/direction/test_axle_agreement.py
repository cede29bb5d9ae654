"""axle-agreement, worked by hand on speeds every 10 ms, limit 0 rpm; stage rolling: 10 %."""

import numpy as np
import pytest

from canscope.model.bench import DriveUnit
from canscope.model.findings import Verdict
from canscope.rules import RULES
from tests.rules.harness import judge as run

TIMES = np.round(np.arange(0, 5, 0.01), 3)
SHAPE = np.round(np.interp(TIMES, [1, 1.5, 4, 4.5], [0, 1, 1, 0]), 6)


def judge(times=TIMES, **speeds_and_more):
    speeds = {k: v for k, v in speeds_and_more.items() if k in ("front", "rear", "middle")}
    more = {k: v for k, v in speeds_and_more.items() if k not in speeds}
    roles = {f"units.{name}.speed": (times, speed) for name, speed in speeds.items()}
    u = dict.fromkeys(roles, 0.5)
    return run("axle-agreement", roles, u=u, cycles_s=dict.fromkeys(roles, 0.01), **more)


def rolling(front, rear, ratios=(9.0, 9.0), **more):
    units = tuple(
        DriveUnit(n, gear_ratio=r) for n, r in zip(("front", "rear"), ratios, strict=True)
    )
    found = judge(front=front, rear=rear, stage="rolling", bench={"units": units}, **more)
    return found["front and rear"]


def test_axles_that_turn_the_same_way_pass_whatever_their_speeds_on_stands():
    finding = judge(front=200 * SHAPE, rear=900 * SHAPE)["front and rear"]
    assert finding.verdict is Verdict.PASS
    assert finding.limit == 0
    assert "turned the same way" in finding.sentence


def test_axles_that_turn_against_each_other_fail_by_the_slower_speed():
    finding = judge(front=200 * SHAPE, rear=-900 * SHAPE)["front and rear"]
    assert finding.verdict is Verdict.FAIL
    assert (finding.measured, finding.margin) == (-200, -200)
    assert finding.uncertainty == 1.0  # half a step of each
    assert finding.signals == ("can0:M0.units_front_speed", "can0:M1.units_rear_speed")


def test_it_fails_as_soon_as_both_have_turned_for_a_fifth_of_a_second():
    """Front: 400 rpm/s from 1 s, 50 rpm at 1.125 s, first read at 1.13 s; 0.2 s later: 1.33 s."""
    finding = judge(front=200 * SHAPE, rear=-900 * SHAPE)["front and rear"]
    assert finding.first_failed_s == pytest.approx(1.33)


def test_wheels_turned_by_hand_with_all_poles_open_need_not_agree():
    speeds = {"front": 200 * SHAPE, "rear": -900 * SHAPE}
    roles = {f"units.{name}.speed": (TIMES, speed) for name, speed in speeds.items()}
    roles["contactors.positive"] = (TIMES, np.where(TIMES < 0.5, 1.0, 0.0))
    found = run("axle-agreement", roles, cycles_s=dict.fromkeys(roles, 0.01))["front and rear"]
    assert found.reason == "not-exercised"


@pytest.mark.parametrize("late_s", [0.005, 0.02, 0.04])
def test_rolling_readings_up_to_40_ms_apart_are_compared_over_half_a_second(late_s):
    """900 rpm within 0.5 s: 1800 rpm/s, so that 40 ms are 72 rpm at the motor, 8 % of 900."""
    late = np.interp(TIMES - late_s, TIMES, SHAPE)
    assert rolling(900 * SHAPE, np.round(900 * late)).verdict is Verdict.PASS
    assert rolling(900 * SHAPE, np.round(780 * late)).verdict is Verdict.FAIL


def test_axles_that_never_turn_at_the_same_time_prove_nothing():
    later = np.interp(TIMES, [4.5, 4.6], [0, -300])
    assert judge(front=200 * SHAPE, rear=later)["front and rear"].reason == "not-exercised"


def test_below_fifty_rpm_an_axle_does_not_turn():
    assert judge(front=-49 * SHAPE, rear=900 * SHAPE)["front and rear"].reason == "not-exercised"


def test_a_speed_that_died_is_not_compared_with_its_last_value():
    roles = {
        "units.front.speed": (TIMES[:250], 200 * SHAPE[:250]),
        "units.rear.speed": (TIMES, 300 * SHAPE),
    }
    finding = run("axle-agreement", roles, cycles_s=dict.fromkeys(roles, 0.01))["front and rear"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def test_every_pair_of_three_axles_is_a_subject():
    found = judge(front=200 * SHAPE, middle=230 * SHAPE, rear=-260 * SHAPE)
    verdicts = {name: str(finding.verdict) for name, finding in found.items()}
    assert verdicts == {
        "front and middle": "pass",
        "front and rear": "fail",
        "middle and rear": "fail",
    }


def test_one_axle_alone_has_nothing_to_agree_with():
    assert judge(front=200 * SHAPE) == {}
    assert judge(front=200 * SHAPE, rear=200 * SHAPE, stage="power-up") == {}
    assert RULES["axle-agreement"].stops


def test_rolling_axles_at_equal_speed_pass_though_their_motors_turn_differently():
    """900 rpm over 9 and 600 rpm over 6 are both 100 rpm at the axle."""
    finding = rolling(900 * SHAPE, 600 * SHAPE, ratios=(9.0, 6.0))
    assert finding.verdict is Verdict.PASS


def test_rolling_axles_more_than_ten_percent_apart_fail():
    """100 rpm against 80 rpm: 20 apart where 10 % of 100 are allowed."""
    finding = rolling(900 * SHAPE, 720 * SHAPE)
    assert finding.verdict is Verdict.FAIL
    assert finding.margin == pytest.approx(-10)
    assert (finding.measured, finding.limit) == (pytest.approx(20), pytest.approx(10))
    # half a step of each motor speed over its ratio, and 10 % of that for the allowance
    assert finding.uncertainty == pytest.approx((0.5 / 9 + 0.5 / 9) * 1.1)
    assert "differ by more than is allowed" in finding.sentence
    assert finding.code == "speeds-differ"


def test_rolling_axles_nine_percent_apart_pass():
    assert rolling(900 * SHAPE, 819 * SHAPE).verdict is Verdict.PASS


def test_on_stands_the_same_speeds_are_no_fault():
    assert judge(front=900 * SHAPE, rear=720 * SHAPE)["front and rear"].verdict is Verdict.PASS


def test_rolling_in_the_wrong_sense_still_fails():
    finding = rolling(900 * SHAPE, -900 * SHAPE)
    assert (finding.verdict, finding.margin) == (Verdict.FAIL, -900)


def test_rolling_without_a_gear_ratio_is_unproven():
    finding = rolling(900 * SHAPE, 900 * SHAPE, ratios=(9.0, None))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "no-limit")


def test_rolling_speeds_read_one_after_the_other_may_differ_while_they_rise():
    """Same axle speed, read 5 ms apart and every 100 ms while it changes quickly: no fault."""
    coarse = np.round(np.arange(0, 5, 0.1), 3)
    roles = {
        "units.front.speed": (coarse, np.interp(coarse, [1, 1.5, 4, 4.5], [0, 900, 900, 0])),
        "units.rear.speed": (
            coarse + 0.05,
            np.interp(coarse + 0.05, [1, 1.5, 4, 4.5], [0, 900, 900, 0]),
        ),
    }
    units = (DriveUnit("front", gear_ratio=9.0), DriveUnit("rear", gear_ratio=9.0))
    found = run(
        "axle-agreement",
        roles,
        stage="rolling",
        bench={"units": units},
        u=dict.fromkeys(roles, 0.5),
        cycles_s=dict.fromkeys(roles, 0.1),
    )
    assert found["front and rear"].verdict is Verdict.PASS


@pytest.mark.parametrize("cuts", ["each", [1.33, 2.0], [1.0, 1.34, 3.999, 4.2]])
@pytest.mark.parametrize("stage", ["dry-spin", "rolling"])
def test_cutting_does_not_matter(cuts, stage):
    coarse = np.round(np.arange(0.003, 5, 0.07), 3)
    roles = {
        "units.front.speed": (TIMES[::5], 900 * SHAPE[::5]),
        "units.rear.speed": (coarse, np.interp(coarse, [1, 1.4, 3.9, 4.3], [0, 850, 700, -700])),
    }
    units = (DriveUnit("front", gear_ratio=9.0), DriveUnit("rear", gear_ratio=9.1))
    options = {"stage": stage, "bench": {"units": units}, "u": dict.fromkeys(roles, 0.5)}
    whole = run("axle-agreement", roles, **options)
    assert whole["front and rear"].verdict is Verdict.FAIL
    assert run("axle-agreement", roles, **options, cuts=cuts) == whole
