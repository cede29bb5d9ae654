"""capture-gaps, worked by hand: the fastest message comes every 10 ms, so at most 30 ms.

Three cycles: ISO 11783-7, 100 ms heartbeat, error beyond 300 ms.
"""

import numpy as np
import pytest

from canscope.model.bench import Kind
from canscope.model.findings import Verdict
from tests.rules.frames import Row, bench_of, judge, message

FAST = message("Fast", 0x100, 2, {"Speed": (0, 16)}, cycle_s=0.01, channel="can1")
BOX = message("Box", 0x200, 1, {"Neg": (0, 1), "Pos": (1, 1), "On": (2, 1)}, cycle_s=0.1)
ROLES = {"units.front.speed": ("can1:Fast.Speed", Kind.NUMBER)}
STATES = {
    "contactors.negative": ("can0:Box.Neg", Kind.STATE),
    "contactors.positive": ("can0:Box.Pos", Kind.STATE),
}
IGNITION = {"driver.ignition": ("can0:Box.On", Kind.STATE)}
CLOSED, OPEN, OFF = b"\7", b"\4", b"\0"


def fast(*stretches_s):
    """The fast message every 10 ms from and until these instants, both included."""
    times = [np.arange(round(a * 100), round(b * 100) + 1) / 100 for a, b in stretches_s]
    return [Row(t, "can1", 0x100, b"\0\0") for t in np.concatenate(times)]


def box(state, *stretches_s):
    times = [np.arange(round(a * 10), round(b * 10) + 1) / 10 for a, b in stretches_s]
    return [Row(t, "can0", 0x200, state) for t in np.concatenate(times)]


def run(*rows, roles=ROLES | STATES, cuts=None, **rules):
    merged = sorted((row for part in rows for row in part), key=lambda row: row.at_s)
    bench = bench_of([FAST, BOX], roles)
    return judge("capture-gaps", merged, [FAST, BOX], bench, cuts=cuts, rules=rules)["recording"]


def test_a_recording_in_which_something_is_always_heard_passes_by_two_cycles():
    finding = run(fast((0, 3)), box(CLOSED, (0, 3)))
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.PASS, 10.0, 20.0)


def test_a_stretch_without_any_frame_fails():
    finding = run(fast((0, 1), (1.4, 3)), box(CLOSED, (0, 1), (1.4, 3)))
    # The last frame at 1.0 s, the next at 1.4 s: 400 ms, 30 allowed.
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 400.0, -370.0)
    # It can be told as soon as the fast message is heard again.
    assert (finding.first_failed_s, finding.window_s) == (1.4, (1.0, 1.4))


def test_three_cycles_to_the_nanosecond_still_pass():
    finding = run(fast((0, 1), (1.03, 3)), box(CLOSED, (0, 3)))
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.PASS, 30.0, 0.0)


def test_one_node_s_silence_is_no_gap():
    # The fast node dies at 1.02 s; the box goes on every 100 ms, the first time 80 ms later.
    finding = run(fast((0, 1.02)), box(CLOSED, (0, 3)))
    assert (finding.verdict, finding.measured, finding.limit) == (Verdict.PASS, 100.0, 300.0)


def test_a_node_that_comes_back_much_later_was_silent_by_itself():
    finding = run(fast((0, 1.02), (2, 3)), box(CLOSED, (0, 3)))
    assert (finding.verdict, finding.measured) == (Verdict.PASS, 100.0)


def test_a_gap_is_told_when_any_of_the_messages_comes_back_after_it():
    # The fast node does not come back from the gap of 400 ms, but the box does.
    finding = run(fast((0, 1)), box(CLOSED, (0, 1), (1.4, 3)))
    assert (finding.verdict, finding.measured, finding.at_s) == (Verdict.FAIL, 400.0, 1.4)


def test_only_messages_that_speak_count_as_the_fastest():
    finding = run(fast((2, 3)), box(CLOSED, (0, 3)))
    # Before the fast node wakes: 100 ms between the frames of the box, 300 ms allowed.
    assert (finding.verdict, finding.measured, finding.limit) == (Verdict.PASS, 100.0, 300.0)


def test_frames_of_any_kind_on_any_bus_show_that_the_recorder_was_listening():
    gap = [fast((0, 1), (1.4, 3)), box(CLOSED, (0, 1), (1.4, 3))]
    unbound = [Row(1 + t / 50, "can2", 0x7) for t in range(21)]
    assert run(*gap, unbound).verdict is Verdict.PASS
    assert run(*gap).verdict is Verdict.FAIL


def test_silence_after_the_ignition_went_off_is_no_gap():
    off = box(OPEN, (0, 2)) + box(OFF, (2.1, 2.5))
    roles = ROLES | STATES | IGNITION
    again = box(OPEN, (9, 10))
    finding = run(fast((0, 2.2), (9, 10)), off, again, roles=roles)
    # Before and after: the fast message every 10 ms.
    assert (finding.verdict, finding.measured) == (Verdict.PASS, 10.0)


def test_a_short_silence_with_open_poles_fails_once_it_is_over():
    # Not a shutdown: that takes three cycles of the slowest node, 300 ms.
    finding = run(fast((0, 1), (1.2, 3)), box(OPEN, (0, 1), (1.2, 3)))
    assert (finding.verdict, finding.measured, finding.first_failed_s) == ("fail", 200.0, 1.2)


@pytest.mark.parametrize("roles", [ROLES | STATES, ROLES | STATES | IGNITION])
def test_a_silence_like_a_shutdown_that_ends_again_never_passes(roles):
    finding = run(fast((0, 1), (6, 8)), box(OPEN, (0, 1), (6, 8)), roles=roles)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "capture-damaged")
    assert "silent for 5.000 s" in finding.sentence


def test_a_shutdown_at_the_end_is_no_gap():
    finding = run(fast((0, 2)), box(OPEN, (0, 2.1)))
    assert finding.verdict is Verdict.PASS


def test_an_end_without_frames_while_poles_are_closed_never_passes():
    finding = run(fast((0, 2)), box(CLOSED, (0, 2.1)))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "capture-damaged")


def test_without_any_bound_frame_nothing_is_judged():
    finding = run([Row(t / 100, "can0", 0x7) for t in range(100)])
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_the_number_of_cycles_can_be_set():
    rows = fast((0, 1), (1.04, 3)), box(CLOSED, (0, 3))
    assert run(*rows).verdict is Verdict.FAIL
    assert run(*rows, cycles=4).verdict is Verdict.PASS


CASES = {
    "healthy": (fast((0, 1)), box(CLOSED, (0, 1))),
    "gap": (fast((0, 0.5), (0.9, 1.2)), box(CLOSED, (0, 0.5), (0.9, 1.2))),
    "open": (fast((0, 0.5), (0.7, 1)), box(OPEN, (0, 0.5), (0.7, 1))),
    "asleep": (fast((0, 0.5), (2, 2.3)), box(OPEN, (0, 0.5), (2, 2.3))),
    "late": (fast((0.5, 0.8)), box(CLOSED, (0, 0.8))),
}


@pytest.mark.parametrize("name", CASES)
def test_cutting_changes_nothing(name):
    assert run(*CASES[name], cuts="each") == run(*CASES[name])
    assert run(*CASES[name], cuts=[0.255, 0.52, 0.7]) == run(*CASES[name])
