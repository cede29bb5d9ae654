"""Events and windows, on hand-written samples; times in seconds since the start.

The numbers 50 and 30 rpm, 0.2 s and 1 s are common practice, no source.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canscope.events.finder import Finder
from canscope.model.events import Window
from canscope.model.history import History, steps
from tests.rules.harness import START_NS, bench_of, kind_of, samples_of

T = np.arange(0, 40, 0.01)
DERIVED = ("@closed", "@engaged", "@awake", "@turning.front")


def run(roles, cuts=(), end_s=None):
    """Events, spans and derived steps of a run cut at these instants, times in seconds."""
    bench = bench_of(roles, "dry-spin", None)
    data = {role: samples_of(t, v, kind_of(role)) for role, (t, v) in roles.items()}
    last = max(int(s.time_ns[-1]) for s in data.values()) + 1
    last = last if end_s is None else START_NS + round(end_s * 1e9)
    inner = {START_NS + round(c * 1e9) for c in cuts}
    edges = sorted(edge for edge in inner if START_NS < edge < last)
    finder, history = Finder(bench), History()
    events, spans, begin = [], [], START_NS
    for end in [*edges, last]:
        new = {role: s.between(begin, end) for role, s in data.items()}
        arrivals = {bench.bindings[r].signal.message_key: s.time_ns for r, s in new.items()}
        for role, samples in new.items():
            history.append(role, samples)
        for key, times in arrivals.items():
            history.append(f"#{key}", steps(times, np.zeros(len(times))))
        found = finder.feed(new, arrivals, history, end)
        events += found.events
        spans += found.spans
        begin = end
    spans += finder.finish(last)
    derived = {}
    for role in DERIVED:
        kept = history.samples(role)
        derived[role] = [(s(t), v) for t, v in zip(kept.time_ns, kept.value, strict=True)]
    return events, spans, derived


def s(time_ns):
    return round((int(time_ns) - START_NS) / 1e9, 9)


def told(events, kind):
    return [(e.subject, s(e.time_ns), s(e.known_ns)) for e in events if e.kind == kind]


def speed(*stretches):
    """Speed samples at 100 Hz: 0 except in (from, until, rpm)."""
    rpm = np.zeros(len(T))
    for first, end, value in stretches:
        rpm[(first - 1e-9 <= T) & (end - 1e-9 > T)] = value
    return {"units.front.speed": (T, rpm)}


def test_a_burst_begins_at_its_first_fast_sample_and_is_known_when_it_has_held():
    events, spans, _ = run(speed((5, 8, 300)))
    assert told(events, "burst-start") == [("front", 5.0, 5.2)]
    assert told(events, "burst-end") == [("front", 8.0, 9.5)]
    assert [(s(x.start_ns), s(x.end_ns), x.complete) for x in spans] == [(5.0, 8.0, True)]


def test_a_twitch_shorter_than_it_must_hold_is_no_burst():
    assert told(run(speed((5, 5.19, 300)))[0], "burst-start") == []


def test_a_slow_creep_is_no_burst():
    assert told(run(speed((5, 9, 49)))[0], "burst-start") == []


def test_a_gap_under_a_second_joins_and_a_longer_one_parts():
    assert len(told(run(speed((5, 8, 300), (8.9, 11, -300)))[0], "burst-start")) == 1
    assert len(told(run(speed((5, 8, 300), (9.1, 11, -300)))[0], "burst-start")) == 2


def test_reverse_is_turning_too():
    assert told(run(speed((5, 8, -300)))[0], "burst-start") == [("front", 5.0, 5.2)]


def test_a_burst_that_outlives_the_recording_is_incomplete():
    _, spans, _ = run(speed((35, 50, 300)))
    assert [(x.kind, x.complete) for x in spans] == [(Window.BURST, False)]


def contactors(negative, precharge, positive, step=0.01):
    """Contactor states from (closing, opening) times."""
    times = np.arange(0, 40, step)
    roles = {}
    for pole, (on, off) in zip(
        ("negative", "precharge", "positive"), (negative, precharge, positive), strict=True
    ):
        roles[f"contactors.{pole}"] = (times, ((times >= on) & (times < off)).astype(float))
    return roles


UP = contactors((1.0, 20.0), (1.2, 2.0), (1.8, 22.5))


def test_contactor_events_lie_between_two_samples():
    events, _, derived = run(contactors((1.0, 20.0), (1.2, 2.0), (1.8, 22.5), step=0.1))
    closing = next(e for e in events if e.subject == "positive")
    assert (s(closing.after_ns), s(closing.time_ns)) == (1.7, 1.8)
    assert derived["@closed"] == [(0.0, 0.0), (1.8, 1.0), (20.0, 0.0)]
    assert derived["@engaged"] == [(0.0, 0.0), (1.0, 1.0), (22.5, 0.0)]


def test_an_attempt_closes_half_a_second_after_precharge_has_opened():
    attempt = next(x for x in run(UP)[1] if x.kind is Window.ATTEMPT)
    assert (s(attempt.start_ns), s(attempt.end_ns)) == (1.0, pytest.approx(2.5))
    assert [e.subject for e in attempt.events] == [
        "negative",
        "precharge",
        "positive",
        "precharge",
    ]


def test_an_attempt_with_precharge_left_closed_ends_five_seconds_after_positive():
    spans = run(contactors((1.0, 20.0), (1.2, 19.0), (1.8, 22.5)))[1]
    attempt = next(x for x in spans if x.kind is Window.ATTEMPT)
    assert s(attempt.end_ns) == pytest.approx(6.8)


def test_a_given_up_attempt_ends_when_all_poles_are_open_again():
    spans = run(contactors((1.0, 3.0), (1.2, 2.8), (50, 51)))[1]
    assert [s(x.end_ns) for x in spans if x.kind is Window.ATTEMPT] == [pytest.approx(3.0)]


def test_closing_one_pole_while_the_other_stayed_closed_is_an_attempt_of_its_own():
    kept = contactors((1.0, 30.0), (1.2, 2.0), (1.8, 22.5))
    t = T
    again = {"contactors.positive": (t, ((t >= 1.8) & (t < 10) | (t >= 15) & (t < 22.5)) * 1.0)}
    spans = [x for x in run(kept | again)[1] if x.kind is Window.ATTEMPT]
    assert [s(x.start_ns) for x in spans] == [1.0, 15.0]
    assert s(spans[1].end_ns) == pytest.approx(15.5)
    # Positive has been closed since before: decided half a second after negative closed.
    stuck = {"contactors.negative": (t, ((t >= 1.0) & (t < 10) | (t >= 15)) * 1.0)}
    both = contactors((0, 0), (1.2, 2.0), (1.8, 40)) | stuck
    assert [s(x.end_ns) for x in run(both)[1] if x.kind is Window.ATTEMPT][1] == pytest.approx(15.5)


def test_an_opening_waits_for_ten_seconds_and_a_safe_link():
    link = np.where(T < 20, 350.0, np.maximum(0, 350 - (T - 20) * 25))  # 60 V after 11.6 s
    spans = run({**UP, "units.front.link_voltage": (T, link)})[1]
    opening = next(x for x in spans if x.kind is Window.OPENING)
    assert s(opening.start_ns) == 20.0
    assert s(opening.end_ns) == pytest.approx(31.6 + 0.5, abs=0.02)  # and 0.5 s below it


@pytest.mark.parametrize("cuts", [(), (31.65, 31.75, 31.9, 32.1)])
def test_an_opening_does_not_end_while_the_link_still_wavers_about_60_volts(cuts):
    link = np.where(T < 20, 350.0, np.maximum(0, 350 - (T - 20) * 25))
    link[(T > 31.7) & (T < 31.8)] = 60.0  # after it was below for a tenth of a second
    spans = run({**UP, "units.front.link_voltage": (T, link)}, cuts)[1]
    opening = next(x for x in spans if x.kind is Window.OPENING)
    assert s(opening.end_ns) == pytest.approx(31.79 + 0.5, abs=0.02)


def test_an_opening_that_the_recording_cuts_off_is_incomplete():
    opening = next(x for x in run(UP, end_s=25)[1] if x.kind is Window.OPENING)
    assert not opening.complete


def test_a_recording_that_begins_closed_has_no_attempt():
    spans = run(contactors((0, 20), (50, 51), (0, 20)))[1]
    assert [x.kind for x in spans] == [Window.OPENING]


def test_ignition_off_after_it_was_on_is_a_shutdown_and_on_again_a_waking():
    on = ((T >= 1) & (T < 20)) | (T >= 30)
    events, _, derived = run({"driver.ignition": (T, on.astype(float))})
    assert told(events, "shutdown") == [("", 20.0, 20.0)]
    assert told(events, "wake") == [("", 30.0, 30.0)]
    assert derived["@awake"] == [(0.0, 1.0), (20.0, 0.0), (30.0, 1.0)]


def test_an_ignition_that_reads_off_excuses_nothing_once_a_pole_closes_or_a_unit_turns():
    """It reads off from 3 s on; a pole closes, or the unit is known to turn (0.2 s after 5 s)."""
    off = {"driver.ignition": (T, (T < 3).astype(float))}
    closing = run(off | {"contactors.negative": (T, (T >= 7).astype(float))})
    assert closing[2]["@awake"] == [(0.0, 1.0), (3.0, 0.0), (7.0, 1.0)]
    assert told(closing[0], "wake") == [("", 7.0, 7.0)]
    turning = run(off | speed((5, 8, 300)))
    assert turning[2]["@awake"] == [(0.0, 1.0), (3.0, 0.0), (5.2, 1.0)]


def test_all_nodes_falling_silent_with_poles_open_is_a_shutdown():
    states = {role: (t[t < 30], v[t < 30]) for role, (t, v) in UP.items()}
    states["pack.voltage"] = (T[T < 33], np.full(3300, 350.0))
    events, _, _ = run(states, end_s=40)
    assert list(told(events, "shutdown")) == [("", 29.99, pytest.approx(33.02))]


def test_silence_with_poles_closed_is_no_shutdown():
    roles = {role: (t[t < 15], v[t < 15]) for role, (t, v) in UP.items()}
    assert told(run(roles, end_s=40)[0], "shutdown") == []


@settings(max_examples=30, deadline=None)
@given(cuts=st.lists(st.floats(0, 40), max_size=8))
def test_however_the_run_is_cut_the_same_is_found(cuts):
    roles = {**UP, **speed((5, 8, 300), (8.5, 9, -200), (12, 14, 400)), "pack.voltage": (T, T)}
    roles["driver.ignition"] = (T, ((T >= 0.5) & (T < 11) | (T >= 16) & (T < 34)).astype(float))
    key = lambda e: (e.known_ns, e.time_ns, e.kind, e.subject)  # noqa: E731
    whole, cut = run(roles), run(roles, cuts)
    assert sorted(whole[0], key=key) == sorted(cut[0], key=key)
    assert whole[1:] == cut[1:]


def test_one_sample_a_piece_finds_the_same():
    roles = {**UP, **speed((5, 8, 300), (8.5, 9, -200), (12, 14, 400))}
    whole, cut = run(roles), run(roles, [i * 0.01 for i in range(1, 4000)])
    key = lambda e: (e.known_ns, e.time_ns, e.kind, e.subject)  # noqa: E731
    assert sorted(whole[0], key=key) == sorted(cut[0], key=key)
    assert whole[1:] == cut[1:]
