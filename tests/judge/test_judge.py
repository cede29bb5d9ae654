"""The judge: alarms, the first frame, marks and clock steps, worked by hand."""

import numpy as np

from canscope.judge.judge import Judge
from canscope.judge.time_slice import TimeSlice
from canscope.judge.verdict import findings_of
from canscope.model.bench import Kind, Mark
from canscope.model.tables import empty_frames
from canscope.rules import RULES
from tests.rules.harness import START_NS, bench_of, frames_of, samples_of

ROLE, S = "units.front.speed", 10**9
T = np.round(np.arange(0, 10, 0.1), 3)
TURNS = np.where((T >= 5) & (T < 8), 800.0, 0.0)


def judge_of(rule, marks=(), **parameters):
    return Judge(bench_of({ROLE: None}, "dry-spin", {}), {rule: RULES[rule](**parameters)}, marks)


def a_slice(at_s, rpm, segment=0):
    part = {ROLE: samples_of(at_s, rpm, Kind.NUMBER)}
    return TimeSlice(part, {}, frames_of(part), int(part[ROLE].time_ns[-1]) + 1, segment)


def test_a_slice_begins_with_its_earliest_stamp_and_an_empty_one_at_its_end():
    whole = a_slice(T[3:], TURNS[3:])
    assert (whole.start_ns, whole.is_empty) == (START_NS + 3 * S // 10, False)
    empty = TimeSlice({}, {}, empty_frames(), START_NS)
    assert (empty.start_ns, empty.is_empty) == (START_NS, True)


def test_the_run_begins_with_its_first_frame():
    judge = judge_of("speed-ceiling", speed_rpm=1000.0)
    assert judge.feed(TimeSlice({}, {}, empty_frames(), START_NS)) == []
    assert judge.ledger.origin_ns is None
    judge.feed(a_slice(T[3:], TURNS[3:]))
    assert judge.ledger.origin_ns == START_NS + 3 * S // 10


def test_an_alarm_is_raised_once_at_the_first_margin_below_zero():
    judge = judge_of("speed-ceiling", speed_rpm=500.0)
    assert judge.feed(a_slice(T[:50], TURNS[:50])) == []
    (alarm,) = judge.feed(a_slice(T[50:60], TURNS[50:60]))
    assert (alarm.rule, alarm.subject, alarm.stops) == ("speed-ceiling", "front", True)
    assert alarm.at_ns == START_NS + 5 * S
    assert judge.feed(a_slice(T[60:], TURNS[60:])) == []


def test_after_a_clock_step_nobody_knows_when_a_mark_was_made():
    """A person sees the front axle turn forward at 6 s, which come twice: 7 s back at 10 s."""
    seen = Mark(START_NS + 6 * S, axle="front", seen="forward")

    def verdicts(*segments):
        judge = judge_of("axle-witness", (seen,))
        for number, (at_s, rpm) in enumerate(segments):
            judge.feed(a_slice(at_s, rpm, number))
        judge.close()
        return {f.subject: (f.verdict, f.reason) for f in findings_of(judge.ledger)}

    whole = verdicts((T, TURNS))
    assert whole["front forward"] == ("pass", None)
    stepped = verdicts((T, 0 * T), (T + 3, TURNS))
    assert stepped["front forward"] == ("unproven", "sensor-suspect")  # at rest when it was seen
