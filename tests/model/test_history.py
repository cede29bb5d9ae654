"""Tracks that share their stamps: one array as long as they are the same, and never a wrong one."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canscope.model.history import History, stamped
from canscope.model.signals import Samples

LEAD, ROLE = "#can0:M", "pack.voltage"


def samples(times):
    time_ns = np.array(times, np.int64)
    zeros = np.zeros(len(time_ns), np.int64)
    return Samples(time_ns, time_ns * 2.0, zeros, zeros.astype(np.uint8))


def fed(pieces, forgotten=()):
    """A history after these pieces of (lead, role) stamps, some of them followed by forgetting."""
    history = History({LEAD: 1, ROLE: 1}, {ROLE: LEAD})
    for place, (lead, role) in enumerate(pieces):
        history.append(LEAD, stamped(np.array(lead, np.int64)))
        history.append(ROLE, samples(role))
        if place in forgotten:
            history.forget(max([0, *lead, *role]) - 3)
    return history


def test_the_same_stamps_are_one_array():
    history = fed([([1, 2, 3], [1, 2, 3]), ([4, 9], [4, 9])], forgotten=(0, 1))
    assert history.samples(ROLE).time_ns is history.samples(LEAD).time_ns


@pytest.mark.parametrize("role", [[1, 2], [1, 2, 4], [], [2, 3]])
def test_others_are_not_taken_for_the_same(role):
    history = fed([([1, 2, 3], role), ([5], [5])])
    assert history.samples(ROLE).time_ns.tolist() == [*role, 5]


STAMPS = st.lists(st.integers(0, 4), max_size=3)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(STAMPS, STAMPS, st.booleans()), max_size=6), st.sets(st.integers(0, 5)))
def test_what_is_kept_of_a_role_is_the_end_of_what_it_was_told(ways, forgotten):
    """Whatever its lead does, which says the same as often as not."""
    pieces, at, every = [], 0, []
    for lead, role, same in ways:
        told = np.cumsum([at, *lead])[1:].tolist()
        mine = told if same else np.cumsum([at, *role])[1:].tolist()
        pieces.append((told, mine))
        every += mine
        at = max([at, *told, *mine])
    kept = fed(pieces, forgotten).samples(ROLE)
    count = len(kept)
    assert kept.time_ns.tolist() == every[len(every) - count :]
    assert (kept.value == kept.time_ns * 2.0).all()
