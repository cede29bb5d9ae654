"""The gentlest first spin is a full pass: 10 % of the pedal for 1 s, sensors of 1 K, from cold.

It warms a winding by half a kelvin, less than a step of its sensor.
"""

import pytest

from canscope.simulate.runs import make_run
from canscope.simulate.script import DrySpin
from tests.matrix.judging import report_of, wrongs_of


@pytest.mark.parametrize("vehicle", ["bramble-coarse", "thistle"])
def test_the_gentlest_first_spin_of_a_healthy_vehicle_passes(vehicle):
    run = make_run(vehicle, story=DrySpin(pedal_percent=10.0, burst_s=1.0), seed=3)
    report = report_of(run)
    assert wrongs_of(run, report) == []
