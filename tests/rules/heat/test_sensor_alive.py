"""sensor-alive: off the rails (-40 +-2 degC, end of range, not available), and it moved once."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

FAST = np.round(np.arange(0, 20, 0.1), 3)
SLOW = np.round(np.arange(0, 20, 0.5), 3)
WINDING, SPEED = "units.front.temperatures.winding", "units.front.speed"
WARMING = np.where(SLOW >= 12, 21.0, 20.0)


def judge(degC, **more):
    turns = (FAST >= 10) & (FAST < 13)
    roles = {WINDING: (SLOW, degC), SPEED: (FAST, np.where(turns, 800.0, 0.0))}
    return run("sensor-alive", roles, **more)["front winding"]


def test_a_sensor_that_moved_by_one_step_passes_at_that_instant():
    finding = judge(WARMING)
    assert (finding.verdict, finding.at_s, finding.required) == (Verdict.PASS, 12.0, True)


def test_a_frozen_sensor_is_suspect_and_never_failed():
    finding = judge(20.0)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert finding.code == "never-changed"


TWO = ((FAST >= 3) & (FAST < 6)) | ((FAST >= 10) & (FAST < 13))
AFTER = np.clip(SLOW - 3, 0, 3)  # three kelvin in three seconds, in steps of half a kelvin


def over_two_bursts(degC, turning=TWO, **more):
    roles = {WINDING: (SLOW, degC), SPEED: (FAST, np.where(turning, 800.0, 0.0))}
    return run("sensor-alive", roles, **more)["front winding"]


def test_a_sensor_that_freezes_between_two_bursts_is_suspect():
    finding = over_two_bursts(20.0 + AFTER)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "stood still over one burst" in finding.sentence
    assert over_two_bursts(20.0 + AFTER, cuts=(3.1, 5, 6.9, 10.15, 14)).reason == "sensor-suspect"


def test_a_sensor_that_follows_both_bursts_passes():
    assert over_two_bursts(20.0 + AFTER + np.clip(SLOW - 10, 0, 3)).verdict is Verdict.PASS


@pytest.mark.parametrize(("until_s", "reason"), [(10.3, None), (10.8, "sensor-suspect")])
def test_a_second_burst_has_to_be_long_enough_to_show_three_steps(until_s, reason):
    """Twenty steps of 0.01 K after three seconds: two after 0.3 s, five after 0.8 s."""
    turning = ((FAST >= 3) & (FAST < 6)) | ((FAST >= 10) & (until_s > FAST))
    assert over_two_bursts(20.0 + np.clip(SLOW - 3, 0, 2) / 10, turning).reason == reason


def test_an_earlier_run_in_which_it_moved_is_enough():
    finding = judge(20.0, bench={"moved_before": frozenset({WINDING})})
    assert finding.verdict is Verdict.PASS
    assert "earlier run" in finding.sentence


@pytest.mark.parametrize("rail", [-40.0, -38.0, -42.0, 655.35])  # 655.35: 16 bits, all ones
def test_a_sensor_that_goes_to_a_rail_is_suspect(rail):
    finding = judge(np.where((SLOW > 15) & (SLOW < 17), rail, WARMING))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert finding.code == "at-end-of-range"


QUICK = np.round(np.arange(0, 20, 0.2), 3)


def test_a_sensor_that_falls_at_once_by_more_than_anything_cools_is_suspect():
    """Its wire breaks for 2 s while the unit turns: 21 degC, then 0 degC at the next reading."""
    turns = (FAST >= 10) & (FAST < 13)

    def alive(degC, cuts=None):
        roles = {WINDING: (QUICK, degC), SPEED: (FAST, np.where(turns, 800.0, 0.0))}
        return run("sensor-alive", roles, cuts=cuts)["front winding"]

    warming = np.where(QUICK >= 9, 21.0, 20.0)
    broken = np.where((QUICK > 11) & (QUICK < 13), 0.0, warming)
    finding = alive(broken)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "fell by 21.0 K from one reading to the next" in finding.sentence
    assert alive(broken, cuts="each") == finding
    assert alive(np.where((QUICK > 11) & (QUICK < 13), 14.0, warming)).verdict is Verdict.PASS


def test_just_off_the_cold_rail_is_a_reading_though_a_cold_one():
    finding = judge(np.where(SLOW > 12.4, -37.9, WARMING), bench={"cold": True})
    assert "stood at the end of its range" not in finding.sentence
    assert "colder than all was before (20.0 degC)" in finding.sentence


def test_a_step_from_rail_to_rail_is_no_sign_of_life():
    assert judge(np.where(SLOW > 12, -39.0, -40.0)).reason == "sensor-suspect"


def test_a_rail_before_the_first_value_of_an_idle_vehicle_is_forgiven():
    assert judge(np.where(SLOW < 3, -40.0, WARMING)).verdict is Verdict.PASS


def test_a_step_off_the_rail_is_not_the_movement_asked_for():
    assert judge(np.where(SLOW < 3, -40.0, 20.0)).reason == "sensor-suspect"


def test_a_rail_while_the_unit_turns_is_suspect_even_before_the_first_value():
    assert judge(np.where(SLOW < 12, -40.0, 20.0 + (SLOW > 15))).reason == "sensor-suspect"


def test_a_sensor_that_never_had_a_value_does_not_pass():
    assert judge(np.nan).verdict is Verdict.UNPROVEN


def test_cutting_changes_nothing():
    assert judge(WARMING, cuts="each") == judge(WARMING)
    railed = np.where((SLOW > 15) & (SLOW < 17), -40.0, WARMING)
    assert judge(railed, cuts="each") == judge(railed)
