"""Inputs that say that nothing may drive, while a unit is driven, by hand.

The burst of the vehicle of test_feedback.py lasts from 8 to 11 s, full from 8.3 to 10.5 s; its
contactors open at 20 s. It drives with 5 Nm at 900 rpm.
"""

import numpy as np
import pytest

from tests.rules.vehicle import state
from tests.trust.test_feedback import TIMES, load, remarks


def pushed(*, until_s=10.5, fall_s=0.0):
    """Torque of the burst, which ends at an instant, in so many seconds."""
    return 5 * load(TIMES) * np.interp(TIMES, [until_s, until_s + fall_s + 0.02], [1, 0])


@pytest.mark.parametrize(
    ("role", "changes", "word"),
    [
        ("driver__ignition", ((0.0, 1), (9.0, 0), (9.6, 1)), "read off for 0.6 s"),
        ("driver__brake", ((9.0, 1), (9.6, 0)), "read pressed for 0.6 s"),
        ("driver__ignition", ((0.0, 1), (9.0, 0), (12.0, 1)), "read off for 2.0 s"),  # to its end
        (
            "driver__pedal",
            ((0.0, 0.5), (8.0, 18.0), (9.0, 2.5), (9.6, 18.0)),
            "read at rest for 0.6 s",
        ),
        ("driver__direction", ((0.0, 0), (7.0, 1), (9.0, 0)), "read neutral for 2.0 s"),
    ],
)
def test_an_input_against_which_a_unit_is_driven_on_is_not_believed(role, changes, word):
    told = remarks(**{role: state(TIMES, *changes), "units__front__torque": pushed()})
    said = told[role.replace("__", ".")]
    assert f"{word} while the front unit was driven on, at 5.0 Nm and 900 rpm and more" in said


@pytest.mark.parametrize("drives_on_s", [0.6, 0.8])
def test_a_unit_that_is_driven_on_with_the_pedal_at_rest_is_told_after_what_inputs_may_be_early(
    drives_on_s,
):
    """The pedal is at rest from 9 s on, and the unit gives 5 Nm for so much longer."""
    pedal = state(TIMES, (0.0, 0.5), (8.0, 18.0), (9.0, 0.5))
    said = remarks(driver__pedal=pedal, units__front__torque=pushed(until_s=9 + drives_on_s))
    assert ("driver.pedal" in said) is (drives_on_s > 0.65)


@pytest.mark.parametrize(
    "torque",
    [pushed(until_s=9.1), pushed(until_s=9.0, fall_s=0.5), 0 * TIMES],
    ids=["cut", "ramp", "coasting"],
)
def test_a_unit_whose_torque_is_taken_back_obeys(torque):
    told = remarks(driver__brake=state(TIMES, (9.0, 1), (9.6, 0)), units__front__torque=torque)
    assert "driver.brake" not in told


def test_a_brake_too_short_to_answer_to_says_nothing():
    told = remarks(driver__brake=state(TIMES, (9.0, 1), (9.3, 0)), units__front__torque=pushed())
    assert "driver.brake" not in told


@pytest.mark.parametrize(("times", "told"), [(3, True), (2, False)])
def test_a_brake_that_comes_and_goes_while_a_unit_is_driven_on_is_not_believed(times, told):
    """Pressed for 0.2 s in every 0.4 s: a foot may touch it twice."""
    presses = [(8.6 + 0.2 * k, (k + 1) % 2) for k in range(2 * times)]
    said = remarks(driver__brake=state(TIMES, *presses), units__front__torque=pushed())
    assert ("driver.brake" in said) is told
    assert not told or "pressed 3 times for" in said["driver.brake"]


@pytest.mark.parametrize(("off_s", "told"), [(8.0, "read off for 12 s"), (14.0, ""), (26.0, "")])
def test_contactors_that_stay_closed_long_after_key_off_are_told(off_s, told):
    """They open at 20 s: 12 s and 6 s after key-off, or before it."""
    said = remarks(driver__ignition=state(TIMES, (0.0, 1), (off_s, 0))).get("driver.ignition", "")
    assert bool(said) == bool(told)
    assert told in said


def test_a_unit_that_speeds_up_under_a_pressed_brake_is_told_whatever_its_torque_was():
    """It gives 12 Nm until 8.2 s and 5 Nm from then on; the brake reads pressed from 8.15 s on."""
    torque = np.where(TIMES < 8.2, 12.0, 5.0) * load(TIMES)
    rising = np.interp(TIMES, [8.0, 9.3, 10.5, 11.0], [0, 900, 900, 0])
    brake = state(TIMES, (8.16, 1), (12.0, 0))
    told = remarks(driver__brake=brake, units__front__torque=torque, units__front__speed=rising)
    assert "while the front unit was driven on" in told["driver.brake"]


@pytest.mark.parametrize(("released_s", "told"), [(3.0, True), (2.8, True), (2.5, False)])
def test_a_stop_that_is_released_just_as_the_first_contactor_closes_is_not_believed(
    released_s, told
):
    """The first one closes at 3.0 s: nobody asks for it within 0.3 s of the release."""
    said = remarks(driver__emergency_stop=state(TIMES, (0.0, 1), (released_s, 0)))
    assert ("a reset starts nothing" in said.get("driver.emergency.stop", "")) == told


@pytest.mark.parametrize(
    ("on_s", "told"), [(6.6, "read off"), (5.0, "until 2.0 s after the first"), (3.9, "")]
)
def test_contactors_that_close_long_before_the_ignition_are_told(on_s, told):
    """The first one closes at 3.0 s, both main contactors are closed from 4.52 s on."""
    said = remarks(driver__ignition=state(TIMES, (on_s, 1))).get("driver.ignition", "")
    assert bool(said) == bool(told)
    assert told in said


@pytest.mark.parametrize(
    ("off_s", "on_s", "told"),
    [(13.0, 18.0, "read off for 5.0 s and on again"), (13.0, 13.8, ""), (1.0, 2.5, "")],
)
def test_an_ignition_that_goes_off_and_on_while_contactors_stay_closed_is_told(off_s, on_s, told):
    """Between the burst and the opening, for longer than it may be late; or before they closed."""
    ignition = state(TIMES, (0.0, 1), (off_s, 0), (on_s, 1))
    said = remarks(driver__ignition=ignition).get("driver.ignition", "")
    assert bool(said) == bool(told)
    assert told in said
