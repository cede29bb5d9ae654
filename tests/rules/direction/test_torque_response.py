"""torque-response, worked by hand: starts from standstill with at least 5 Nm; limit 0 rpm."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

SPEED, TORQUE = "units.front.speed", "units.front.torque"
TIMES = np.round(np.arange(0, 8, 0.01), 3)
CYCLES = {SPEED: 0.01, TORQUE: 0.01}


def inside(start_s, end_s):
    """Where a sample lies in [start, end)."""
    begin, end = np.searchsorted(TIMES, (start_s - 1e-9, end_s - 1e-9))
    return (np.arange(len(TIMES)) >= begin) & (np.arange(len(TIMES)) < end)


def ramp(to_rpm, start_s=3.0):
    """From standstill at ``start_s`` by 1000 rpm a second."""
    return np.clip(np.round((TIMES - start_s) * 1000) * np.sign(to_rpm), *sorted((0, to_rpm)))


def during(start_s, end_s, value):
    return np.where(inside(start_s, end_s), value, 0.0)


def judge(speed, torque, u=None, **more):
    roles = {SPEED: (TIMES, speed), TORQUE: (TIMES, torque)}
    return run("torque-response", roles, u=u, cycles_s=CYCLES, **more)["front"]


@pytest.mark.parametrize("sense", [1, -1])
def test_a_unit_that_starts_along_its_torque_passes(sense):
    finding = judge(ramp(sense * 700), sense * during(2.95, 3.7, 12.0))
    assert (finding.verdict, finding.measured, finding.at_s) == (Verdict.PASS, 50.0, 3.05)
    assert f"{sense * 12:+.0f} Nm" in finding.sentence


@pytest.mark.parametrize("sense", [1, -1])
def test_a_unit_that_starts_against_its_torque_fails(sense):
    finding = judge(ramp(-sense * 700), sense * during(2.95, 6, 12.0))
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, -50.0, -50.0)
    assert "offset" in finding.causes[0]
    assert any("phases" in cause for cause in finding.causes)


def test_braking_while_it_turns_is_no_start():
    speed = ramp(700) + np.clip((5 - TIMES) * 700, -700, 0)
    torque = during(2.95, 3.7, 12.0) - during(5, 6, 12.0)
    finding = judge(speed, torque)
    assert (finding.verdict, finding.measured) == (Verdict.PASS, 50.0)


def test_less_than_5_Nm_is_not_judged():
    finding = judge(ramp(-700), during(2.95, 3.7, -4.9))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_without_a_standstill_of_a_second_it_is_no_start():
    finding = judge(ramp(-700, start_s=0.5), during(0.4, 1.2, -12.0))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_torque_of_both_senses_is_not_judged():
    finding = judge(ramp(700), during(2.95, 3.0, -12.0) + during(3.0, 3.7, 12.0))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_every_start_is_judged_and_a_fail_stays():
    speed = ramp(700) - ramp(700, start_s=4.5) - ramp(400, start_s=6.9)
    finding = judge(speed, during(2.95, 3.6, 12.0) + during(6.85, 8, 12.0))
    # Stands from 5.2 s to 6.9 s, then turns back although the torque points forward.
    assert (finding.verdict, finding.first_failed_s) == (Verdict.FAIL, 6.95)


def test_torque_that_is_no_longer_known_is_not_judged():
    torque = np.where(TIMES > 2.5, np.nan, 0.0)
    assert judge(ramp(-700), torque).verdict is Verdict.UNPROVEN


CASES = [
    (ramp(700), during(2.95, 6, 12.0)),
    (ramp(-700), during(2.95, 6, 12.0)),
    (ramp(700), during(2.95, 3.0, -12.0) + during(3.0, 6, 12.0)),
]


@pytest.mark.parametrize("case", CASES)
def test_cutting_changes_nothing(case):
    assert judge(*case, cuts="each") == judge(*case)
    assert judge(*case, cuts=[1.0, 3.02, 3.05]) == judge(*case)
