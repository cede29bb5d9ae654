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
