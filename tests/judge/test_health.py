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
        (np.where(T < 1, 0.3, 0.5), "never changed while a unit turned"),
    ],
    ids=["stuck from the start", "stuck before the first burst"],
)
def test_a_stuck_current_is_no_pass(current, told):
    finding = current_ceiling(current)["pack"]
    assert (finding.verdict, finding.reason) == ("unproven", "sensor-suspect")
    assert told in finding.sentence


def test_a_stuck_current_lifts_no_fail():
    assert current_ceiling(np.full(len(T), 40.0))["pack"].verdict == "fail"


def test_a_brake_that_was_pressed_all_the_time_proves_no_interlock():
    assert judge("brake-interlock", ROLES)["driver"].verdict == "pass"
    stuck = ROLES | {"driver.brake": (T, np.ones(len(T)))}
    finding = judge("brake-interlock", stuck)["driver"]
    assert (finding.verdict, finding.reason) == ("unproven", "sensor-suspect")
