"""Arrays that are used again: never one that somebody still looks at."""

import numpy as np

from canscope.model.room import Room


def place(array):
    """Where an array lies in memory."""
    return array.__array_interface__["data"][0]


def test_an_array_that_nobody_holds_is_given_again():
    room = Room(3)
    first = place(room.take("a", 100, np.int64))
    assert place(room.take("a", 90, np.int64)) == first


def test_an_array_is_not_given_again_while_any_view_of_it_is_held():
    room = Room(3)
    view = room.take("a", 100, np.int64)[10:20].view(np.uint8)[::2]
    taken = [room.take("a", 100, np.int64) for _ in range(5)]
    spans = [(place(one), place(one) + one.nbytes) for one in taken]
    assert len({begin for begin, _ in spans}) == 5
    assert not any(begin <= place(view) < end for begin, end in spans)


def test_what_is_written_into_a_later_array_does_not_reach_an_earlier_one():
    room = Room(2)
    kept = []
    for number in range(20):
        array = room.take("a", 50 + number % 3, np.int64)
        array[:] = number
        if number % 4 == 0:
            kept.append((number, array[5:9]))
        del array
    assert all((view == number).all() for number, view in kept)


def test_names_do_not_share_and_a_larger_one_is_made_anew():
    room = Room(3)
    held = room.take("a", 100, np.int64)
    assert place(room.take("b", 100, np.int64)) != place(held)
    larger = room.take("a", 1000, np.int64)
    assert (len(larger), larger.dtype) == (1000, np.int64)


def test_only_so_many_are_held():
    room = Room(2)
    all_of_them = [room.take("a", 10, np.uint8) for _ in range(9)]
    assert len(all_of_them) == 9
    assert len(room._held["a"]) == 2
