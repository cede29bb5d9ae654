"""Two roles that show what one sensor measures are one witness; hand-made curves with noise.

A winding warms by 20 K in a minute, with 0.1 K of noise and steps of 0.1 K.
"""

import numpy as np
import pytest

from canscope.model.bench import Kind
from canscope.model.history import History
from canscope.model.outcome import Subject
from canscope.trust.sources.identity import twin_doubts
from canscope.trust.sources.same_sensor import Sensors
from tests.rules.harness import START_NS, bench_of, samples_of

TIMES = np.arange(0, 90, 0.1)
RISE = 20 * np.clip(TIMES / 60, 0, 1) - 8 * np.clip((TIMES - 60) / 30, 0, 1)
WINDING, INVERTER = "units.front.temperatures.winding", "units.front.temperatures.inverter"
REAR = "units.rear.temperatures.winding"
SPEEDS = ("units.front.speed", "units.rear.speed")


def doubted(roles, stage="dry-spin", step=0.1, seed=3, cuts=()):
    """Which roles prove nothing of their own; ``roles``: role -> curve."""
    rng = np.random.default_rng(seed)
    bench = bench_of(roles, stage, {}, u=dict.fromkeys(roles, step / 2))
    history, sensors = History(), Sensors(bench, START_NS)
    for number, (role, curve) in enumerate(roles.items()):
        noisy = np.round((curve + rng.normal(0, 0.1, len(curve))) / step) * step
        history.append(role, samples_of(TIMES + number / 300, noisy, Kind.NUMBER, step))
    for cut in cuts:
        sensors.feed(history, START_NS + round(cut * 1e9))
    sensors.finish(history, START_NS + 91 * 10**9)
    return sensors.doubted()


def test_one_sensor_under_two_names_is_one_witness():
    found = doubted({INVERTER: 17 + RISE, WINDING: 17 + RISE})
    assert set(found) == {INVERTER, WINDING}
    assert "alike down to their noise while they moved" in found[WINDING]
    assert "one sensor, so one witness, not two" in found[WINDING]


@pytest.mark.parametrize("factor", [0.5, 0.9, 1.1])
def test_parts_that_warm_by_ten_percent_more_or_less_are_two(factor):
    assert doubted({INVERTER: 17 + factor * RISE, WINDING: 17 + RISE}) == {}


def test_two_that_hardly_move_are_not_compared():
    assert doubted({INVERTER: 17 + RISE / 20, WINDING: 17 + RISE / 20}) == {}
    assert doubted({INVERTER: np.full(900, 17.0), WINDING: np.full(900, 17.0)}) == {}


def test_a_copy_with_noise_of_its_own_is_known_by_its_means():
    """A step to and fro hides in each reading 2 K of warming, and not in means of twenty."""
    rng = np.random.default_rng(6)
    gentle = 17 + RISE / 10
    copy = gentle + 0.1 * rng.integers(-1, 2, len(TIMES))
    assert set(doubted({INVERTER: gentle, WINDING: copy})) == {INVERTER, WINDING}
    assert doubted({INVERTER: gentle, WINDING: 17.3 + RISE / 10}) == {}  # 0.3 K beside it


def test_start_up_values_are_no_movement_that_two_sensors_share():
    """Both read -60 degC for 400 ms after their nodes woke, and then the ambient of 28 degC."""
    cold = np.where(TIMES < 0.4, -60.0, 28.0)
    assert doubted({INVERTER: cold, WINDING: cold}) == {}
    assert doubted({INVERTER: cold + RISE, WINDING: cold + RISE / 2}, cuts=(0.2, 50)) == {}
    assert set(doubted({INVERTER: cold + RISE, WINDING: cold + RISE})) == {INVERTER, WINDING}


def test_one_part_under_two_names_in_two_units_may_be_two_parts():
    """Twins whose plans call the winding winding here and stator there."""
    stator = "units.rear.temperatures.stator"
    assert doubted({WINDING: 17 + RISE, stator: 17 + RISE}) == {}


def test_twins_that_read_the_same_coarse_steps_are_two():
    """Steps of 0.5 K without noise: two parts that step within 0.3 s of each other, three times."""
    both = (INVERTER, WINDING)
    bench = bench_of(both, "dry-spin", {}, u=dict.fromkeys(both, 0.25))
    history, sensors = History(), Sensors(bench, START_NS)
    for role, late_s in zip(both, (0.0, 0.3), strict=True):
        steps = 17 + 0.5 * np.floor(np.clip((TIMES - 20 - late_s) / 10, 0, 3))
        history.append(role, samples_of(TIMES, steps, Kind.NUMBER, 0.5))
    sensors.finish(history, START_NS + 91 * 10**9)
    assert sensors.doubted() == {}


