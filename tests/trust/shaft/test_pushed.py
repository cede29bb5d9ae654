"""Shafts that are pushed and stand, with the vehicle of test_feedback.py: it turns at 8 s."""

import numpy as np
import pytest

from tests.trust.test_feedback import TIMES, healthy, load, remarks

STARTS = (TIMES >= 8.0) & (TIMES < 8.5)


@pytest.mark.parametrize(
    ("newton", "brake", "told"), [(60.0, 0, True), (60.0, 1, False), (20.0, 0, False)]
)
def test_a_torque_that_would_turn_any_shaft_and_turns_none_is_not_believed(newton, brake, told):
    """60 Nm for 0.3 s turn 1 kg m2 by 18 rad/s, 172 rpm; a pressed brake holds them."""
    pushes = newton * ((TIMES >= 14) & (TIMES < 14.4))
    said = remarks(
        units__front__torque=60 * load(TIMES) + pushes,
        driver__brake=np.full(len(TIMES), brake),
        cuts=(14.1, 14.33),
    )
    assert any("its shaft stood" in text for text in said.values()) == told


@pytest.mark.parametrize(
    ("newton_m", "lasts_s", "pedal", "brake", "told"),
    [
        (12.0, 1.0, 20.0, 0, True),
        (12.0, 0.25, 20.0, 0, False),  # too short to turn it
        (8.0, 3.0, 20.0, 0, False),  # less than what it started by: friction holds it
        (12.0, 1.0, 0.0, 0, False),  # a unit that holds its shaft
        (12.0, 1.0, 20.0, 1, False),
    ],
)
def test_a_shaft_that_stands_under_more_than_what_had_turned_it(
    newton_m, lasts_s, pedal, brake, told
):
    """It starts at 8 s by 12 Nm and less than 5 Nms."""
    half_s = lasts_s / 2
    later = np.abs(TIMES - 14 - half_s) < half_s
    said = remarks(
        units__front__torque=12 * STARTS + newton_m * later,
        driver__pedal=20.0 * (load(TIMES) > 0) + pedal * later,
        driver__brake=brake * later.astype(float),
        cuts=(8.2, 14.33),
    )
    assert any("stood under" in text for text in said.values()) == told


@pytest.mark.parametrize(
    ("lasts_s", "rpm", "told"), [(1.5, 40.0, True), (0.25, 40.0, False), (1.5, 60.0, False)]
)
def test_a_shaft_that_creeps_under_far_more_than_what_had_turned_it(lasts_s, rpm, told):
    """It starts by less than 5 Nms at 8 s, and creeps at less than 50 rpm from 14 s on."""
    half_s = lasts_s / 2
    later = np.abs(TIMES - 14 - half_s) < half_s
    said = remarks(
        units__front__torque=12 * STARTS + 12.0 * later,
        units__front__speed=np.where(later, rpm, np.asarray(healthy()["units.front.speed"])),
        driver__pedal=20.0 * ((load(TIMES) > 0) | later),
        driver__brake=np.zeros(len(TIMES)),
    )
    assert any("crept under" in text for text in said.values()) == told


def test_a_push_that_goes_on_as_the_run_ends_counts():
    later = TIMES >= 28
    said = remarks(
        units__front__torque=12.0 * (STARTS | later),
        driver__pedal=20.0 * ((load(TIMES) > 0) | later),
        driver__brake=np.zeros(len(TIMES)),
        contactors__negative=np.where(later, 1.0, np.asarray(healthy()["contactors.negative"])),
        contactors__positive=np.where(later, 1.0, np.asarray(healthy()["contactors.positive"])),
    )
    assert any("stood under" in text for text in said.values())
