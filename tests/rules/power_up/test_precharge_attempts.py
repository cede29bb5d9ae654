"""precharge-attempts, counted by hand: at most 3 (common practice, no source)."""

import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run
from tests.rules.vehicle import clock, state


def tries(count, since_s=1.0):
    """Changes of the pre-charge state: closed for 0.5 s, every 2 s."""
    return [c for n in range(count) for c in ((since_s + 2 * n, 1), (since_s + 2 * n + 0.5, 0))]


def judge(precharge, positive, *, until_s=40.0, edit=None, **more):
    times = clock(until_s, 0.1)
    roles = {
        "contactors.negative": (times, state(times, (0.5, 1))),
        "contactors.precharge": (times, state(times, *precharge)),
        "contactors.positive": (times, state(times, *positive)),
    }
    if edit:
        edit(roles)
    return run("precharge-attempts", roles, cycles_s=dict.fromkeys(roles, 0.1), **more)[
        "pre-charge"
    ]


@pytest.mark.parametrize("count", [1, 2, 3])
def test_up_to_three_attempts_pass(count):
    finding = judge(tries(count), [(1.4 + 2 * (count - 1), 1)])
    assert finding.verdict is Verdict.PASS
    assert (finding.measured, finding.limit, finding.uncertainty) == (count, 3, 0)


def test_the_fourth_attempt_fails_at_once_whether_positive_closes_or_not():
    for positive in ([], [(7.4, 1)]):
        finding = judge(tries(4), positive)
        assert finding.verdict is Verdict.FAIL
        assert (finding.measured, finding.first_failed_s) == (4, pytest.approx(7.0))


def test_each_closing_of_positive_begins_a_new_count():
    """Three powerings-up of two attempts each: a day's work, not six attempts at once."""
    precharge = tries(2, 1.0) + tries(2, 11.0) + tries(2, 21.0)
    positive = [(t, v) for s in (3.4, 13.4, 23.4) for t, v in ((s, 1), (s + 3, 0))]
    finding = judge(precharge, positive)
    assert (finding.verdict, finding.measured) == (Verdict.PASS, 2)


def test_positive_that_never_closes_proves_nothing_however_few_the_attempts():
    finding = judge(tries(2), [])
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")
    assert "tried 2 times" in finding.sentence


def test_positive_without_any_pre_charge_is_no_attempt():
    assert judge([], [(3.0, 1)]).reason == "not-exercised"


def test_the_limit_is_the_plans():
    assert judge(tries(3), [(5.4, 1)], rules={"most": 2}).verdict is Verdict.FAIL


def test_a_state_that_falls_silent_is_stale_and_one_not_bound_is_not_bound():
    def silent(roles):
        times, values = roles["contactors.precharge"]
        roles["contactors.precharge"] = (times[times < 10], values[times < 10])

    def unbound(roles):
        del roles["contactors.precharge"]

    assert judge(tries(1), [(1.4, 1)], edit=silent).reason == "stale"
    assert judge(tries(1), [(1.4, 1)], edit=unbound).reason == "not-bound"


@pytest.mark.parametrize("count", [3, 4])
def test_no_cut_changes_anything(count):
    short = {"until_s": 10.0}
    whole = judge(tries(count), [(7.4, 1)], **short)
    assert judge(tries(count), [(7.4, 1)], cuts="each", **short) == whole
