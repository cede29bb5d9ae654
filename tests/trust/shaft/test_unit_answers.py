"""Pedal, brake, torque and speed of a unit answer to each other, worked by hand.

A unit of 0.1 kgm^2 without friction: 20 Nm speed it up by 200 rad/s^2, or 1910 rpm a second, and
-4 Nm slow it down by 382 rpm a second. All thresholds: common practice, no source.
"""

import numpy as np
import pytest

from canscope.model.bench import DriveUnit
from tests.rules.harness import judge

T = np.round(np.arange(0, 12, 0.01), 3)
SPEED, TORQUE, PEDAL = "units.front.speed", "units.front.torque", "driver.pedal"
BRAKE, REQUEST, IGNITION = "driver.brake", "driver.direction", "driver.ignition"


def line(*points):
    return np.interp(T, *zip(*points, strict=True))


def steps(*points):
    at, values = zip(*points, strict=True)
    return np.array(values, float)[np.searchsorted(at, T, "right") - 1]


# From 3 s on the pedal is at 20 %, from 3.1 s on the unit speeds up by 573 rpm in 0.3 s, holds that
# until 6 s and comes to rest within 1.5 s.
RISE, TOP = 0.3, 573.0
RUN = {
    SPEED: line((0, 0), (3.1, 0), (3.1 + RISE, TOP), (6, TOP), (7.5, 0)),
    TORQUE: steps((0, 0), (3.1, 20), (3.1 + RISE, 0), (6, -4), (7.5, 0)),
    PEDAL: steps((0, 0.5), (3, 20), (6, 0.5)),
    BRAKE: steps((0, 1), (2.5, 0), (8, 1)),
    REQUEST: steps((0, 0), (2, 1)),
}


def doubts(rule, subject, bench=None, **changed):
    """The finding of a rule that rests on what was changed."""
    names = {
        "speed": SPEED,
        "torque": TORQUE,
        "pedal": PEDAL,
        "brake": BRAKE,
        "ignition": IGNITION,
    }
    roles = RUN | {names[name]: column for name, column in changed.items()}
    data = {role: (T, column) for role, column in roles.items()}
    finding = judge(rule, data, bench=bench)[subject]
    return str(finding.verdict), finding.reason, finding.sentence


def suspect(rule, subject, **changed):
    verdict, reason, sentence = doubts(rule, subject, **changed)
    assert (verdict, reason) == ("unproven", "sensor-suspect"), sentence
    return sentence


def late(role, s):
    return np.concatenate((np.full(round(s * 100), RUN[role][0]), RUN[role]))[: len(T)]


@pytest.mark.parametrize("subject", ["pedal", "front", "front torque"])
def test_a_unit_that_answers_is_believed(subject):
    assert doubts("pedal-at-rest", subject)[0] == "pass"


@pytest.mark.parametrize("factor", [0.02, 0.1, -1.0])
def test_a_torque_that_explains_less_than_a_bare_rotor_is_not_that_units(factor):
    """210 rpm are 22 rad/s: 0.02 kgm^2 need 0.44 Nm s; a tenth of 20 Nm over 0.11 s gives 0.22."""
    text = suspect("pedal-at-rest", "front torque", torque=factor * RUN[TORQUE])
    assert "less than a bare rotor of 0.02 kgm^2 takes" in text


def test_a_third_of_the_torque_may_be_that_of_a_small_rotor():
    assert doubts("pedal-at-rest", "front torque", torque=RUN[TORQUE] / 3)[0] == "pass"


def test_a_torque_that_comes_150_ms_after_the_motion_is_not_believed():
    verdict, reason, sentence = doubts("pedal-at-rest", "front torque", torque=late(TORQUE, 0.15))
    assert (verdict, reason) == ("unproven", "stale")
    assert "after its shaft sped up" in sentence


