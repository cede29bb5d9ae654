"""A brake under which a vehicle rolls on, with the vehicle of test_feedback.py on the road."""

import numpy as np
import pytest

from tests.trust.test_feedback import TIMES, remarks


@pytest.mark.parametrize(
    ("stage", "stops_s", "released_s", "told"),
    [
        ("rolling", 8.0, 20.0, True),  # 600 rpm lose 75 a second: 375 are left after 3 s
        ("rolling", 2.0, 20.0, False),
        ("rolling", 8.0, 12.5, False),  # it is pressed for 2.5 s
        ("dry-spin", 8.0, 20.0, False),
    ],
)
def test_a_vehicle_that_rolls_on_under_its_brake(stage, stops_s, released_s, told):
    """At 600 rpm from 8.5 s on, pressed at 10 s."""
    said = remarks(
        stage=stage,
        units__front__speed=np.interp(TIMES, [8, 8.5, 10, 10 + stops_s], [0, 600, 600, 0]),
        driver__brake=((TIMES >= 10) & (released_s > TIMES)).astype(float),
        cuts=(9.9, 12.2, 14.0),
    )
    assert any("rolled on" in text for text in said.values()) == told
