"""Findings and the overall verdict, from outcomes written by hand.

Source of the decision rule: ILAC-G8:09/2019, 4.2, guard band; limit 60 degC, U 1.5 K is arithmetic
on it: 58.4 passes, 59 and 61 are too close to call, 61.6 fails. Everything else is the contract:
"a fail wins, else a pass, else unproven", "a waiver turns only an unproven into waived".
"""

from dataclasses import dataclass, replace
from typing import ClassVar

import pytest

from canscope.judge.ledger import Ledger
from canscope.judge.verdict import findings_of, overall, waive
from canscope.model.bench import Bench, Binding, Kind
from canscope.model.definition import SignalSpec
from canscope.model.events import Window
from canscope.model.findings import Finding, Verdict
from canscope.model.outcome import Doubt, Subject, margins
from canscope.model.rule import Rule, unjudged
from canscope.plan.plan import Waiver

ROLE, NAME, S = "units.front.temperatures.winding", "front winding", 10**9
STAGE = "dry-spin"


@dataclass(frozen=True, kw_only=True)
class Ceiling(Rule):
    """A rule that only has a name: its outcomes are written by hand."""

    unit: ClassVar[str] = "degC"
    required_in: ClassVar[frozenset[str]] = frozenset({STAGE})
    says: ClassVar[dict[str, str]] = {"pass": "it stayed cool", "fail": "it got hot"}
    limit_source: ClassVar[str] = "plan"
    no_limit: str = ""

    def subjects(self, bench):
        return [Subject(NAME, needs=(ROLE,), no_limit=self.no_limit)]


class OfABurst(Ceiling):
    """Likewise, in windows."""

    window: ClassVar[Window] = Window.BURST


class InTime(Ceiling):
    """A rule whose margin is a time."""

    unit: ClassVar[str] = "ms"
    timed: ClassVar[bool] = True


class Silent(Ceiling):
    """A rule that is no finding unless it judged something."""

    required_in: ClassVar[frozenset[str]] = frozenset()

    def silent(self, bench):
        return True


def ledger_of(rule=None, *, segments=1, seen=1, bound=True, **bench):
    """The ledger of a run in which one role was bound and seen."""
    spec = SignalSpec("can1", "UnitSlow", "WindingTemp", 0, 16)
    bindings = {ROLE: Binding(ROLE, spec, Kind.NUMBER, "degC")} if bound else {}
    ledger = Ledger(Bench(stage=STAGE, bindings=bindings, **bench), {"rule": rule or Ceiling()})
    ledger.begin(5 * S)
    for _ in range(segments):
        health = ledger.begin_segment()
        if bound:
            role = health.roles[ROLE]
            role.samples = seen
            role.lowest, role.highest = (17.0, 23.5) if seen else (role.lowest, role.highest)
    return ledger


def hot(degC, at_s=7, **more):
    """Held against 60 degC, known to 1.5 K."""
    at_ns = at_s * S
    return margins(NAME, at_ns, 60 - degC, measured=degC, limit=60, uncertainty=1.5, **more)


def finding(*outcomes, rule=None, **run):
    ledger = ledger_of(rule, **run)
    ledger.add("rule", outcomes)
    (found,) = findings_of(ledger)
    return found


@pytest.mark.parametrize(
    ("degC", "verdict", "reason"),
    [
        (58.4, "pass", None),
        (59.0, "unproven", "too-close-to-call"),
        (61.0, "unproven", "too-close-to-call"),
        (61.6, "fail", None),
    ],
)
def test_the_guard_band_example_with_its_numbers(degC, verdict, reason):
    found = finding(hot(degC))
    assert (found.verdict, found.reason, found.required) == (verdict, reason, True)
    assert (found.measured, found.limit, found.uncertainty) == (degC, 60, 1.5)
    assert found.margin == pytest.approx(60 - degC)
    assert (found.at_s, found.window_s) == (2.0, (2.0, 2.0))  # since the first frame at 5 s
    assert found.first_failed_s == (2.0 if verdict == "fail" else None)
    assert f"{degC:.1f} ± 1.5 degC, limit 60 degC, at 2.000 s" in found.sentence


