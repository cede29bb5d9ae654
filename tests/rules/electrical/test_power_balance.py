"""power-balance, worked by hand: P = T w (check values, "Axes and direction": speed and torque of
one sign drive, of opposite signs brake). 3000 rpm = 314.159 rad/s, so 10 Nm are 3141.59 W; at
400 V that is 7.854 A. Limit 1.05 over 0.5 s above 500 W: common practice, no source."""

import math

import numpy as np
import pytest

from canscope.model.bench import DriveUnit
from canscope.model.findings import Verdict
from canscope.rules import RULES
from tests.rules.harness import judge as run
from tests.rules.vehicle import clock

RAD_S = 3000 * 2 * math.pi / 60


def judge(*units, amps, volts=400.0, until_s=6.0, u=None, edit=None, every_s=0.02, **more):
    """Each unit is (torque in Nm, speed in rpm), from 1 s on; numbers or functions of time."""
    times = clock(until_s, every_s)

    def column(value):
        steady = value(times) if callable(value) else np.full(len(times), float(value))
        return np.where(times < 1.0, 0.0, steady)

    roles = {
        "pack.current": (times, column(amps)),
        "pack.voltage": (times, np.where(times < 0.5, volts - 1, volts)),
    }
    for name, (torque, speed) in zip(("front", "rear"), units, strict=False):
        roles[f"units.{name}.torque"] = (times, column(torque))
        roles[f"units.{name}.speed"] = (times, column(speed))
    if edit:
        edit(roles)
    cycles = dict.fromkeys(roles, every_s)
    return run("power-balance", roles, u=u, cycles_s=cycles, **more)["power"]


def test_10_Nm_at_3000_rpm_from_3500_W_pass():
    finding = judge((10, 3000), amps=3500 / 400)
    assert finding.verdict is Verdict.PASS
    assert finding.measured == pytest.approx(10 * RAD_S / 3500)
    assert finding.facts["shaft_W"] == pytest.approx(3141.59, abs=0.01)
    assert (finding.limit, finding.required) == (1.05, False)
    assert "(3142 W at the shafts, 3500 W from the pack)" in finding.sentence


def test_more_at_the_shaft_than_from_the_pack_is_a_wrong_factor_in_those_words():
    """A current with half its true factor: 3141.59 W from 1750 W."""
    finding = judge((10, 3000), amps=1750 / 400)
    assert finding.verdict is Verdict.FAIL
    assert finding.measured == pytest.approx(1.795, abs=5e-4)
    assert "a factor, sign or unit in the definition is wrong" in finding.sentence


@pytest.mark.parametrize("sign", [1, -1])
def test_a_current_of_the_wrong_sign_fails_forward_and_in_reverse(sign):
    finding = judge((10 * sign, 3000 * sign), amps=-3500 / 400)
    assert finding.verdict is Verdict.FAIL
    assert finding.measured < 0
    assert "a factor, sign or unit in the definition is wrong" in finding.sentence


def test_a_torque_of_the_wrong_sign_fails_above_the_floor():
    finding = judge((-10, 3000), amps=3500 / 400)
    assert finding.verdict is Verdict.FAIL
    assert finding.margin == pytest.approx(-3500 / (10 * RAD_S))


def test_braking_is_judged_the_other_way_round_as_the_shafts_feed_the_pack():
    """3141.59 W in, 2800 W out: 0.891. The literal shaft over pack, 1.122, is no fault here."""
    finding = judge((-10, 3000), amps=-7.0)
    assert finding.verdict is Verdict.PASS
    assert finding.measured == pytest.approx(2800 / (10 * RAD_S))
    assert judge((-10, 3000), amps=-9.0).verdict is Verdict.FAIL  # 3600 W out


def test_losses_of_a_gently_braking_unit_are_not_judged():
    assert judge((-2, 3000), amps=1.0).verdict is Verdict.UNPROVEN  # -628 W, +400 W
    assert judge((-1, 3000), amps=3.0).verdict is Verdict.UNPROVEN  # -314 W, a heater of 1200 W
    assert judge((-3, 3000), amps=3.0).verdict is Verdict.FAIL  # -942 W
    assert judge((-3, 3000), amps=3.0, stage="rolling").verdict is Verdict.UNPROVEN


