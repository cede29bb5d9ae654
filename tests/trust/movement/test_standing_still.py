"""A reading that stands still where it should move proves nothing.

That a reading must move by one raw step is common practice, no source.
"""

import numpy as np
import pytest

from tests.rules.harness import judge

T = np.arange(0, 10, 0.02)
TURNING = (T >= 3) & (T < 6)
ROLES = {
    "units.front.speed": (T, np.where(TURNING, 600.0, 0.0)),
    "pack.current": (T, np.where(TURNING, 5.0, 0.5)),
    "driver.brake": (T, ((T < 2) | (T >= 7)).astype(float)),
    "driver.direction": (T, np.where(T < 1, 0.0, 1.0)),
}


def current_ceiling(current):
    roles = ROLES | {"pack.current": (T, current)}
    return judge("current-ceiling", roles, bench={"coolant": "empty"}, rules={"dry_current_A": 30})


def test_a_current_that_moves_under_load_is_believed():
    assert current_ceiling(np.where(TURNING, 5.0, 0.5))["pack"].verdict == "pass"


@pytest.mark.parametrize(
    ("current", "told"),
    [
        (np.full(len(T), 0.5), "never changed in the whole run"),
        (np.where(T < 1, 0.3, 0.5), "never changed while front turned for"),
    ],
    ids=["stuck from the start", "stuck before the first burst"],
)
def test_a_stuck_current_is_no_pass(current, told):
    finding = current_ceiling(current)["pack"]
    assert (finding.verdict, finding.reason) == ("unproven", "sensor-suspect")
    assert told in finding.sentence


def test_a_stuck_current_lifts_no_fail():
    assert current_ceiling(np.full(len(T), 40.0))["pack"].verdict == "fail"


def moved_at(*at_s):
    """A reading that moves by one raw step at these instants and stands still between them."""
    steps = sum((at <= T).astype(int) for at in at_s)
    return 0.5 + 0.01 * steps


def test_a_current_must_move_in_every_spell_under_power():
    """Two spells, 1 to 3 s and 6 to 8 s; the sensor freezes between them."""
    turning = ((T >= 1) & (T < 3)) | ((T >= 6) & (T < 8))
    roles = {"units.front.speed": (T, np.where(turning, 600.0, 0.0))}

    def ceiling(current, **more):
        roles["pack.current"] = (T, current)
        bench, rules = {"coolant": "empty"}, {"dry_current_A": 30}
        return judge("current-ceiling", roles | more, bench=bench, rules=rules)["pack"]

    assert ceiling(moved_at(1.5, 6.5)).verdict == "pass"
    frozen = ceiling(moved_at(1.5, 4))
    assert (frozen.verdict, frozen.reason) == ("unproven", "sensor-suspect")
    assert "never changed while front turned for 1.8 s" in frozen.sentence
    # A wheel turned by hand with the contactors open loads nothing.
    poles = {f"contactors.{p}": (T, (T < 4).astype(float)) for p in ("negative", "positive")}
    assert ceiling(moved_at(1.5, 4), **poles).verdict == "pass"


def closed_current(current, until_s=8.0):
    """Both poles closed from 1 s and again from 5 s, for 2 s and until then; nothing turns."""
    closed = ((T >= 1) & (T < 3)) | ((T >= 5) & (until_s > T))
    roles = {f"contactors.{p}": (T, closed.astype(float)) for p in ("negative", "positive")}
    roles["pack.current"] = (T, current)
    bench, rules = {"coolant": "empty"}, {"dry_current_A": 30}
    found = judge("current-ceiling", roles, stage="power-up", bench=bench, rules=rules)
    return found["pack"]


def test_a_current_must_move_each_time_that_the_poles_close():
    """It charges the link then: 1 mF to 400 V takes 0.4 As, 10 A through 40 ohm (D)."""
    assert closed_current(moved_at(1.1, 5.1)).verdict == "pass"
    for frozen in (moved_at(0.5), moved_at(1.1, 4.0)):
        finding = closed_current(frozen)
        assert (finding.verdict, finding.reason) == ("unproven", "sensor-suspect")
    assert "never changed in 3.0 s with poles closed" in finding.sentence
    assert closed_current(moved_at(1.1, 4.0), until_s=5.5).verdict == "pass"  # too short to tell
    still_closed = closed_current(moved_at(1.1, 4.0), until_s=99.0)
    assert "never changed in 5.0 s with poles closed" in still_closed.sentence


def test_a_spell_shorter_than_a_second_need_not_show():
    turning = ((T >= 1) & (T < 3)) | ((T >= 6) & (T < 7))
    roles = {"units.front.speed": (T, np.where(turning, 600.0, 0.0))}
    roles["pack.current"] = (T, moved_at(1.5, 4))
    bench, rules = {"coolant": "empty"}, {"dry_current_A": 30}
    assert judge("current-ceiling", roles, bench=bench, rules=rules)["pack"].verdict == "pass"


def test_a_torque_and_a_link_that_never_move_while_the_unit_turns_prove_nothing():
    lively = np.where(TURNING, 8.0, 0.0)
    roles = ROLES | {
        "driver.pedal": (T, np.where((T > 2.5) & (T < 6), 20.0, 0.0)),
        "units.front.torque": (T, lively),
    }
    assert judge("pedal-at-rest", roles)["front torque"].verdict == "pass"
    roles["units.front.torque"] = (T, np.where(T < 1, 0.1, 0.0))
    assert judge("pedal-at-rest", roles)["front torque"].reason == "sensor-suspect"
    link = {"units.front.link_voltage": (T, np.where(TURNING, 358.0, 358.5))}
    of = ROLES | link
    nominal = {"nominal_voltage_V": 358.0}
    assert judge("bus-sag", of, bench=nominal)["front link"].verdict == "pass"
    of["units.front.link_voltage"] = (T, np.where(T < 1, 358.1, 358.0))
    assert judge("bus-sag", of, bench=nominal)["front link"].reason == "sensor-suspect"


