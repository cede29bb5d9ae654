"""unit-fault: raw codes of the plan's ok list and others, by hand."""

import numpy as np
import pytest

from canscope.model.bench import Kind
from canscope.model.findings import Verdict
from canscope.rules import RULES
from tests.rules import frames
from tests.rules.harness import judge as run

ROLE = "units.front.fault"
TIMES = np.arange(0, 3, 0.1)


def judge(codes, ok=(0, 3), **more):
    roles = {ROLE: (TIMES, np.broadcast_to(np.asarray(codes, float), TIMES.shape))}
    options = {ROLE: {"ok": ok}} if ok else {}
    return run("unit-fault", roles, options=options, cycles_s={ROLE: 0.1}, **more)["front"]


def from_2_s(code):
    return np.where(TIMES >= 1.95, code, 0)


def test_codes_of_the_list_pass():
    assert judge(from_2_s(3)).verdict is Verdict.PASS


def test_any_other_code_fails_from_its_first_sample_on():
    finding = judge(from_2_s(17))
    assert (finding.verdict, finding.measured, finding.first_failed_s) == (Verdict.FAIL, 17.0, 2.0)
    assert "reported a fault of its own; code: 17" in finding.sentence


def test_a_fault_that_goes_away_again_stays_a_fail():
    assert judge(np.where(TIMES == 1.0, 2, 0)).verdict is Verdict.FAIL


def test_without_a_list_there_is_no_limit():
    finding = judge(0, ok=())
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "no-limit")


def test_no_value_is_neither_a_fault_nor_none():
    finding = judge(np.nan)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_the_definition_s_label_is_told():
    spec = frames.message("Slow", 0x2A8, 1, {"Fault": (0, 8, {"labels": {9: "over-voltage"}})})
    role = {ROLE: ("can0:Slow.Fault", Kind.CODE, {"ok": (0,)})}
    rows = [frames.Row(k / 10, "can0", 0x2A8, bytes([9 if k == 15 else 0])) for k in range(20)]
    found = frames.judge("unit-fault", rows, [spec], frames.bench_of([spec], role))["front"]
    assert "a fault of its own (over-voltage); code: 9, at 1.500 s" in found.sentence


def test_a_code_in_the_first_second_after_waking_is_not_judged():
    assert judge(np.where(TIMES < 0.95, 255, 0)).verdict is Verdict.PASS
    assert judge(np.where(TIMES < 1.15, 255, 0)).first_failed_s == 1.0


CLOCK = np.round(np.arange(0, 12, 0.1), 3)
POLES = {
    f"contactors.{pole}": (CLOCK, np.where((CLOCK >= 3) & (CLOCK < 9), 1, 0))
    for pole in ("negative", "positive")
}


def powered(codes, **more):
    """A unit beside contactors that close at 3 s and open at 9 s."""
    roles = {ROLE: (CLOCK, codes), **POLES}
    cycles = dict.fromkeys(roles, 0.1)
    return run("unit-fault", roles, options={ROLE: {"ok": (0,)}}, cycles_s=cycles, **more)["front"]


WAITS = np.where((CLOCK < 3.4) | (CLOCK >= 8.9), 7, 0)


def test_a_code_that_high_voltage_takes_away_is_no_fault_and_may_come_back_without_it():
    assert powered(WAITS).verdict is Verdict.PASS


def test_a_code_that_stays_with_high_voltage_fails_after_the_grace():
    # Closed at 3 s; 2 s of grace; 1.2 s to see whether a pole opens.
    finding = powered(np.full(len(CLOCK), 7))
    assert (finding.verdict, finding.measured) == (Verdict.FAIL, 7.0)
    assert finding.first_failed_s == pytest.approx(6.3)


def test_a_code_that_comes_and_goes_while_all_poles_are_open_fails():
    finding = powered(np.where((CLOCK > 1.45) & (CLOCK < 1.75), 7, 0))
    assert (finding.verdict, finding.first_failed_s) == (Verdict.FAIL, pytest.approx(2.3))


@pytest.mark.parametrize(("from_s", "verdict"), [(2.5, "fail"), (1.0, "pass"), (0.0, "pass")])
def test_a_code_that_comes_after_none_while_a_pole_closes_fails(from_s, verdict):
    """Negative closes at 2 s, positive at 3 s; the code is gone at 3.4 s."""
    early = (CLOCK, np.where((CLOCK >= 2) & (CLOCK < 9), 1, 0))
    codes = (CLOCK, np.where((from_s - 0.05 <= CLOCK) & (CLOCK < 3.4), 7, 0))
    roles = {**POLES, "contactors.negative": early, ROLE: codes}
    cycles = dict.fromkeys(roles, 0.1)
    found = run("unit-fault", roles, options={ROLE: {"ok": (0,)}}, cycles_s=cycles)["front"]
    assert str(found.verdict) == verdict


