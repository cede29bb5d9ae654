"""Two bursts alike, by hand: from 8 to 11 s and from 13 to 16 s, 12 Nm at 900 rpm, 1.1 kW.

The pack gives 1.3 times that and 600 W more, 5.2 A at 400 V.
"""

import numpy as np
import pytest

from tests.trust.test_feedback import CURRENT, TIMES, amps, link, load, remarks

SPEED, TORQUE = "units__front__speed", "units__front__torque"


def told(second):
    """What is said of the current if the second burst takes so many times the first one's."""
    one, again = load(TIMES), load(TIMES - 5.0)
    both = one + again
    given_A = [(1.3 * 12 * 94.2 * part**2 + 600 * part) / 400 for part in (one, again)]
    charge = amps(TIMES) - 20 * one
    columns = {
        SPEED: 900 * both,
        TORQUE: 12 * both,
        "pack__current": charge + given_A[0] + second * given_A[1] + 0.05 * np.sin(1e3 * TIMES),
        "pack__voltage": 400.0 - 10 * both + 0.1 * np.sin(977 * TIMES),
        "units__front__link_voltage": np.where(TIMES < 20.0, link(TIMES) - 10 * again, link(TIMES)),
    }
    return remarks(**columns).get(CURRENT, "")


@pytest.mark.parametrize(
    ("second", "wrong"), [(1.0, False), (2.5, True), (2.0, True), (1.3, False)]
)
def test_bursts_alike_take_the_same(second, wrong):
    assert ("of the same torque, speed and length" in told(second)) == wrong