@pytest.mark.parametrize(("fell_V", "told"), [(0.4, False), (1.2, True)])
def test_a_pack_in_coarse_steps_need_not_move_while_a_finer_link_hardly_does(fell_V, told):
    """Steps of 0.5 V, and a link in steps of 0.01 V with 0.1 V of noise, whose ends say nothing."""
    noise = np.random.default_rng(4).normal(0, 0.1, len(T))
    roles = ROLES | {
        "pack.voltage": (T, np.where(T < 1, 400.5, 400.0)),
        "units.front.link_voltage": (T, 400.0 - fell_V * TURNING + noise),
    }
    more = {"u": {"pack.voltage": 0.005}, "cycles_s": dict.fromkeys(roles, 0.02)}
    finding = judge("bus-sag", roles, bench={"nominal_voltage_V": 400.0}, **more)["pack"]
    assert ("never changed while front turned" in finding.sentence) == told


def test_a_link_that_lets_go_before_the_states_say_so_moved_no_pack():
    """Poles read open at 8 s; the link is 5 V lower 0.1 s before, and stood until then."""
    poles = {
        f"contactors.{p}": (T, ((T >= 1) & (T < 8)).astype(float)) for p in ("negative", "positive")
    }
    link = np.where(T < 1, 0.0, np.interp(T, [7.9, 8.0, 9.0], [400, 395, 300]))
    roles = poles | {
        "pack.voltage": (T, np.full(len(T), 400.0)),
        "units.front.link_voltage": (T, link),
    }
    more = {"stage": "power-up", "u": {"pack.voltage": 0.25}, "bench": {"maximum_voltage_V": 450.0}}
    assert judge("voltage-ceiling", roles, **more)["pack"].verdict == "pass"
    sags = link - 5.0 * ((T > 4) & (T < 5))
    found = judge("voltage-ceiling", roles | {"units.front.link_voltage": (T, sags)}, **more)[
        "pack"
    ]
    assert "never changed in the whole run" in found.sentence


def test_a_brake_that_stays_pressed_while_the_axle_turns_is_suspect():
    """Released at first and at the end, pressed from before forward until after the spin."""
    held = ROLES | {"driver.brake": (T, ((T > 0.5) & (T < 7)).astype(float))}
    finding = judge("brake-interlock", held)["driver"]
    assert (finding.verdict, finding.reason) == ("unproven", "sensor-suspect")
    assert "read pressed all the time while front turned" in finding.sentence


def test_a_node_that_wakes_after_a_unit_turned_has_not_seen_it():
    """The first of two spells goes by before the current is first heard."""
    turning = ((T >= 1) & (T < 3)) | ((T >= 6) & (T < 8))
    late = T >= 4
    roles = {
        "units.front.speed": (T, np.where(turning, 600.0, 0.0)),
        "pack.current": (T[late], moved_at(6.5)[late]),
    }
    finding = judge(
        "current-ceiling", roles, bench={"coolant": "empty"}, rules={"dry_current_A": 30}
    )["pack"]
    assert (finding.verdict, finding.reason) == ("unproven", "stale")
    assert "2.80 s after a unit began to turn" in finding.sentence  # turning is known at 1.2 s


def test_of_a_unit_that_wakes_after_another_turned_nobody_knows_what_it_did_before():
    late = T >= 6.5
    roles = {
        "units.front.speed": (T, np.where(TURNING, 600.0, 0.0)),
        "units.rear.speed": (T[late], np.where(T[late] >= 7.5, 600.0, 0.0)),
    }
    found = judge("speed-ceiling", roles, rules={"speed_rpm": 1500})
    assert found["front"].verdict == "pass"
    assert (found["rear"].verdict, found["rear"].reason) == ("unproven", "stale")
    assert "first heard 3.30 s after" in found["rear"].sentence


def test_a_brake_that_was_pressed_all_the_time_proves_no_interlock():
    assert judge("brake-interlock", ROLES)["driver"].verdict == "pass"
    stuck = ROLES | {"driver.brake": (T, np.ones(len(T)))}
    finding = judge("brake-interlock", stuck)["driver"]
    assert (finding.verdict, finding.reason) == ("unproven", "sensor-suspect")


def test_a_temperature_that_never_moved_is_not_agreed_with_by_a_cold_soak():
    """A frozen sensor that shows just what the others show in the morning."""
    winding, inverter = (f"units.front.temperatures.{word}" for word in ("winding", "inverter"))
    warming = np.where(T < 4, 20.0, 20.5)

    def soak(degC, **bench):
        roles = ROLES | {winding: (T, degC), inverter: (T, warming)}
        steps = {winding: 0.25, inverter: 0.25}
        found = judge("cold-soak", roles, bench={"cold": True, **bench}, u=steps)
        return found["temperatures"]

    assert soak(warming).verdict == "pass"
    frozen = soak(np.full(len(T), 20.0))
    assert (frozen.verdict, frozen.reason) == ("unproven", "sensor-suspect")
    assert soak(np.full(len(T), 20.0), moved_before=frozenset({winding})).verdict == "pass"