def test_both_units_count_together():
    one = judge((10, 3000), (10, -3000), amps=3500 / 400)
    assert one.reason == "not-exercised"  # they fight: 3142 W against 3142 W
    both = judge((10, 3000), (-10, -3000), amps=3500 / 400)
    assert both.verdict is Verdict.FAIL
    assert both.measured == pytest.approx(2 * 10 * RAD_S / 3500)


def test_a_quotient_within_its_uncertainty_of_the_limit_is_too_close_to_call():
    """3141.59 W from 3000 W: 1.0472. Half steps: 0.05 Nm at 314.159 rad/s are 15.7 W; 0.05 A at
    400 V are 20 W: u = (1.05 * 20 + 15.7) / 3000 = 0.0122."""
    u = {"units.front.torque": 0.05, "pack.current": 0.05}
    finding = judge((10, 3000), amps=7.5, u=u)
    assert finding.reason == "too-close-to-call"
    assert finding.uncertainty == pytest.approx((1.05 * 20 + 0.05 * RAD_S) / 3000)


def test_what_is_small_or_changes_is_not_judged():
    small = judge((1, 3000), amps=400 / 400)  # 314 W from 400 W
    assert small.reason == "not-exercised"
    assert "no power above 500 W was steady for 0.5 s" in small.sentence

    def doubling(t):
        return 5 * 2 ** (t / 2)  # 19 % in 0.5 s

    assert judge((doubling, 3000), amps=lambda t: 0.9 * doubling(t)).reason == "not-exercised"


def test_the_averages_bridge_a_ripple_that_single_samples_would_fail():
    def ripple(t):
        return 10 + 5 * np.sin(2 * np.pi * 10 * t)

    assert judge((ripple, 3000), amps=3500 / 400).verdict is Verdict.PASS


def test_a_torque_that_says_nothing_proves_nothing():
    last_bit = (lambda t: np.where(t < 2, 0.01, 0.0), 3000)
    nothing = judge(last_bit, amps=3500 / 400, u={"units.front.torque": 0.02})
    assert nothing.reason == "sensor-suspect"
    assert judge((0, 3000), amps=3500 / 400).reason == "sensor-suspect"


def test_a_unit_without_torque_leaves_the_sum_unknown():
    def unbound(roles):
        del roles["units.rear.torque"]

    finding = judge((10, 3000), (10, 3000), amps=20, edit=unbound)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-bound")


def test_a_speed_that_falls_silent_is_not_held_on_to():
    def silent(roles):
        times, values = roles["units.front.speed"]
        roles["units.front.speed"] = (times[times < 1.2], values[times < 1.2])

    finding = judge((10, 3000), amps=1.0, edit=silent)
    assert finding.verdict is Verdict.UNPROVEN
    assert finding.margin is None


@pytest.mark.parametrize("amps", [3500 / 400, 4.0])
def test_no_cut_changes_anything(amps):
    def ripple(t):
        return 10 + 0.7 * np.sin(9 * t)

    short = {"until_s": 4.0, "every_s": 0.04}
    whole = judge((ripple, 3000), amps=amps, **short)
    assert judge((ripple, 3000), amps=amps, cuts="each", **short) == whole


# The gentlest spin: rest, then 0.5 s from 0 to 300 rpm (31.416 rad/s) of 0.1 kg m2, then coasting
# for 0.5 s. Kinetic 0.1 * 31.416^2 / 2 = 49.35 J; without drag the torque is 0.1 * 62.83 = 6.283 Nm
# and its work the same 49.35 J. The pack gives 200 W over its rest (0.5 A at 400 V): 100 J.
RISE = slice(4.0, 4.5)


def spin(times, torque=6.283, factor=1.0):
    rising = (times >= RISE.start) & (times < RISE.stop)
    speed = np.interp(times, [4.0, 4.5, 5.0], [0, 300 * factor, 0], right=0)
    return np.where(rising, torque, 0.0), speed, rising


