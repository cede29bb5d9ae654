"""units-fighting, worked by hand: braking power of at most 10 % of the driving power for 0.5 s.

P = T w: 10 Nm at 600 rpm (62.83 rad/s) is 628.3 W; 1 Nm is a tenth of it. Quadrants: speed and
torque of one sign drive, of opposite signs brake.
"""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

PEDAL = "driver.pedal"
TIMES = np.round(np.arange(0, 4, 0.01), 3)


def inside(start_s, end_s):
    """Where a sample lies in [start, end)."""
    begin, end = np.searchsorted(TIMES, (start_s - 1e-9, end_s - 1e-9))
    return (np.arange(len(TIMES)) >= begin) & (np.arange(len(TIMES)) < end)


def role(unit, word):
    return f"units.{unit}.{word}"


def judge(front=(10.0, 600.0), rear=(10.0, 600.0), pedal=20.0, u=None, **more):
    """(torque, speed) of each unit, constant or a value a sample."""
    columns = {PEDAL: pedal}
    for unit, (torque, speed) in {"front": front, "rear": rear}.items():
        columns |= {role(unit, "torque"): torque, role(unit, "speed"): speed}
    # Everything moves in the first sample, so that no sensor looks stuck.
    moved = {name: np.array(np.broadcast_to(v, TIMES.shape), float) for name, v in columns.items()}
    for name, values in moved.items():
        values[0] += 6 if name.endswith("speed") else 0.01
    roles = {name: (TIMES, values) for name, values in moved.items()}
    cycles = dict.fromkeys(roles, 0.01)
    return run("units-fighting", roles, cycles_s=cycles, u=u, **more)["units"]


def from_to(start_s, end_s, value, other):
    return np.where(inside(start_s, end_s), value, other)


def test_two_units_that_both_drive_pass():
    finding = judge()
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.PASS, 0.0, 10.0)


@pytest.mark.parametrize("speed", [600.0, -600.0])
def test_a_unit_that_brakes_against_the_other_fails(speed):
    sense = np.sign(speed)
    finding = judge((10.0 * sense, speed), (-2.5 * sense, speed))
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 25.0, -15.0)
    assert finding.first_failed_s == 0.5


def test_a_tenth_of_the_power_is_allowed():
    assert judge(rear=(-0.9, 600.0)).measured == pytest.approx(9.0)
    assert judge(rear=(-0.9, 600.0)).verdict is Verdict.PASS


def test_it_is_the_power_that_counts_and_not_the_torque():
    assert judge(rear=(-5.0, 100.0)).measured == pytest.approx(100 * 500 / 6000)


def test_less_than_half_a_second_is_tolerated():
    assert judge(rear=(from_to(1, 1.5, -5.0, 10.0), 600.0)).verdict is Verdict.PASS
    assert judge(rear=(from_to(1, 1.52, -5.0, 10.0), 600.0)).verdict is Verdict.FAIL


def test_at_the_limit_it_is_too_close_to_call():
    # u of the rear power: 0.05 Nm x 62.83 rad/s = 3.14 W of 628.3 W, 0.5 %; of the front likewise.
    u = {role("front", "torque"): 0.05, role("rear", "torque"): 0.05}
    finding = judge(rear=(-1.03, 600.0), u=u)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "too-close-to-call")
    # 100 (3.1416 + 64.717 x 3.1416 / 628.32) / 628.32
    assert finding.uncertainty == pytest.approx(0.5515, abs=1e-4)


def test_while_the_pedal_moves_nothing_is_judged():
    moving = 20 + 10 * np.sin(TIMES * 6)
    finding = judge(rear=(-5.0, 600.0), pedal=moving)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_units_that_only_coast_prove_nothing():
    for torque in (0.0, -3.0):
        finding = judge((torque, 600.0), (torque, 600.0))
        assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_a_unit_without_values_is_not_judged():
    finding = judge(rear=(np.full(len(TIMES), np.nan), 600.0))
    assert finding.verdict is Verdict.UNPROVEN


def test_one_unit_alone_has_nobody_to_fight():
    alone = {PEDAL: (TIMES, 20.0), role("front", "torque"): (TIMES, 10.0)}
    assert run("units-fighting", alone) == {}


CASES = [
    {"rear": (from_to(1, 1.52, -5.0, 10.0), 600.0)},
    {"rear": (-0.9, 600.0)},
    {"rear": (-5.0, 600.0), "pedal": from_to(1.2, 1.3, 30.0, 20.0)},
]


@pytest.mark.parametrize("case", CASES)
def test_cutting_changes_nothing(case):
    assert judge(**case, cuts="each") == judge(**case)
    assert judge(**case, cuts=[0.505, 1.25, 1.51]) == judge(**case)
