"""temperature-ceiling, worked by hand: winding at most 110 degC, read to +-0.5 degC.

The watch after the last burst is 60 s (common practice, no source).
"""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from canscope.rules import RULES
from tests.rules.harness import judge as run

FAST = np.round(np.arange(0, 80, 0.1), 3)
SLOW = np.round(np.arange(0, 80, 0.5), 3)
TURNS = (FAST >= 5) & (FAST < 8)
WINDING, SPEED = "units.front.temperatures.winding", "units.front.speed"
CEILING = {"ceiling_degC": {"winding": 110.0}}


def judge(degC, until_s=80.0, turns=TURNS, rules=CEILING, heard_s=80.0, **more):
    """Temperature as given at SLOW; one burst from 5 to 8 s; the capture ends at ``until_s``."""
    fast, slow = until_s > FAST, min(until_s, heard_s) > SLOW
    roles = {
        WINDING: (SLOW[slow], np.broadcast_to(degC, SLOW.shape)[slow]),
        SPEED: (FAST[fast], np.where(turns, 800.0, 0.0)[fast]),
    }
    return run("temperature-ceiling", roles, rules=rules, u={WINDING: 0.5}, **more)["front winding"]


def hill(peak_degC, at_s=20.0):
    return np.interp(SLOW, [0, at_s, 79], [20, peak_degC, 20])


def test_heat_that_soaks_out_after_the_stop_fails():
    finding = judge(hill(130.0))
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 130.0, -20.0)
    # 20 + 5.5 t > 110.5 from t = 16.45 s on; the next sample is at 16.5 s.
    assert (finding.first_failed_s, finding.at_s) == (16.5, 20.0)


def test_below_the_ceiling_passes():
    finding = judge(hill(60.0))
    assert (finding.verdict, finding.margin, finding.limit_source) == (Verdict.PASS, 50.0, "plan")


def test_at_the_ceiling_is_too_close_to_call():
    assert judge(hill(109.7)).reason == "too-close-to-call"


def test_a_word_without_ceiling_has_no_limit():
    finding = judge(hill(60.0), rules={"ceiling_degC": {"inverter": 75.0}})
    assert finding.reason == "no-limit"
    assert "winding" in finding.sentence


@pytest.mark.parametrize(("value", "reason"), [(np.nan, "not-available"), (np.inf, "out-of-range")])
def test_a_single_missing_value_while_heat_soaks_out_keeps_the_pass_away(value, reason):
    """Out of its declared range it may be hotter than the ceiling for all that is known."""
    finding = judge(np.where(SLOW == 30, value, hill(60.0)))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, reason)
    # Before the first burst, and once heat has soaked out, it takes nothing away.
    assert judge(np.where((SLOW == 1) | (SLOW == 70), value, hill(60.0))).verdict is Verdict.PASS
    assert judge(np.where(SLOW == 30, value, hill(130.0))).verdict is Verdict.FAIL


def test_a_recording_that_ends_before_60_s_after_the_burst_is_unproven():
    finding = judge(hill(60.0), until_s=38.05)  # the speed falls below 30 rpm at 8.0 s
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert "ended 30.0 s after the last burst" in finding.sentence
    assert judge(hill(60.0), until_s=68.05).verdict is Verdict.PASS


def test_a_recording_that_ends_while_turning_is_unproven():
    assert judge(hill(60.0), until_s=7.0).reason == "not-exercised"


def test_a_sensor_that_falls_silent_while_heat_soaks_is_stale():
    finding = judge(hill(60.0), heard_s=30.0)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def test_a_hole_in_the_watch_is_stale_too():
    degC = np.where((SLOW > 30) & (SLOW < 40), np.nan, hill(60.0))
    absent = judge(degC)  # its message came, without a value
    assert (absent.reason, absent.verdict) == ("not-available", Verdict.UNPROVEN)
    assert (
        absent.short == "Front winding: while heat soaked out, it read 65535, which means no value."
    )
    # After the watch it does not matter: it ends at 68 s.
    assert judge(np.where(SLOW > 69, np.nan, hill(60.0))).verdict is Verdict.PASS


def test_a_fail_stands_whatever_the_end_of_the_recording():
    assert judge(hill(130.0), until_s=25.0).verdict is Verdict.FAIL


def test_a_unit_that_never_turned_is_unproven_except_in_power_up():
    still = np.zeros(len(FAST), bool)
    assert judge(hill(60.0), turns=still).reason == "not-exercised"
    assert judge(hill(60.0), turns=still, stage="power-up").verdict is Verdict.PASS


def test_a_frozen_sensor_never_passes():
    assert judge(20.0).reason == "sensor-suspect"
    moved = {"moved_before": frozenset({WINDING})}
    assert judge(20.0, bench=moved).verdict is Verdict.PASS


def test_a_sensor_at_its_rail_never_passes():
    finding = judge(np.where((SLOW > 9) & (SLOW < 12), -40.0, hill(60.0)))
    assert (finding.reason, "-40 degC" in finding.sentence) == ("sensor-suspect", True)


def test_a_suspect_sensor_lifts_no_fail():
    assert judge(np.where(SLOW > 70, -40.0, hill(130.0))).verdict is Verdict.FAIL


def test_it_can_be_neither_waived_nor_switched_off():
    assert not RULES["temperature-ceiling"].waivable


def test_a_unit_without_temperatures_keeps_its_finding():
    found = run("temperature-ceiling", {SPEED: (FAST, TURNS * 800.0)}, rules=CEILING)
    assert {f.subject: f.reason for f in found.values()} == {"front temperature": "not-bound"}


CASES = {
    "pass": {"degC": hill(60.0)},
    "ends": {"degC": hill(60.0), "until_s": 38.05},
    "silent": {"degC": hill(60.0), "heard_s": 30.0},
    "hole": {"degC": np.where((SLOW > 30) & (SLOW < 40), np.nan, hill(60.0))},
}


@pytest.mark.parametrize("name", CASES)
def test_cutting_changes_nothing(name):
    assert judge(cuts="each", **CASES[name]) == judge(**CASES[name])
