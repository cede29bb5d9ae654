"""A state that changes in the samples of its command. By hand: at a sampling of 10 ms a contact
that takes 10 ms to close and 5 ms to open shows no difference with a chance of 0 and 0.5."""

import itertools

from canscope.model.bench import Kind
from canscope.model.outcome import Subject
from canscope.trust.sources.echo import Echo
from tests.trust.past import bench_of, binding, history_of, samples

STATE, COMMAND = "contactors.positive", "contactors.positive.command"
BENCH = bench_of(*(binding(role, 1, kind=Kind.STATE) for role in (STATE, COMMAND)))


def followed(state, command, every_ms, cuts=()):
    times = [every_ms * row for row in range(len(state))]
    roles = {STATE: samples(times, state), COMMAND: samples(times, command)}
    history = history_of(roles, {STATE: every_ms, COMMAND: every_ms})
    echo = Echo(BENCH)
    edges = [0, *cuts, len(state)]
    for first, last in itertools.pairwise(edges):
        echo.feed({role: own[first:last] for role, own in roles.items()}, history)
    return echo


def test_a_state_that_never_differs_at_10_ms_is_an_echo():
    echo = followed([0, 0, 1, 1, 0, 0], [0, 0, 1, 1, 0, 0], 10)
    assert echo.roles() == [STATE]
    (doubt,) = echo.doubts(Subject("contactors", (STATE,), own_word=(STATE,)))
    assert doubt.reason == "inferred"
    assert doubt.lowers
    assert "changed 2 times, each time in the same sample as its command" in doubt.text
    assert echo.doubts(Subject("contactors", (STATE,))) == []


def test_one_sample_of_difference_clears_it():
    assert followed([0, 0, 0, 1, 0, 0], [0, 0, 1, 1, 0, 0], 10).roles() == []


def test_a_coarse_sampling_is_no_echo():
    """At 100 ms a real contact looks the same with a chance of 0.9 * 0.95, twice: 0.73."""
    column = [0, 1, 1, 0, 0, 1, 1, 0]
    assert followed(column, column, 100).roles() == []


def alike(poles, attempts, every_ms):
    """Which of these poles are an echo, after so many attempts in which all change together."""
    column = [*attempts * [0, 1, 1, 0], 0]
    times = [every_ms * row for row in range(len(column))]
    roles = {r: samples(times, column) for p in poles for r in (p, f"{p}.command")}
    history = history_of(roles, dict.fromkeys(roles, every_ms))
    echo = Echo(bench_of(*(binding(role, 1, kind=Kind.STATE) for role in roles)))
    echo.feed(roles, history)
    return echo.roles()


def test_poles_that_one_box_moves_by_its_timers_are_no_independent_chances():
    """Of 50 ms a contact takes 10 ms to close and 5 ms to open: 0.8 * 0.9 in an attempt.

    Three attempts leave 0.37 by timers and as much by the link that positive waits for, 0.14
    together; three poles for themselves would seem to leave 0.05. At 20 ms one attempt of all three
    leaves 0.375 each, 0.053 together.
    """
    poles = [f"contactors.{pole}" for pole in ("negative", "precharge", "positive")]
    assert alike(poles, 3, 50) == []
    assert alike(poles, 1, 20) == poles


def test_a_state_that_never_changes_is_no_echo():
    assert followed([0] * 6, [0] * 6, 10).roles() == []


def test_pieces_make_no_difference():
    column = [0, 0, 1, 1, 0, 0]
    assert followed(column, column, 10, cuts=(2, 4)).roles() == [STATE]
