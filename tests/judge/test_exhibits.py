"""What a report shows, worked by hand: a unit that turns at 1200 rpm for a second, limit 1000."""

import numpy as np
import pytest

from canscope.judge import exhibits
from canscope.judge.judge import Judge
from canscope.judge.time_slice import TimeSlice
from canscope.judge.verdict import findings_of
from canscope.model.bench import Kind
from canscope.model.report import Burst
from canscope.rules import RULES
from tests.rules.harness import START_NS, bench_of, frames_of, samples_of

ROLE = "units.front.speed"
T = np.round(np.arange(0, 10, 0.1), 3)
FAST = np.where((T >= 5) & (T < 6), 1200.0, 0.0)


def judged(*segments):
    """The judge after segments of (seconds, rpm)."""
    bench = bench_of({ROLE: None}, "dry-spin", {})
    judge = Judge(bench, {"speed-ceiling": RULES["speed-ceiling"](speed_rpm=1000.0)})
    for number, (at_s, rpm) in enumerate(segments):
        part = {ROLE: samples_of(at_s, rpm, Kind.NUMBER)}
        end_ns = int(part[ROLE].time_ns[-1]) + 1
        judge.feed(TimeSlice(part, {}, frames_of(part), end_ns, number))
    judge.close()
    return judge


def plot(judge):
    findings = findings_of(judge.ledger)
    assert [f.verdict for f in findings] == ["fail"]
    (shown,) = dict(judge.exhibits.plots(findings, judge.ledger, judge.until_ns)).values()
    return shown


def test_a_fail_is_shown_around_its_worst_instant_with_its_limit():
    shown = plot(judged((T, FAST)))
    assert (shown.worst_s, shown.limit) == (5.0, 1000.0)
    assert max(shown.traces[0].value) == 1200.0
    assert (shown.from_s, shown.until_s) == (2.0, 8.0)  # 3 s on either side


def test_after_a_clock_step_a_curve_still_shows_the_instant_that_decided():
    """The clock steps back by 7 s, so that 5 s come once more, with the unit at rest."""
    assert plot(judged((T, FAST), (T + 3, 0 * T))) == plot(judged((T, FAST)))


def test_what_the_tables_have_no_room_for_is_counted(monkeypatch):
    monkeypatch.setattr(exhibits, "MOST_BURSTS", 2)
    judge = judged((T, FAST))
    assert [*judge.exhibits.unlisted()] == []
    for number in range(2, 5):
        judge.exhibits.add_burst(Burst("front", number, 0.0, 1.0, "forward", None, None, None))
    assert len(judge.exhibits.bursts) == 2
    (warning,) = judge.exhibits.unlisted()
    assert warning.startswith("2 more bursts are not listed")


@pytest.mark.parametrize("cuts", [[], [2.5, 5.3, 9.0]])
def test_an_unproven_is_shown_over_the_whole_run(cuts):
    bench = bench_of({ROLE: None}, "dry-spin", {})
    judge = Judge(bench, {"axle-direction": RULES["axle-direction"]()})
    samples, begin_ns = samples_of(T, FAST, Kind.NUMBER), START_NS
    for end_ns in (*(START_NS + round(cut * 1e9) for cut in cuts), START_NS + 10 * 10**9):
        part = {ROLE: samples.between(begin_ns, end_ns)}
        judge.feed(TimeSlice(part, {}, frames_of(part), end_ns))
        begin_ns = end_ns
    judge.close()
    plots = dict(judge.exhibits.plots(findings_of(judge.ledger), judge.ledger, judge.until_ns))
    shown = plots["axle-direction|front forward"]
    assert (shown.from_s, shown.until_s, shown.worst_s) == (0.0, 10.0, None)
    assert max(v for v in shown.traces[0].value if v is not None) == 1200.0
