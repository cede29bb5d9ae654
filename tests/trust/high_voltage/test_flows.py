"""What flows is taken by something, with the vehicle of test_feedback.py (400 V, 20 A)."""

import numpy as np
import pytest

from tests.trust.test_feedback import CURRENT, TIMES, healthy, load, remarks


@pytest.mark.parametrize(
    ("amps", "torque", "told"), [(10.0, 0.0, True), (5.0, 0.0, False), (10.0, 4.0, False)]
)
def test_kilowatts_that_flow_while_no_unit_gives_torque_are_not_believed(amps, torque, told):
    """4 kW are more than a converter takes; 2 kW, or a unit that holds its shaft, are not."""
    flows = (TIMES >= 14) & (TIMES < 15)
    said = remarks(
        pack__current=healthy()[CURRENT] + amps * flows,
        units__front__torque=60 * load(TIMES) + torque * flows,
    )
    assert ("nothing of the run takes it" in said.get(CURRENT, "")) == told


@pytest.mark.parametrize(
    ("closed_A", "open_A", "told"), [(-2.5, 0.0, True), (-2.5, -2.5, False), (-0.8, 0.0, False)]
)
def test_a_pack_that_is_fed_at_rest_is_not_believed(closed_A, open_A, told):
    """From 12 to 18 s; a sensor whose zero is off reads as much with all contactors open."""
    flows = np.where((TIMES >= 12) & (TIMES < 18), closed_A, open_A)
    torque = 5 * load(TIMES)
    said = remarks(pack__current=healthy()[CURRENT] + flows, units__front__torque=torque)
    assert ("nothing of the run feeds the pack" in said.get(CURRENT, "")) == told


@pytest.mark.parametrize(("torque", "told"), [(60.0, False), (5.0, True)])
def test_far_more_than_the_shafts_take_is_told(torque, told):
    """20 A are 7.8 kW; 60 Nm at 900 rpm 5.7 kW, 5 Nm 0.5 kW, of which losses are no 7 kW."""
    said = remarks(units__front__torque=torque * load(TIMES), cuts=(8.9, 9.1))
    assert ("losses took" in said.get(CURRENT, "")) == told