def gentle(
    *,
    amps=0.5,
    rest_A=0.0,
    torque=6.283,
    factor=1.0,
    inertia=None,
    cuts=None,
    until_s=9.0,
    rules=None,
    poles=False,
):
    times = clock(until_s, 0.01)
    moment, speed, rising = spin(times, torque, factor)
    roles = {
        "pack.current": (times, rest_A + np.where(rising, amps, 0.0) + 0.01 * (times < 0.2)),
        "pack.voltage": (times, np.where(times < 0.5, 399.0, 400.0)),
        "units.front.torque": (times, moment),
        "units.front.speed": (times, speed),
    }
    if poles:
        closed = (times >= 0.3).astype(float)
        roles |= dict.fromkeys(("contactors.negative", "contactors.positive"), (times, closed))
    bench = {"units": (DriveUnit("front", inertia_kgm2=inertia),)}
    cycles = dict.fromkeys(roles, 0.01)
    return run("power-balance", roles, cycles_s=cycles, bench=bench, cuts=cuts, rules=rules)[
        "power"
    ]


def test_a_gentle_spin_is_judged_by_its_energy():
    finding = gentle()
    assert finding.verdict is Verdict.PASS
    # The last trapezoid ends with no torque: half a step of 6.283 Nm * 31.4 rad/s, 1 J less.
    assert finding.measured == pytest.approx(0.4935, rel=0.05)
    assert "48 J at the shafts, 100 J from the pack from rest" in finding.sentence


@pytest.mark.parametrize("rest_A", [3.0, -3.0])
def test_what_the_pack_gives_at_rest_falls_out(rest_A):
    assert gentle(rest_A=rest_A).verdict is Verdict.PASS


def test_a_load_that_goes_on_and_off_by_itself_makes_no_wrong_factor():
    """2 A more at rest but for 0.7 s at first; they are off during the burst alone."""
    times = clock(9.0, 0.01)
    on, live = (times >= 1.2) & ((times < 3.95) | (times >= 5.45)), times >= 0.3
    switched = gentle(rest_A=(0.5 + 2.0 * on) * live, poles=True)
    assert (switched.verdict, switched.reason) == (Verdict.UNPROVEN, "not-exercised")
    # Without ever having been off at rest it is a current of the wrong sign.
    on = (times < 4.0) | (times >= 5.0)
    assert gentle(rest_A=(0.5 + 2.0 * on) * live, poles=True).verdict is Verdict.FAIL


@pytest.mark.parametrize(
    "wrong",
    [{"amps": -0.5}, {"amps": 0.05}, {"torque": -6.283}, {"torque": 62.83}],
    ids=["current inverted", "current a tenth", "torque inverted", "torque tenfold"],
)
def test_wrong_signs_and_factors_fail_however_gentle_it_was(wrong):
    assert gentle(**wrong).verdict is Verdict.FAIL


def test_speed_beyond_what_the_shaft_was_given_fails_where_the_inertia_is_known():
    """Twice the speed: twice the work, 98.7 J of 300 J, but four times 49.35 = 197.4 J kinetic.

    That is 2.0 times the work; and 6.283 Nm make but a quarter of 0.1 kg m2, as it comes to rest
    without any torque as fast as it sped up.
    """
    assert gentle(factor=2.0, amps=1.5).verdict is Verdict.PASS
    finding = gentle(factor=2.0, amps=1.5, inertia=0.1)
    assert finding.verdict is Verdict.FAIL
    assert finding.measured == pytest.approx(4.0, rel=0.05)
    kinetic = gentle(factor=2.0, amps=1.5, inertia=0.1, rules={"inertia_factor": 8})
    assert kinetic.measured == pytest.approx(2.0, rel=0.05)
    assert "197 J in what turns, 97 J at the shafts" in kinetic.sentence


