"""speed-ceiling, worked by hand: ceiling 1500 rpm, speed known to +-0.5 rpm."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

TIMES = np.round(np.arange(0, 8, 0.05), 3)


def judge(peak_rpm, rules=None, **more):
    ramp = np.clip((TIMES - 2) / 1.0, 0, 1) * peak_rpm * (TIMES < 5)
    roles = {
        "units.front.speed": (TIMES, ramp),
        "units.rear.speed": (TIMES, np.where(TIMES > 6, 400.0, 0.0)),
    }
    rules = {"speed_rpm": 1500.0} if rules is None else rules
    return run("speed-ceiling", roles, rules=rules, u={"units.front.speed": 0.5}, **more)


def test_an_over_speed_fails_that_unit_alone():
    found = judge(3000.0)
    finding = found["front"]
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 3000.0, -1500.0)
    # 3000 rpm in 1 s from 2 s: 1500 rpm at 2.5 s, above it with the next sample of 50 ms.
    assert finding.first_failed_s == 2.55
    assert found["rear"].verdict is Verdict.PASS


def test_reverse_counts_as_well():
    assert judge(-3000.0)["front"].margin == -1500.0


def test_below_the_ceiling_passes():
    finding = judge(1400.0)["front"]
    assert (finding.verdict, finding.margin, finding.uncertainty) == (Verdict.PASS, 100.0, 0.5)


def test_at_the_ceiling_is_too_close_to_call():
    assert judge(1500.0)["front"].reason == "too-close-to-call"


def test_without_a_ceiling_nothing_passes():
    assert judge(100.0, rules={})["front"].reason == "no-limit"


def test_a_unit_that_never_turned_is_unproven():
    # Below 50 rpm nothing turns; the raw value moves, so the sensor is not suspect.
    assert judge(20.0)["front"].reason == "not-exercised"


def test_a_bench_without_units_keeps_its_finding():
    found = run("speed-ceiling", {"pack.voltage": (TIMES, 400.0)}, rules={"speed_rpm": 1500.0})
    assert {f.subject: f.reason for f in found.values()} == {"axles": "not-bound"}


def test_a_speed_at_the_end_of_its_range_does_not_pass():
    assert judge(655.35)["front"].reason == "sensor-suspect"  # 16 bits of 0.01 rpm, all ones


@pytest.mark.parametrize("peak_rpm", [1400.0, 3000.0])
def test_cutting_changes_nothing(peak_rpm):
    assert judge(peak_rpm, cuts="each") == judge(peak_rpm)