def test_a_code_of_the_first_second_may_come_back_once_the_poles_are_open():
    """A unit that is slow to report says "no high voltage" once before it comes."""
    assert powered(np.where((CLOCK < 0.95) | (CLOCK >= 9.45), 7, 0)).verdict is Verdict.PASS
    assert powered(np.where((CLOCK < 0.95) | (CLOCK >= 7.65), 7, 0)).verdict is Verdict.FAIL


def test_a_code_that_was_not_there_before_fails_at_once():
    finding = powered(np.where(CLOCK >= 9.95, 8, WAITS))
    assert (finding.verdict, finding.first_failed_s) == (Verdict.FAIL, pytest.approx(10.0))


def test_of_a_unit_first_heard_under_high_voltage_nobody_knows_what_it_said_before():
    """Its message comes every 3 s: at 4 s, 7 s, 10 s; the contactors open at 9 s."""
    slow = np.arange(4.0, 12, 3)

    def seen(*codes):
        roles = {ROLE: (slow, np.array(codes)), **POLES}
        cycles = dict.fromkeys(POLES, 0.1) | {ROLE: 3.0}
        return run("unit-fault", roles, options={ROLE: {"ok": (0,)}}, cycles_s=cycles)["front"]

    assert (seen(0, 0, 3).verdict, seen(0, 0, 3).reason) == (Verdict.UNPROVEN, "inferred")
    assert seen(0, 3, 0).verdict is Verdict.FAIL
    assert seen(0, 0, 0).verdict is Verdict.PASS
    # Its first code may be from before the closing, and has to be gone soon after it.
    assert seen(3, 0, 0).verdict is Verdict.PASS
    assert seen(3, 3, 0).verdict is Verdict.FAIL


def test_without_high_voltage_nobody_knows():
    open_ = dict.fromkeys(POLES, (CLOCK, 0.0))
    roles = {ROLE: (CLOCK, 7.0), **open_}
    cycles = dict.fromkeys(roles, 0.1)
    found = run("unit-fault", roles, options={ROLE: {"ok": (0,)}}, cycles_s=cycles)["front"]
    assert (found.verdict, found.reason) == (Verdict.UNPROVEN, "not-exercised")


@pytest.mark.parametrize("codes", [WAITS, np.full(len(CLOCK), 7), np.where(CLOCK < 2, 7, 0)])
def test_cutting_changes_nothing_beside_contactors(codes):
    assert powered(codes, cuts="each") == powered(codes)


def test_it_stops_a_live_run():
    assert RULES["unit-fault"].stops


def test_a_unit_without_fault_signal_has_no_finding():
    assert run("unit-fault", {"units.front.speed": ([0, 1], 0.0)}) == {}


@pytest.mark.parametrize("codes", [from_2_s(3), from_2_s(17)])
def test_cutting_changes_nothing(codes):
    assert judge(codes, cuts="each") == judge(codes)


@pytest.mark.parametrize(
    ("until_s", "again_s", "verdict", "reason"),
    [
        (3.5, 99, "pass", None),  # gone 1.5 s after the link came up
        (99, 99, "fail", None),  # still there 2 s after that
        (3.5, 4.3, "unproven", "inferred"),  # it came back with the link live
    ],
)
def test_without_contactors_the_link_says_when_high_voltage_came(until_s, again_s, verdict, reason):
    times = np.arange(0, 6, 0.1)
    codes = np.where((times < until_s) | (times >= again_s), 18, 0)
    link = {"units.front.link_voltage": (times, np.where(times >= 2.0, 400.0, 0.0))}
    roles = {ROLE: (times, codes.astype(float))} | link
    more = {"options": {ROLE: {"ok": (0,)}}, "cycles_s": dict.fromkeys(roles, 0.1)}
    finding = run("unit-fault", roles, **more)["front"]
    assert (finding.verdict, finding.reason) == (verdict, reason)


@pytest.mark.parametrize(("until_s", "verdict"), [(9.0, "pass"), (0.95, "fail")])
def test_without_contactors_a_code_of_the_first_second_may_last_until_the_link_is_live(
    until_s, verdict
):
    """The link rises at 0.9 s, 18 goes at 1.9 s; it was gone from 1.0 to 1.2 s, or was not."""
    times = np.arange(0, 6, 0.1)
    codes = np.where((times < until_s) | (times >= 1.15), 18.0, 0.0) * (times < 1.85)
    link = {"units.front.link_voltage": (times, np.where(times >= 0.85, 400.0, 0.0))}
    roles = {ROLE: (times, codes)} | link
    more = {"options": {ROLE: {"ok": (0,)}}, "cycles_s": dict.fromkeys(roles, 0.1)}
    found = run("unit-fault", roles, **more)
    assert str(found["front"].verdict) == verdict
    assert run("unit-fault", roles, cuts="each", **more) == found