def test_a_light_unit_is_at_its_highest_before_a_heavy_one():
    """0.04 kg m2 reach 300 rpm in 0.2 s, and 0.1 kg m2 as much in 0.5 s.

    By 4.2 s they hold 19.7 and 7.9 J (120 rpm), and the pack has given 40 J; by 4.5 s 49 J are
    in the heavy one.
    """
    times = clock(9.0, 0.01)
    roles = {
        "pack.current": (times, 0.5 * ((times >= 4.0) & (times < 4.5)) + 0.01 * (times < 0.2)),
        "pack.voltage": (times, np.where(times < 0.5, 399.0, 400.0)),
    }
    for unit, until_s in (("front", 4.2), ("rear", 4.5)):
        torque = np.where((times >= 4.0) & (times < until_s), 6.283, 0.0)
        speed = np.interp(times, [4.0, until_s, 5.0], [0, 300, 0], right=0)
        roles |= {f"units.{unit}.torque": (times, torque), f"units.{unit}.speed": (times, speed)}
    units = (DriveUnit("front", inertia_kgm2=0.04), DriveUnit("rear", inertia_kgm2=0.1))
    more = {"cycles_s": dict.fromkeys(roles, 0.01), "bench": {"units": units}}
    finding = run("power-balance", roles, rules={"inertia_factor": 8}, **more)["power"]
    assert finding.verdict is Verdict.PASS, finding.sentence


def test_a_current_that_stays_at_rest_gives_nothing():
    assert gentle(amps=0.0).code == "nothing-in"
    assert gentle(amps=0.05).code == "wrong-scale"


def test_a_burst_without_rest_afterwards_is_not_judged():
    assert gentle(until_s=6.0).reason == "not-exercised"


def test_cutting_changes_no_energy():
    assert gentle(cuts="each", amps=0.05) == gentle(amps=0.05)


def test_a_bound_from_one_side_confirms_no_role():
    assert RULES["power-balance"].cross_checks == ()


def coasted(factor, inertia=0.1, brake=None):
    """Drag of 1 Nm: 7.283 Nm up to 300 rpm in 0.5 s; no torque, so 3.14 s down by the drag alone.

    Between 20 and 80 % of the speed 7.283 Nm differ by 7.283, accelerations by 62.83 + 10 rad/s2:
    0.1 kg m2. A speed of half the true one makes it 0.2, one of twice 0.05.
    """
    times = clock(13.0, 0.01)
    rising = (times >= 4.0) & (times < 4.5)
    speed = np.interp(times, [4.0, 4.5, 4.5 + math.pi], [0, 300 * factor, 0], right=0)
    roles = {
        "pack.current": (times, np.where(rising, 2.0, 0.0) + 0.01 * (times < 0.2)),
        "pack.voltage": (times, np.where(rising, 399.8, 400.0) - 0.1 * (times < 0.2)),
        "units.front.torque": (times, np.where(rising, 7.283, 0.0)),
        "units.front.speed": (times, speed),
    }
    if brake:
        roles["driver.brake"] = (times, np.where((times > brake) & (times < brake + 1), 1, 0))
    bench = {"units": (DriveUnit("front", inertia_kgm2=inertia),)}
    cycles = dict.fromkeys(roles, 0.01)
    return run("power-balance", roles, cycles_s=cycles, bench=bench)["power"]


@pytest.mark.parametrize("brake", [None, 7.7])
def test_the_inertia_of_a_spin_that_ends_before_a_fifth_of_its_speed_is_measured(brake):
    """75 rpm, of which a burst ends at 30; the shaft stands at 7.64 s, and is braked then."""
    assert coasted(0.25, inertia=0.4, brake=brake).verdict is Verdict.PASS
    assert coasted(0.25, brake=brake).verdict is Verdict.FAIL


def test_the_inertia_that_torque_and_speed_amount_to_is_the_stated_one():
    assert coasted(1.0).verdict is Verdict.PASS


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_a_speed_of_a_wrong_factor_fails_where_the_inertia_is_known(factor):
    assert coasted(factor).verdict is Verdict.FAIL
    assert coasted(factor, inertia=None).verdict is Verdict.PASS


def test_what_the_inertia_is_stands_in_the_sentence():
    finding = coasted(0.5)
    assert finding.measured == pytest.approx(2.0, rel=0.06)
    assert "amount to an inertia of 0.2" in finding.sentence
    assert finding.code == "wrong-scale"


def test_while_the_brake_is_pressed_the_inertia_is_not_measured():
    assert coasted(0.5, brake=5.0).verdict is Verdict.PASS
