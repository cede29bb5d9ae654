"""A shaft's speed is what its torque makes it, worked by hand.

0.1 kgm^2 with 2 Nm of friction: 12 Nm speed it up by 100 rad/s^2, 955 rpm a second; -4 Nm slow it
down by 60 rad/s^2, 573 rpm a second. All thresholds: common practice, no source.
"""

import numpy as np
import pytest

from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS
from canscope.trust.shaft.shaft_balance import balance

T = np.round(np.arange(0, 8, 0.01), 3)
RPM_PER_RAD_S = 60 / (2 * np.pi)


def held(*points):
    at, values = zip(*points, strict=True)
    return np.array(values, float)[np.searchsorted(at, T, "right") - 1]


# 12 Nm from 1 s to 1.4 s, 6 Nm to 1.9 s, just the friction to 4 s, then -4 Nm until it stands.
TORQUE = held((0, 0), (1, 12), (1.4, 6), (1.9, 2), (4, -4), (5, 0))


def shaft(torque=TORQUE, friction=2.0):
    """Speed in rpm, by small steps: acceleration is torque less friction over 0.1 kgm^2."""
    omega, speeds = 0.0, []
    for newton in np.repeat(torque, 10):
        omega = max(omega + (newton - friction) / 0.1 * 0.001, 0.0)
        speeds.append(omega * RPM_PER_RAD_S)
    return np.array(speeds)[::10]


def samples(values):
    times = np.round(T * SECOND_NS).astype(np.int64)
    return Samples(times, values, np.zeros(len(T), np.int64), np.zeros(len(T), np.uint8))


def left(speed=None, torque=TORQUE):
    speed = shaft() if speed is None else speed
    found = balance(samples(speed), samples(torque), 1.0)
    return found if found is not None and found.left_rpm else None


def test_a_shaft_that_its_torque_turns_leaves_nothing():
    assert left() is None
    assert left(torque=3 * TORQUE) is None  # a factor is another's matter


def test_one_reading_that_comes_0_1_s_later_than_the_other_is_allowed():
    assert left(torque=np.roll(TORQUE, 10)) is None
    assert left(torque=np.roll(TORQUE, -10)) is None


@pytest.mark.parametrize(
    "torque",
    [
        np.minimum(TORQUE, 6),  # twice the acceleration at the same torque
        np.where((T > 1.35) & (T < 1.75), 12, TORQUE),  # held
        np.where(TORQUE > 0, 6, TORQUE),  # asked for
        np.abs(TORQUE),
    ],
)
def test_a_torque_that_is_not_the_shafts_leaves_some_of_the_speed(torque):
    found = left(torque=torque)
    assert found is not None
    assert abs(found.left_rpm) > 0.06 * shaft().max()


def test_a_speed_that_is_clipped_or_smoothed_is_not_what_the_torque_makes_it():
    speed, slow = shaft(), []
    assert left(np.minimum(speed, 0.85 * speed.max())) is not None
    for rpm in speed:
        slow.append((slow[-1] if slow else 0) + (rpm - (slow[-1] if slow else 0)) / 40)
    assert left(np.array(slow)) is not None


def low_pass(column, tau_s):
    """First order, in the steps of T: what is left of a step falls by exp(-0.01 s / tau) a row."""
    share, last, shown = 1 - np.exp(-0.01 / tau_s), 0.0, []
    for value in column:
        last += share * (value - last)
        shown.append(last)
    return np.array(shown)


@pytest.mark.parametrize("tau_s", [0.2, 0.25, 0.3])
def test_a_low_pass_of_a_controller_is_found_and_told(tau_s):
    found = balance(samples(low_pass(shaft(), tau_s)), samples(TORQUE), 1.0)
    assert (found.left_rpm, found.speed_late_s) == (0.0, pytest.approx(tau_s, abs=0.03))
    assert found.rpm_per_Nms == pytest.approx(95.5, rel=0.03)
    found = balance(samples(shaft()), samples(low_pass(TORQUE, tau_s)), 1.0)
    assert (found.left_rpm, found.speed_late_s) == (0.0, 0.0)


def test_a_low_pass_of_04_s_is_none_of_a_controller():
    assert left(low_pass(shaft(), 0.4)) is not None
    assert left(torque=low_pass(TORQUE, 0.4)) is not None


def test_friction_only_ever_takes():
    """Without that, 6 Nm all along would explain a unit that 12 Nm sped up."""
    torque = held((0, 0), (1, 6), (1.9, 2), (4, -4), (5, 0))
    found = left(torque=torque)
    assert found is not None


def test_little_speed_says_nothing():
    assert left(shaft() * 60 / shaft().max(), np.abs(TORQUE)) is None


def test_its_inertia_is_told():
    """1 Nm in 1 s on 0.1 kgm^2 are 10 rad/s, or 95.5 rpm; of a torque that is half, twice that."""
    found = balance(samples(shaft()), samples(TORQUE), 1.0)
    assert found.rpm_per_Nms == pytest.approx(95.5, rel=0.02)
    found = balance(samples(shaft()), samples(TORQUE / 2), 1.0)
    assert found.rpm_per_Nms == pytest.approx(191, rel=0.02)
