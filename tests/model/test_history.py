"""What is kept of a role is the end of what was told, whatever is forgotten in between."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from canscope.model.history import History
from canscope.model.signals import Samples

ROLE = "pack.voltage"
STAMPS = st.lists(st.integers(0, 4), max_size=90)


def samples(times):
    time_ns = np.array(times, np.int64)
    zeros = np.zeros(len(time_ns), np.int64)
    return Samples(time_ns, time_ns * 2.0, zeros, zeros.astype(np.uint8))


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(STAMPS, st.booleans()), max_size=6))
def test_what_is_kept_of_a_role_is_the_end_of_what_it_was_told(pieces):
    history, at, every = History({ROLE: 1}), 0, []
    for steps, forgets in pieces:
        told = np.cumsum([at, *steps])[1:].tolist()
        history.append(ROLE, samples(told))
        every += told
        at = max([at, *told])
        if forgets:
            history.forget(at - 3)
    kept = history.samples(ROLE)
    assert kept.time_ns.tolist() == every[len(every) - len(kept) :]
    assert (kept.value == kept.time_ns * 2.0).all()
    assert set(every) & set(range(at - 2, at + 1)) <= set(kept.time_ns.tolist())


def test_what_was_given_out_stays_as_it_was():
    history = History({ROLE: 1})
    history.append(ROLE, samples(range(10)))
    given_out = history.samples(ROLE)
    for start in range(10, 5000, 10):
        history.append(ROLE, samples(range(start, start + 10)))
        history.forget(start - 20)
    assert given_out.time_ns.tolist() == list(range(10))


def test_what_a_monitor_read_before_a_long_closing_is_kept():
    """It is compared with what it reads 14 minutes later, as the contactors open."""
    monitor = "pack.insulation"
    history, seconds = History({ROLE: 1, monitor: 1}), [s * 10**9 for s in range(860)]
    for role in (ROLE, monitor):
        history.append(role, samples(seconds))
    history.forget(seconds[-1] - 130 * 10**9)
    assert history.samples(monitor).time_ns[0] == 0
    assert history.samples(ROLE).time_ns[0] == 728 * 10**9


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.lists(st.booleans(), max_size=12), st.sampled_from(["all", "some", "none"])),
        max_size=8,
    )
)
def test_a_role_is_looked_up_by_its_message_only_while_it_had_a_value_in_every_frame(pieces):
    """The second role may miss frames, as a multiplexed one does, or be left out of a piece."""
    history, at = History({"a": 1, "b": 1}, [("a", "b")]), 0
    for frames, taken in pieces:
        stamps = list(range(at, at + len(frames)))
        at += len(frames)
        history.append("a", samples(stamps))
        if taken != "none":
            own = [t for t, has in zip(stamps, frames, strict=True) if has or taken == "all"]
            history.append("b", samples(own))
        history.forget(at - 15)
        if (track := history.stamps("b")) is not None and len(history.samples("b")):
            assert track.samples.time_ns.tolist() == history.samples("b").time_ns.tolist()


@settings(max_examples=30, deadline=None)
@given(st.lists(st.lists(st.booleans(), min_size=1, max_size=40), min_size=1, max_size=8))
def test_it_knows_whether_any_value_that_it_keeps_is_absent(pieces):
    history, at = History({ROLE: 1}), 0
    for absent in pieces:
        told = samples(range(at, at + len(absent)))
        told.value[np.array(absent)] = np.nan
        at += len(absent)
        history.append(ROLE, told)
        history.forget(at - 25)
        kept = history.samples(ROLE)
        assert kept.is_complete == (not np.isnan(kept.value).any())
        assert kept[3:9].is_complete == (not np.isnan(kept.value[3:9]).any())
        assert len(kept.known) == np.count_nonzero(~np.isnan(kept.value))