def test_a_gentle_torque_that_comes_after_the_first_100_rpm_is_not_believed():
    """6 Nm: 573 rpm/s, 172 rpm within 0.3 s; 86 within 0.15 s, which the lag alone tells."""
    speed = line((0, 0), (3.1, 0), (4.1, TOP), (6, TOP), (7.5, 0))
    torque = steps((0, 0), (3.1, 6), (4.1, 0), (6, -4), (7.5, 0))
    for ms, verdict in ((0, "pass"), (150, "unproven"), (300, "unproven")):
        moved = np.concatenate((np.zeros(ms // 10), torque))[: len(T)]
        found = doubts("pedal-at-rest", "front torque", speed=speed, torque=moved)
        assert found[0] == verdict, found


def test_a_pedal_that_is_still_at_rest_as_the_unit_turns_is_not_the_one_that_drives():
    text = suspect("pedal-at-rest", "pedal", pedal=late(PEDAL, 0.25))
    assert "was at rest" in text
    assert doubts("pedal-at-rest", "pedal", pedal=late(PEDAL, 0.05))[0] == "pass"


def test_a_pedal_that_is_held_while_the_unit_brakes_itself_is_not_believed():
    """From 573 rpm by 30 % within 0.45 s: a pedal held for 1 s more is told, for 0.3 s is not."""
    text = suspect("pedal-at-rest", "pedal", pedal=steps((0, 0.5), (3, 20), (7, 0.5)))
    assert "slowed down from 573 rpm by 30%" in text
    soon = steps((0, 0.5), (3, 20), (6.3, 0.5))
    assert doubts("pedal-at-rest", "pedal", pedal=soon)[0] == "pass"


def test_a_pedal_that_is_held_while_the_unit_coasts_to_rest_is_not_believed():
    """4 Nm keep it at speed against its friction, and end at 6 s; by 70 % within 1.05 s."""
    coasts = {"torque": steps((0, 0), (3.1, 24), (3.1 + RISE, 4), (6, 0))}
    text = suspect("pedal-at-rest", "pedal", pedal=steps((0, 0.5), (3, 20), (8, 0.5)), **coasts)
    assert "slowed down from 573 rpm by 70%" in text
    assert doubts("pedal-at-rest", "pedal", **coasts)[0] == "pass"


def test_a_brake_under_which_a_unit_comes_up_to_speed_is_not_believed():
    brake = steps((0, 1), (4, 0), (8, 1))
    assert "read pressed while" in suspect("brake-interlock", "driver", brake=brake)


def test_an_ignition_that_is_off_while_a_unit_comes_up_to_speed_is_another_signal():
    off = steps((0, 1), (2.8, 0), (8, 1))
    assert "read off while the unit came to 200 rpm" in suspect(
        "unasked-motion", "front", ignition=off
    )
    assert doubts("unasked-motion", "front", ignition=np.ones(len(T)))[0] == "pass"


def test_a_wheel_s_speed_amounts_to_more_inertia_than_anything_that_turns_freely():
    """0.1 kgm^2 of the motor are 0.9 at a ninth of its speed; wheels of 6 kgm^2 add 6 / 81."""
    unit = {"units": (DriveUnit("front", gear_ratio=9.0),)}
    text = suspect("change-at-standstill", "front", bench=unit, speed=RUN[SPEED] / 9)
    assert "amount to 0.8" in text  # from 30 rpm on, 37 of 64 rpm and half of the 0.3 s
    assert "more than the 0.37 kgm^2 of wheels" in text
    assert doubts("change-at-standstill", "front", bench=unit, speed=RUN[SPEED] / 2)[0] == "pass"


def test_a_speed_that_stays_low_while_the_torque_goes_on_is_not_believed():
    """Cut off at 65 rpm, or 6.8 rad/s, while 20 Nm go on for 0.3 s: 6 Nm s, or 0.88 kgm^2."""
    unit = {"units": (DriveUnit("front", gear_ratio=9.0),)}
    speed = np.minimum(RUN[SPEED], 65)
    text = suspect("change-at-standstill", "front", bench=unit, speed=speed)
    assert "more than the 0.37 kgm^2 of wheels" in text


@pytest.mark.parametrize(("early_s", "told"), [(0.9, True), (0.3, False)])
def test_a_pedal_that_is_released_long_before_the_torque_ends_is_early(early_s, told):
    """5 Nm hold the speed against drag until the pedal is released at 6 s."""
    torque = RUN[TORQUE] + steps((0, 0), (3.1 + RISE, 5), (6, 0))
    released = steps((0, 0.5), (3, 20), (6 - early_s, 0.5))
    found = doubts("pedal-at-rest", "pedal", torque=torque, pedal=released)
    assert (found[1] == "sensor-suspect") == told
    assert ("read released 0.6 s and more before the torque of 5.0 Nm fell" in found[2]) == told


def test_a_speed_that_stops_rising_under_the_same_torque_may_be_clipped():
    text = suspect("change-at-standstill", "front", speed=np.minimum(RUN[SPEED], 320))
    assert "stopped rising at 3" in text


@pytest.mark.parametrize(("every", "told"), [(10, False), (1, True)])
def test_a_steady_rise_that_is_read_every_100_ms_is_no_stairs(every, told):
    """100 rpm in each 0.1 s, seven times. Read every 10 ms, each stands for nine readings."""
    rise = np.floor(np.clip((T - 3.1) / 0.1 + 1e-6, 0, 7)) * 100.0
    rise += line((0, 0), (3.9, 0), (6, 3))  # and hardly any more until the pedal is released
    speed = np.where(T < 6, rise, line((0, 0), (6, 700), (7.5, 0)))
    roles = RUN | {SPEED: speed, TORQUE: steps((0, 0), (3.1, 10), (3.8, 0), (6, -4), (7.5, 0))}
    data = {role: (T, column) for role, column in roles.items()}
    data[SPEED] = T[::every], speed[::every]
    finding = judge("pedal-at-rest", data, cycles_s={SPEED: 0.01 * every})["front"]
    assert ("and stood still in between" in finding.sentence) == told


def test_a_speed_that_friction_limits_bends_gently_and_is_believed():
    """20 Nm against a drag that grows with speed: an exponential of 0.5 s towards 600 rpm.

    -4 Nm afterwards lead towards -120 rpm with the same 0.5 s.
    """
    up = np.where(T < 3.1, 0.0, 600 * (1 - np.exp(-(T - 3.1) / 0.5)))
    speed = np.where(T < 6, up, np.maximum(720 * np.exp(-(T - 6) / 0.5) - 120, 0))
    torque = steps((0, 0), (3.1, 20), (6, -4), (7.5, 0))
    assert doubts("change-at-standstill", "front", speed=speed, torque=torque)[0] == "pass"


@pytest.mark.parametrize(
    ("factor", "verdict"), [(2.0, "unproven"), (0.5, "unproven"), (1.3, "pass")]
)
def test_a_factor_that_changes_between_two_bursts_is_told(factor, verdict):
    """The same burst again 20 s later, its torque times a factor: J is T over a."""
    late = T + 20
    roles = {role: (np.concatenate((T, late)), np.tile(column, 2)) for role, column in RUN.items()}
    times, torque = roles[TORQUE]
    roles[TORQUE] = times, np.where(times > 15, factor * torque, torque)
    finding = judge("change-at-standstill", roles)["front"]
    assert finding.verdict == verdict
    assert ("kgm^2 in one burst and to" in finding.sentence) == (verdict == "unproven")


def test_in_rolling_a_speed_is_held_against_the_torque_as_well():
    """573 rpm, cut off at 400 rpm; what moves the vehicle beside its units does not do so."""

    def rolls(**changed):
        data = {role: (T, column) for role, column in (RUN | changed).items()}
        return judge("axle-direction", data, stage="rolling")["front forward"]

    assert str(rolls().verdict) == "pass"
    cut = rolls(**{SPEED: np.minimum(RUN[SPEED], 400.0)})
    assert cut.reason == "sensor-suspect"


@pytest.mark.parametrize(("released_s", "told"), [(3.2, False), (4.5, True)])
def test_a_vehicle_that_drives_off_under_its_brake_shows_that_it_is_none(released_s, told):
    """573 rpm are reached at 3.4 s; a foot may hold it at the bottom of a slope at first."""
    roles = RUN | {BRAKE: steps((0, 1), (released_s, 0))}
    data = {role: (T, column) for role, column in roles.items()}
    finding = judge("brake-interlock", data, stage="rolling")["driver"]
    assert ("read pressed while the unit came to 544 rpm" in finding.sentence) == told


def test_what_a_low_pass_hides_of_a_rise_decides_only_where_that_much_is_left():
    """6 Nm: 573 rpm/s for 1 s. 0.2 s of that hide up to 115 rpm of the peak."""
    speed = line((0, 0), (3.1, 0), (4.1, TOP), (6, TOP), (7.5, 0))
    share, shown = 1 - np.exp(-0.01 / 0.2), [0.0]
    for rpm in speed[1:]:
        shown.append(shown[-1] + share * (rpm - shown[-1]))
    shown = np.where(np.array(shown) < 2, 0.0, shown)
    torque = steps((0, 0), (3.1, 6), (4.1, 0), (6, -4), (7.5, 0))

    def ceiling(rpm, column):
        roles = RUN | {SPEED: column, TORQUE: torque}
        data = {role: (T, column) for role, column in roles.items()}
        return judge("speed-ceiling", data, rules={"speed_rpm": rpm})["front"]

    near, far = (ceiling(rpm, shown) for rpm in (650, 750))
    assert (str(near.verdict), near.reason) == ("unproven", "sensor-suspect")
    assert "comes through a low-pass of about 0.2 s" in near.sentence
    assert str(far.verdict) == "pass"
    assert str(ceiling(650, speed).verdict) == "pass"


def test_a_torque_whose_zero_is_off_by_25_Nm_with_all_poles_open_is_taken_from_there():
    """In reverse such an offset would be a friction that gives."""
    closed = steps((0, 0), (2.2, 1))
    poles = {f"contactors.{pole}": (T, closed) for pole in ("negative", "precharge", "positive")}
    data = {role: (T, column) for role, column in RUN.items()} | poles
    data[SPEED] = T, -RUN[SPEED]
    for offset, verdict in ((np.full(len(T), 2.5), "pass"), (2.5 * closed, "unproven")):
        data[TORQUE] = T, offset - RUN[TORQUE] / 2
        assert str(judge("torque-response", data)["front"].verdict) == verdict
