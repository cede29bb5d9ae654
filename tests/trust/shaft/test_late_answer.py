"""Torque that comes long after the pedal, with the vehicle of test_feedback.py: it turns at 8 s."""

import numpy as np
import pytest

from tests.trust.test_feedback import TIMES, load, remarks

TORQUE = np.where(load(TIMES) > 0, 20.0, 0.0)
BEFORE_S = float(TIMES[np.argmax(TORQUE > 0)]) - TIMES  # that it begins


@pytest.mark.parametrize(
    ("pressed_s", "released_s", "chosen_s", "told"),
    [
        (1.5, 3.0, 3.0, True),
        (0.8, 3.0, 3.0, False),
        (3.0, 0.8, 3.0, False),  # the brake is released last
        (3.0, 3.0, 0.8, False),  # or the direction chosen
        (3.0, 1.5, 3.0, True),
    ],
)
def test_torque_that_comes_long_after_the_pedal_answers_to_something_else(
    pressed_s, released_s, chosen_s, told
):
    """So many seconds before it; all three are there from the shortest of them on."""
    said = remarks(
        units__front__torque=TORQUE,
        driver__pedal=np.where((pressed_s >= BEFORE_S) & (TIMES < 10.5), 20.0, 0.0),
        driver__brake=(released_s < BEFORE_S).astype(float),
        driver__direction=(chosen_s >= BEFORE_S).astype(float),
        cuts=(7.3, 8.6),
    )
    assert any("before any unit gave torque" in text for text in said.values()) == told