def test_causes_and_the_next_check_belong_to_a_fail_alone():
    class Named(Ceiling):
        causes = ("a cause",)
        next = "a check"
        exercise = "what to do"

    given = [(f.causes, f.next) for f in (finding(hot(d), rule=Named()) for d in (70, 10))]
    assert given == [(("a cause",), "a check"), ((), "")]
    assert (finding(rule=Named()).causes, finding(rule=Named()).next) == ((), "what to do")


def test_nothing_judged_is_unproven_with_what_was_missed():
    found = finding()
    assert (found.verdict, found.reason, found.margin) == ("unproven", "not-exercised", None)
    burst = finding(rule=OfABurst())
    assert burst.doubt == "no unit was seen to turn"
    assert "it read between 17 and 23.5 degC" in burst.sentence


def test_what_is_missing_counts_before_what_was_judged():
    assert finding(hot(10), bound=False).reason == "not-bound"
    unseen = finding(hot(10), seen=0)
    assert (unseen.reason, unseen.doubt) == ("not-seen", "can1:UnitSlow.WindingTemp")
    assert finding(hot(10), rule=Ceiling(no_limit="no ceiling")).reason == "no-limit"


def test_a_fail_is_never_withdrawn():
    spoiled = Doubt(NAME, "stale", "nothing came")
    assert finding(hot(70), spoiled).verdict == "fail"
    assert finding(hot(70), rule=Ceiling(no_limit="no ceiling")).verdict == "fail"
    assert finding(hot(70), segments=2).verdict == "fail"
    assert finding(hot(70), rule=InTime(), latest_stamp_ms=1e6).verdict == "fail"


def test_the_code_names_a_fail_else_the_doubt_else_the_reason():
    assert finding(hot(70, code="at-once")).code == "at-once"
    assert finding(hot(70)).code == ""
    assert finding(hot(10, code="at-once")).code == ""
    assert finding(hot(59, code="at-once")).code == "too-close-to-call"
    assert finding(Doubt(NAME, "stale")).code == "stale"
    assert finding(Doubt(NAME, "stale", code="fell-asleep")).code == "fell-asleep"


def test_of_two_fails_the_code_is_that_of_the_worse():
    both = (hot(65, code="slowly"), hot(75, code="at-once"))
    assert finding(*both).code == finding(*both[::-1]).code == "at-once"


def test_a_doubt_that_only_explains_leaves_a_pass_alone():
    assert finding(hot(10), unjudged(NAME, "stale", "nothing came")).verdict == "pass"
    assert finding(unjudged(NAME, "stale", "nothing came")).reason == "stale"


def test_a_silent_rule_is_no_finding_until_it_judged_something_and_then_required():
    assert findings_of(ledger_of(Silent())) == []
    assert finding(hot(10), rule=Silent()).required


def test_nothing_passes_across_a_clock_step_but_what_was_judged_in_a_window():
    whole = finding(hot(10), segments=2)
    assert (whole.verdict, whole.reason) == ("unproven", "capture-damaged")
    ledger = ledger_of(OfABurst(), segments=2)
    ledger.add_window("rule", NAME, [hot(10)], [])
    assert findings_of(ledger)[0].verdict == "pass"


@pytest.mark.parametrize(
    ("latest_stamp_ms", "reason"), [(1.0, None), (4.0, None), (5.0, None), (5.1, "capture-damaged")]
)
def test_stamps_later_than_stated_take_a_time_away(latest_stamp_ms, reason):
    """Margin 5 ms, known to 1 ms, with 1 ms stated: 4 ms more are just bearable."""
    outcome = margins(NAME, 0, 5.0, measured=45.0, limit=50.0, uncertainty=1.0)
    clock = {"clock_ms": 1.0, "latest_stamp_ms": latest_stamp_ms}
    assert finding(outcome, rule=InTime(), **clock).reason == reason
    assert finding(outcome, rule=Ceiling(), **clock).reason is None  # it is no time