TRACKS = ("driver.pedal", "driver.pedal_2")
PRESSED = 20 * np.clip((TIMES % 30 - 5) / 2, 0, 1) * (TIMES % 30 < 20)


def pedals(first, second, step=0.5):
    bench = bench_of(TRACKS, "dry-spin", {}, u=dict.fromkeys(TRACKS, step / 2))
    history, sensors = History(), Sensors(bench, START_NS)
    for role, curve in zip(TRACKS, (first, second), strict=True):
        history.append(role, samples_of(TIMES, np.round(curve / step) * step, Kind.NUMBER, step))
    sensors.finish(history, START_NS + 91 * 10**9)
    return set(sensors.doubted())


def test_a_second_pedal_track_that_is_the_first_one_again_is_no_second_one():
    """Clean tracks of 0.5 %: three presses are 120 changes, of which two sensors share few."""
    assert pedals(PRESSED, PRESSED) == set(TRACKS)
    assert pedals(PRESSED, 1.02 * PRESSED + 0.3) == set()


@pytest.mark.parametrize("change", [lambda p: p, lambda p: 0.95 * p, lambda p: p + 1])
def test_a_second_track_is_known_by_the_noise_of_the_first(change):
    rng = np.random.default_rng(7)
    own, added = rng.normal(0, 0.4, (2, len(TIMES)))
    noisy = np.round((PRESSED + own) / 0.5) * 0.5
    assert pedals(noisy, change(noisy) + 0.5 * added) == set(TRACKS)
    assert pedals(noisy, change(PRESSED) + added) == set()


def test_coarse_steps_ask_for_a_longer_way():
    assert doubted({INVERTER: 17 + RISE / 8, WINDING: 17 + RISE / 8}, step=1.0) == {}  # 2.5 K
    assert doubted({INVERTER: 17 + 2 * RISE, WINDING: 17 + 2 * RISE}, step=1.0) != {}


def test_the_same_part_of_twins_may_warm_alike():
    assert doubted({WINDING: 17 + RISE, REAR: 17 + RISE}) == {}


def test_speeds_that_are_one_are_told_also_if_one_is_mounted_the_other_way_round():
    speed = 300 * np.sin(TIMES / 5)
    assert set(doubted(dict.fromkeys(SPEEDS, speed))) == set(SPEEDS)
    assert set(doubted({SPEEDS[0]: speed, SPEEDS[1]: -speed})) == set(SPEEDS)
    assert doubted({SPEEDS[0]: speed, SPEEDS[1]: 0.98 * speed}) == {}
    assert doubted(dict.fromkeys(SPEEDS, speed), stage="rolling") == {}  # the road couples them


def carried(delay_s, factor, own_noise=0.0, step=0.5, seed=5):
    """A speed with 0.8 rpm of noise, and what a gateway makes of it: late, scaled, held."""
    rng = np.random.default_rng(seed)
    times = np.arange(0, 20, 0.01)
    speed = 600 * np.sin(times / 4) + rng.normal(0, 0.8, len(times))
    held = np.searchsorted(times, times + 0.0007 - delay_s, "right") - 1
    copy = factor * speed[np.maximum(held, 0)] + rng.normal(0, own_noise, len(times))
    return noises(times, np.round(speed / step) * step, np.round(copy / step) * step, step)


def noises(times, one, other, step, roles=SPEEDS):
    """What two speeds, or others, of such samples show."""
    bench = bench_of(roles, "dry-spin", {}, u=dict.fromkeys(roles, step / 2))
    history, sensors = History(), Sensors(bench, START_NS)
    history.append(roles[0], samples_of(times, one, Kind.NUMBER, step))
    history.append(roles[1], samples_of(times + 0.0007, other, Kind.NUMBER, step))
    sensors.finish(history, START_NS + 21 * 10**9)
    return sensors.doubted()


def test_speeds_that_rest_at_the_same_false_zero_are_two_if_they_turn_otherwise():
    """Both read -2 rpm in 86 of 90 s; in the burst one turns at 600 rpm and one at 560 rpm."""
    turns = np.interp(TIMES, [10, 11, 13, 14], [0, 1, 1, 0])
    assert doubted({SPEEDS[0]: 600 * turns - 2, SPEEDS[1]: 560 * turns - 2}) == {}


