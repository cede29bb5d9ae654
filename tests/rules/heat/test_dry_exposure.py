"""dry-exposure, worked by hand: speed every 100 ms, so each start and end is known to 0.1 s."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from canscope.rules import RULES
from tests.rules.harness import bench_of
from tests.rules.harness import judge as run

TIMES = np.round(np.arange(0, 60, 0.1), 3)
SPEED = "units.front.speed"


def judge(*bursts, rules=None, bench=None, rpm=800.0, **more):
    """The front unit turns in these stretches, (from, until) in s."""
    turns = np.zeros(len(TIMES), bool)
    for start_s, end_s in bursts:
        turns |= (start_s - 1e-6 <= TIMES) & (end_s - 1e-6 > TIMES)
    roles = {SPEED: (TIMES, np.where(turns, rpm, 0.01 * (TIMES > 50)))}
    rules = {"burst_s": 5.0} if rules is None else rules
    return run("dry-exposure", roles, rules=rules, bench={"oil": "empty"} | (bench or {}), **more)


def test_a_burst_that_is_held_too_long_fails_while_it_still_runs():
    finding = judge((10, 17))["front"]
    assert (finding.verdict, finding.measured, finding.limit) == (Verdict.FAIL, 7.0, 5.0)
    # The start lies within 0.1 s: 5.1 s after it is too close to call, 5.2 s is a fail.
    assert finding.first_failed_s == 15.2
    assert "this capture alone is counted" in finding.sentence


def test_a_short_burst_passes_by_what_is_left():
    finding = judge((10, 13))["front"]
    assert (finding.verdict, finding.margin) == (Verdict.PASS, 2.0)
    assert finding.uncertainty == pytest.approx(0.2)  # start and end, 0.1 s each


def test_coasting_counts_until_the_unit_stands():
    speed = np.interp(TIMES, [10, 10.1, 12, 19, 60], [0, 800, 800, 0, 0])
    finding = run(
        "dry-exposure", {SPEED: (TIMES, speed)}, rules={"burst_s": 5.0}, bench={"oil": "empty"}
    )["front"]
    # Below 30 rpm at 12 + 7 x (1 - 30/800) = 18.74 s, seen at 18.8 s; started at 10.1 s.
    assert (finding.verdict, finding.measured) == (Verdict.FAIL, pytest.approx(8.7))


def test_turning_too_slowly_for_a_burst_is_turning_dry_as_well():
    finding = judge((5, 8), (20, 40), rpm=40.0)["front"]
    assert (finding.verdict, finding.measured) == (Verdict.FAIL, pytest.approx(19.6))
    # Kept up for 0.3 s at 20.3 s; 5 s and the second over which a stretch may be interrupted.
    assert finding.first_failed_s == pytest.approx(26.4)
    assert "time turned too slowly for a burst" in finding.sentence
    by_hand = {f"contactors.{pole}": (TIMES, 0.0 * TIMES) for pole in ("negative", "positive")}
    link = {"units.front.link_voltage": (TIMES, 0.0 * TIMES)}
    speed = {SPEED: (TIMES, np.where(TIMES > 20, 40.0, 0.0))}
    still = run(
        "dry-exposure", speed | by_hand | link, rules={"burst_s": 5.0}, bench={"oil": "empty"}
    )["front"]
    assert still.reason == "not-exercised"


def test_a_resolver_that_flickers_at_standstill_turns_nothing():
    """A spread of 15 rpm: one reading in six is beyond 20 rpm, in whichever sense."""
    flicker = np.random.default_rng(7).normal(0, 15, len(TIMES))
    speed = np.where((TIMES > 20) & (TIMES < 23), 800.0, flicker)
    roles = {SPEED: (TIMES, np.where(TIMES < 1, 0.0, speed))}
    found = run("dry-exposure", roles, rules={"burst_s": 5.0}, bench={"oil": "empty"})["front"]
    assert found.verdict is Verdict.PASS


def test_many_slow_turns_add_up_to_the_total():
    turns = [(start_s, start_s + 4.0) for start_s in range(5, 50, 6)]  # eight of 3.6 s
    finding = judge(*turns, rpm=40.0, rules={"burst_s": 5.0, "total_s": 20.0})["front"]
    assert (finding.verdict, finding.measured) == (Verdict.FAIL, pytest.approx(8 * 3.6))
    # Five are 18 s; of the sixth, from 35.3 s on, 3 s reach 20 s and the second allowed.
    assert finding.first_failed_s == pytest.approx(38.4)
    whole = judge(*turns, rpm=40.0, rules={"total_s": 40.0})["front"]
    assert whole.reason == "not-exercised"


def test_a_gap_under_a_second_does_not_end_a_burst():
    assert judge((10, 13), (13.5, 16))["front"].measured == pytest.approx(6.0)


def test_the_total_adds_up_all_bursts_with_all_their_uncertainties():
    finding = judge((5, 8), (20, 23), (35, 38), rules={"total_s": 8.0})["front"]
    assert (finding.verdict, finding.measured) == (Verdict.FAIL, pytest.approx(9.0))
    # 6 s and four ends of 0.1 s before; the third burst starts at 35.0 s, again within 0.1 s.
    # Over 8 s by more than 0.5 s of uncertainty: 2.6 s into it.
    assert finding.first_failed_s == pytest.approx(37.6)
    assert finding.uncertainty == pytest.approx(0.6)


def test_the_earlier_runs_of_the_build_record_are_added():
    finding = judge((5, 8), rules={"total_s": 60.0}, bench={"turned_dry_s": {"front": 50.0}})
    assert finding["front"].measured == pytest.approx(53.0)
    assert "with 50.0 s of earlier runs" in finding["front"].sentence


def test_a_pause_that_is_too_short_fails_at_the_next_start():
    finding = judge((5, 8), (18, 20), rules={"pause_s": 20.0})["front"]
    assert (finding.verdict, finding.measured, finding.at_s) == (Verdict.FAIL, 10.0, 18.0)
    assert finding.uncertainty == pytest.approx(0.2)
    assert judge((5, 8), (30, 32), rules={"pause_s": 20.0})["front"].verdict is Verdict.PASS


def test_a_single_burst_has_no_pause_to_prove():
    assert judge((5, 8), rules={"pause_s": 20.0})["front"].verdict is Verdict.UNPROVEN


def test_none_of_the_three_limits_is_no_limit():
    assert judge((5, 8), rules={})["front"].reason == "no-limit"


def test_a_unit_that_never_turned_is_unproven():
    assert judge()["front"].reason == "not-exercised"


def test_in_power_up_any_turning_fails_and_is_required():
    finding = judge((10, 11), rules={}, stage="power-up")["front"]
    assert (finding.verdict, finding.required, finding.limit) == (Verdict.FAIL, True, 0.0)
    assert finding.first_failed_s == 10.2  # once it has turned for 0.2 s


def test_in_power_up_it_says_nothing_of_a_unit_that_stands():
    assert judge(stage="power-up") == {}


def test_it_applies_only_while_something_is_empty():
    rule = RULES["dry-exposure"]()
    assert rule.applies(bench_of([SPEED], "unit-alone", {"coolant": "empty"}))
    assert not rule.applies(bench_of([SPEED], "unit-alone", {}))


@pytest.mark.parametrize("rules", [{"burst_s": 2.5}, {"total_s": 8.0}, {"pause_s": 20.0}])
def test_cutting_changes_nothing(rules):
    bursts = ((5, 8), (10, 13), (13.5, 16))
    assert judge(*bursts, rules=rules, cuts="each") == judge(*bursts, rules=rules)


def test_a_recording_that_ends_while_the_unit_turns_does_not_prove_how_long_it_turned():
    short = judge((10, 13), (57, 61))["front"]  # 3 s of the second burst were recorded
    assert (short.verdict, short.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert "still turned when the recording ended" in short.sentence
    assert judge((10, 13), (53, 61))["front"].verdict is Verdict.FAIL  # 6.9 s were seen


def test_a_unit_that_stopped_just_before_the_end_is_proven():
    # The burst is only told to be over 1.5 s after it stopped; here 0.9 s were recorded.
    assert judge((10, 13), (57, 59))["front"].verdict is Verdict.PASS


def test_a_recording_that_begins_in_a_burst_can_fail_it_but_not_pass_it():
    begun = judge((0, 3), (20, 23))["front"]
    assert (begun.verdict, begun.reason) == (Verdict.UNPROVEN, "inferred")
    assert "turned already" in begun.sentence
    long = judge((0, 7))["front"]
    assert (long.verdict, long.measured, long.uncertainty) == (
        Verdict.FAIL,
        pytest.approx(7.0),
        pytest.approx(0.1),  # only the end lies between two samples
    )
