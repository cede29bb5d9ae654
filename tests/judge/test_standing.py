"""Where verdicts are drawn.

Source of the decision rule: ILAC-G8:09/2019, 4.2, guard band. The example "limit 60, U 1.5:
58.4 passes, 59 and 61 are in between, 61.6 fails" is arithmetic on that rule.
"""

import pytest

from canscope.judge.standing import Standing
from canscope.model.findings import Verdict
from canscope.model.outcome import Doubt, margins


def standing(*outcomes):
    made = Standing("pack")
    for outcome in outcomes:
        made.add(outcome, 0)
    return made


def against_60(measured, at_ns=0):
    return margins("pack", at_ns, 60 - measured, measured=measured, limit=60, uncertainty=1.5)


@pytest.mark.parametrize(
    ("measured", "verdict", "reason"),
    [
        (58.4, Verdict.PASS, None),
        (58.5, Verdict.PASS, None),
        (59.0, Verdict.UNPROVEN, "too-close-to-call"),
        (61.0, Verdict.UNPROVEN, "too-close-to-call"),
        (61.5, Verdict.UNPROVEN, "too-close-to-call"),
        (61.6, Verdict.FAIL, None),
    ],
)
def test_the_guard_band_example(measured, verdict, reason):
    got, doubt = standing(against_60(measured)).conclude()
    assert (got, doubt and doubt.reason) == (verdict, reason)


def test_nothing_judged_is_unproven_and_never_a_pass():
    assert standing().conclude()[0] is Verdict.UNPROVEN
    assert standing().conclude()[1].reason == "not-exercised"


def test_margins_that_are_not_numbers_are_not_judged():
    rows = margins("pack", [0, 1], float("nan"), measured=1.0, limit=2.0)
    assert standing(rows).conclude()[0] is Verdict.UNPROVEN


def test_one_fail_outweighs_any_number_of_passes():
    rows = margins("pack", [0, 1, 2], [50, -3, 50], measured=[10, 63, 10], limit=60)
    made = standing(rows)
    assert made.conclude()[0] is Verdict.FAIL
    assert (made.failed.measured, made.first_failed_ns) == (63, 1)


def test_one_instant_too_close_keeps_a_pass_away():
    assert standing(against_60(10), against_60(59)).conclude()[0] is Verdict.UNPROVEN


def test_a_lowering_doubt_turns_a_pass_into_unproven_but_lifts_no_fail():
    doubt = Doubt("pack", "stale", "nothing came")
    assert standing(against_60(10), doubt).conclude() == (Verdict.UNPROVEN, doubt)
    assert standing(against_60(70), doubt).conclude()[0] is Verdict.FAIL


def test_an_explaining_doubt_leaves_a_pass_alone():
    doubt = Doubt("pack", "stale", "nothing came", lowers=False)
    assert standing(against_60(10), doubt).conclude()[0] is Verdict.PASS
    assert standing(doubt).conclude()[1] is doubt


def test_the_alarm_comes_at_the_limit_and_does_not_wait_for_the_uncertainty():
    made = standing(against_60(60.5, at_ns=7))
    assert (made.first_alarm_ns, made.first_failed_ns) == (7, None)


def test_the_worst_of_equals_is_the_earliest_however_the_run_is_cut():
    late, early = against_60(70, at_ns=9), against_60(70, at_ns=4)
    both = margins("pack", [4, 9], [-10, -10], measured=70, limit=60, uncertainty=1.5)
    assert standing(early, late).failed == standing(both).failed
    assert standing(both).failed.time_ns == 4


def test_a_state_without_uncertainty_passes_at_its_limit():
    rows = margins("pack", 0, 0.0, measured=60, limit=60)
    assert standing(rows).conclude()[0] is Verdict.PASS


def test_the_instant_shown_is_the_nearest_to_the_limit_of_those_that_decide():
    assert standing(against_60(10), against_60(40)).worst.measured == 40
    assert standing(against_60(10), against_60(59)).worst.measured == 59
    assert standing(against_60(59), against_60(62), against_60(70)).worst.measured == 70
    assert standing().worst is None


def test_of_several_reasons_the_one_nearest_to_the_plan_explains():
    """A role that is not bound explains more than one that was silent for a while."""
    doubts = [Doubt("pack", reason) for reason in ("inferred", "stale", "not-bound")]
    for order in (doubts, doubts[::-1]):
        assert standing(*order).conclude() == (Verdict.UNPROVEN, doubts[2])


def test_of_one_reason_the_first_doubt_is_kept_apart_from_what_only_explains():
    first, second = (Doubt("pack", "stale", word) for word in ("first", "second"))
    explains = Doubt("pack", "stale", "explains", lowers=False)
    assert standing(explains, first, second).conclude()[1] is first
    assert len(standing(explains, first, second).doubts) == 2


def test_what_the_rule_adds_to_a_row_is_kept_as_plain_values():
    rows = margins(
        "pack", [3, 4], [5.0, -5.0], measured=[55, 65], limit=60, code=["a", "b"], count=[1, 2]
    )
    worst = standing(rows).worst
    assert (worst.time_ns, worst.code, worst.facts) == (4, "b", {"count": 2})
    assert type(worst.facts["count"]) is int


def merged(*windows):
    """Windows are standings, or (standing, doubts on what it rests on)."""
    made = Standing("pack")
    for one in windows:
        made.merge(*one) if isinstance(one, tuple) else made.merge(one)
    return made.conclude()[0]


def test_over_several_windows_a_fail_wins_and_an_unexercised_one_takes_nothing_away():
    passed, failed, empty = standing(against_60(10)), standing(against_60(70)), standing()
    spoiled = (standing(against_60(10)), [Doubt("pack", "stale", "nothing came")])
    assert merged(passed, failed) is Verdict.FAIL
    assert merged(passed, empty) is Verdict.PASS
    assert merged(empty, passed) is Verdict.PASS
    assert merged(passed, spoiled) is Verdict.PASS
    assert merged(spoiled) is Verdict.UNPROVEN
    assert merged((standing(), spoiled[1]), passed) is Verdict.PASS
    assert merged((standing(against_60(70)), spoiled[1])) is Verdict.FAIL
    assert merged(empty) is Verdict.UNPROVEN


def test_a_doubt_that_the_rule_itself_raises_in_one_window_lowers_the_pass_of_another():
    doubtful = standing(Doubt("pack", "inferred", "the recording ended above 60 V"))
    assert merged(standing(against_60(10)), doubtful) is Verdict.UNPROVEN


def test_a_window_that_was_too_close_to_call_is_not_outvoted_by_one_that_passed():
    assert merged(standing(against_60(10)), standing(against_60(59))) is Verdict.UNPROVEN


def test_over_several_windows_the_first_alarm_and_fail_are_the_earliest():
    made = Standing("pack")
    for measured, at_ns in ((61, 30), (70, 20), (65, 10)):
        made.merge(standing(against_60(measured, at_ns)))
    assert (made.first_alarm_ns, made.first_failed_ns, made.judged) == (10, 10, 3)
    assert made.failed.time_ns == 20


def test_a_doubt_on_what_a_window_rests_on_only_explains_once_another_window_passed():
    stale = Doubt("pack", "stale", "nothing came")
    made = Standing("pack")
    made.merge(standing(against_60(10)), [stale])
    assert made.conclude()[1].reason == "stale"
    assert made.judged == 0
    made.merge(standing(against_60(20)))
    assert made.conclude() == (Verdict.PASS, None)