@pytest.mark.parametrize(
    ("delay_s", "factor", "own_noise"),
    [(0.0, 0.98, 0), (0.02, 1, 0), (0.3, 1.02, 0), (0.05, -0.9, 0), (0.03, 0.99, 0.8)],
)
def test_a_copy_that_is_late_scaled_or_turned_round_is_known_by_its_noise(
    delay_s, factor, own_noise
):
    found = carried(delay_s, factor, own_noise)
    assert set(found) == set(SPEEDS)
    assert "shows the noise of can0:M0.units_front_speed" in found[SPEEDS[1]]


def test_a_torque_is_another_one_s_if_it_carries_its_noise_at_rest():
    """0.1 Nm of noise; what both were told to give, 12 Nm with a pedal's noise, says nothing."""
    rng = np.random.default_rng(4)
    times = np.arange(0, 20, 0.01)
    told = np.where((times > 5) & (times < 8), 12 + rng.normal(0, 0.3, len(times)), 0.0)
    own, other = (rng.normal(0, 0.1, len(times)) for _ in range(2))
    roles = [speed.replace("speed", "torque") for speed in SPEEDS]

    def found(one, two):
        return set(noises(times, np.round(one * 20) / 20, np.round(two * 20) / 20, 0.05, roles))

    assert found(told + own, told + own) == set(roles)
    assert found(told + own, told + other) == found(told, told) == set()


def test_changes_that_are_the_others_to_the_bit_need_no_noise():
    """A ramp in steps of 5 rpm: a copy takes each of them over, a twin comes to them by itself."""
    times = np.arange(0, 20, 0.01)
    ramp = np.round(37 * times / 5) * 5
    inexact = np.where(np.arange(len(times)) == 400, ramp[401], ramp)  # one came a reading early
    twin = np.round((37 * times + 1.0) / 5) * 5
    links = [speed.replace("speed", "link_voltage") for speed in SPEEDS]
    for roles in (SPEEDS, links):
        assert set(noises(times, ramp, ramp, 5.0, roles)) == set(roles)
        assert set(noises(times, ramp, inexact, 5.0, roles)) == set(roles)
    assert noises(times, ramp, twin, 5.0, links) == {}


def test_rough_speeds_of_twins_that_are_asked_alike_are_two():
    """Resolvers of 15 rpm, each with its own noise, and one course of 600 rpm."""
    rng = np.random.default_rng(9)
    times = np.arange(0, 20, 0.01)
    course = np.interp(times, [5, 6, 9, 10], [0, 600, 600, 0])
    one, other = (np.round(course + rng.uniform(-15, 15, len(times))) for _ in range(2))
    assert noises(times, one, other, 1.0) == {}
    assert set(noises(times, one, one, 1.0)) == set(SPEEDS)


def test_a_swing_in_common_is_no_noise_in_common():
    """Two units that answer to one pedal swing alike: 8 Hz at 10 rpm, each with its own noise."""
    rng = np.random.default_rng(2)
    times = np.arange(0, 20, 0.01)
    swing = 600 * np.sin(times / 4) + 10 * np.sin(2 * np.pi * 8 * times)
    one, other = (swing + rng.normal(0, 0.8, len(times)) for _ in range(2))
    assert noises(times, np.round(one * 2) / 2, 0.97 * np.round(other * 2) / 2, 0.5) == {}


def test_a_ramp_in_coarse_steps_is_no_noise():
    """Rounding bends both by one step in the same places."""
    times = np.arange(0, 20, 0.01)
    ramp = np.round(37 * times / 5) * 5
    assert noises(times, ramp, np.round(0.97 * 37 * times / 5) * 5, 5.0) == {}


def test_a_subject_is_doubted_by_what_it_rests_on_and_by_what_it_shows():
    twins = {WINDING: ("why", "same-sensor")}
    for subject in (Subject("a", needs=(WINDING,)), Subject("a", needs=(REAR,), shows=(WINDING,))):
        (doubt,) = twin_doubts(twins, subject)
        assert (doubt.reason, doubt.text, doubt.code) == ("sensor-suspect", "why", "same-sensor")
    assert twin_doubts(twins, Subject("a", needs=(REAR,))) == []


def test_it_does_not_matter_how_the_run_is_cut():
    roles = {INVERTER: 17 + RISE, WINDING: 17 + RISE}
    assert doubted(roles, cuts=(1, 2, 50)) == doubted(roles)
