"""Arrays that are used again: never one that somebody still looks at."""

import numpy as np

from canscope.model.room import Room


def taken_from(room, name, count, kind):
    """The only array of its piece of memory."""
    (array,) = room.take(name, (count, kind))
    return array


def place(array):
    """Where an array lies in memory."""
    return array.__array_interface__["data"][0]


def test_an_array_that_nobody_holds_is_given_again():
    room = Room(3)
    first = place(taken_from(room, "a", 100, np.int64))
    assert place(taken_from(room, "a", 90, np.int64)) == first


def test_an_array_is_not_given_again_while_any_view_of_it_is_held():
    room = Room(3)
    view = taken_from(room, "a", 100, np.int64)[10:20].view(np.uint8)[::2]
    taken = [taken_from(room, "a", 100, np.int64) for _ in range(5)]
    spans = [(place(one), place(one) + one.nbytes) for one in taken]
    assert len({begin for begin, _ in spans}) == 5
    assert not any(begin <= place(view) < end for begin, end in spans)


def test_what_is_written_into_a_later_array_does_not_reach_an_earlier_one():
    room = Room(2)
    kept = []
    for number in range(20):
        array = taken_from(room, "a", 50 + number % 3, np.int64)
        array[:] = number
        if number % 4 == 0:
            kept.append((number, array[5:9]))
        del array
    assert all((view == number).all() for number, view in kept)


def test_names_do_not_share_and_a_larger_one_is_made_anew():
    room = Room(3)
    held = taken_from(room, "a", 100, np.int64)
    assert place(taken_from(room, "b", 100, np.int64)) != place(held)
    larger = taken_from(room, "a", 1000, np.int64)
    assert (len(larger), larger.dtype) == (1000, np.int64)


def test_arrays_of_one_piece_of_memory_do_not_overlap_and_hold_it_together():
    """Each begins with a line of the processor's cache (64 bytes), from where the memory begins."""
    room = Room(3)
    one, two, three = room.take("a", (3, np.uint8), (0, np.int64), (9, np.float64))
    assert [(len(a), a.dtype) for a in (one, two, three)] == [
        (3, np.uint8),
        (0, np.int64),
        (9, np.float64),
    ]
    assert place(three) - place(one) == 64
    begin = place(one)
    del one, two
    other = taken_from(room, "a", 3, np.uint8)
    assert place(other) != begin
    del three
    assert place(taken_from(room, "a", 3, np.uint8)) == begin


def test_only_so_many_are_held():
    room = Room(2)
    all_of_them = [taken_from(room, "a", 10, np.uint8) for _ in range(9)]
    assert len(all_of_them) == 9
    assert len(room._held["a"]) == 2