def test_a_time_in_seconds_is_held_against_late_stamps_in_seconds():
    class InSeconds(InTime):
        unit = "s"

    outcome = margins(NAME, 0, 0.005, measured=0.045, limit=0.05, uncertainty=0.001)
    clock = {"clock_ms": 1.0, "rule": InSeconds()}
    assert finding(outcome, latest_stamp_ms=5.0, **clock).verdict == "pass"
    assert finding(outcome, latest_stamp_ms=5.1, **clock).reason == "capture-damaged"


STALE = Doubt(NAME, "stale", "nothing came")


@pytest.mark.parametrize(
    ("windows", "verdict"),
    [
        ([([hot(10)], []), ([hot(70)], [])], "fail"),
        ([([hot(10)], []), ([], [])], "pass"),
        ([([hot(10)], []), ([hot(20)], [STALE])], "pass"),
        ([([hot(10)], [STALE])], "unproven"),
        ([([hot(70)], [STALE])], "fail"),
        ([([hot(10)], []), ([hot(59)], [])], "unproven"),
        ([([], []), ([], [])], "unproven"),
    ],
)
def test_several_windows_of_one_subject_in_any_order(windows, verdict):
    for order in (windows, windows[::-1]):
        ledger = ledger_of(OfABurst())
        for outcomes, doubts in order:
            ledger.add_window("rule", NAME, outcomes, doubts)
        (found,) = findings_of(ledger)
        assert found.verdict == verdict


def test_of_several_windows_the_first_fail_is_dated_and_the_worst_is_shown():
    ledger = ledger_of(OfABurst())
    for at_s, degC in ((9, 65), (30, 75), (50, 70)):
        ledger.add_window("rule", NAME, [hot(degC, at_s)], [])
    (found,) = findings_of(ledger)
    assert (found.first_failed_s, found.at_s, found.measured) == (4.0, 25.0, 75)


def written(verdict, *, rule="rule", subject=NAME, required=True, waived=""):
    by = "A. Tester" if waived else ""
    return Finding(rule, subject, Verdict(verdict), None, required, "", waived=waived, waived_by=by)


WAIVER = Waiver("rule", None, "measured by hand", "A. Tester")


def test_a_waiver_accepts_an_unproven_that_is_required_and_nothing_else():
    open_, failed, passed = (written(v) for v in ("unproven", "fail", "pass"))
    advice, other = written("unproven", required=False), written("unproven", rule="other")
    marked = waive([open_, failed, passed, advice, other], [WAIVER])
    assert marked[0] == replace(open_, waived="measured by hand", waived_by="A. Tester")
    assert marked[1:] == [failed, passed, advice, other]


def test_a_waiver_of_one_subject_leaves_the_others_open():
    front, rear = (written("unproven", subject=subject) for subject in ("front", "rear"))
    marked = waive([front, rear], [Waiver("rule", "rear", "a reason", "A. Tester")])
    assert [f.waived for f in marked] == ["", "a reason"]


@pytest.mark.parametrize(
    ("findings", "answer"),
    [
        ([written("pass")], ("pass", "pass", 0)),
        ([written("pass"), written("fail", required=False)], ("fail", "fail: 1 finding failed", 0)),
        (
            [written("unproven", waived="x"), written("fail")],
            ("fail", "fail: 1 finding failed, 1 item accepted by A. Tester", 1),
        ),
        (
            [written("pass"), written("unproven")],
            ("unproven", "unproven: 1 required finding unproven", 0),
        ),
        (
            [written("fail"), written("unproven"), written("unproven"), written("fail")],
            ("fail", "fail: 2 findings failed, 2 required findings unproven", 0),
        ),
        ([written("pass"), written("unproven", required=False)], ("pass", "pass", 0)),
        (
            [written("pass"), written("unproven", waived="x"), written("unproven", waived="y")],
            ("pass", "pass, 2 items accepted by A. Tester", 2),
        ),
        (
            [written("unproven", required=False)],
            ("unproven", "unproven: nothing was proven", 0),
        ),
        (
            [written("unproven", waived="x")],
            ("unproven", "unproven: nothing was proven, 1 item accepted by A. Tester", 1),
        ),
        ([], ("unproven", "unproven: nothing was proven", 0)),
    ],
)
def test_the_overall_verdict(findings, answer):
    assert overall(findings) == answer
