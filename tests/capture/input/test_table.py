"""What readers of columns share, against the plain way of saying the same for one row."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from canscope.capture.input.stamps import nanoseconds
from canscope.capture.input.table import gathered, payloads, reason, sound
from canscope.model.tables import Flag

ROWS = st.lists(
    st.tuples(
        st.integers(-1, 1 << 30) | st.sampled_from([0x7FF, 0x800, 0x1FFFFFFF, 0x20000000]),
        st.integers(0, 127),
        st.integers(-3, 260) | st.sampled_from([-(2**63), 2**63 - 1]),
    ),
    max_size=20,
)


@given(ROWS)
def test_the_columns_and_the_reason_agree_on_what_is_a_frame(rows):
    columns = zip(*rows, strict=True) if rows else ([], [], [])
    can_id, flags, length = columns
    good = sound(np.array(can_id, np.int64), np.array(flags, np.uint8), np.array(length, np.int64))
    assert good.tolist() == [reason(*row) == "" for row in rows]


def test_a_standard_identifier_has_11_bits_and_an_extended_one_29():
    assert reason(0x7FF, 0, 8) == "" != reason(0x800, 0, 8)
    assert reason(0x1FFFFFFF, Flag.EXTENDED, 8) == "" != reason(0x20000000, Flag.EXTENDED, 8)


@given(st.binary(max_size=60), st.lists(st.integers(0, 40), max_size=6), st.integers(0, 9))
def test_payloads_are_the_bytes_that_lie_there(data, places, step):
    buffer = np.frombuffer(data, np.uint8)
    for at in (places, list(range(0, 41, step)) if step else []):
        kept = [place for place in at if place <= len(data)]
        size = [min(place, len(data) - place) for place in kept]
        begin, count = np.array(kept, np.int64), np.array(size, np.int64)
        words, heap_at, heap = payloads(buffer, begin, count)
        for row, (place, wanted) in enumerate(zip(kept, size, strict=True)):
            whole = data[place : place + wanted]
            assert int(words[row]) == int.from_bytes(whole[:8], "little")
            if wanted > 8:
                assert heap[heap_at[row] : heap_at[row] + wanted].tobytes() == whole
            else:
                assert heap_at[row] == -1


@given(st.integers(0, 5), st.integers(1, 30), st.integers(1, 8), st.sampled_from([4, 8, 16, 28]))
def test_equal_steps_are_gathered_as_any_others(first, step, count, width):
    buffer = np.arange(400, dtype=np.uint8)
    at = first + step * np.arange(count)
    wanted = [buffer[place : place + width].tolist() for place in at]
    assert gathered(buffer, at, width).tolist() == wanted
    assert gathered(buffer, at[::-1].copy(), width).tolist() == wanted[::-1]


@given(st.integers(0, (1 << 32) * 10**6 - 1))
def test_whole_microseconds_survive_being_a_float_of_seconds(micros):
    """Up to 2**32 s; the text of the seconds, as Python reads it, is the independent way there."""
    seconds = float(f"{micros // 10**6}.{micros % 10**6:06}")
    time_ns, good = nanoseconds(np.array([seconds]))
    assert time_ns.tolist() == [micros * 1000]
    assert good.all()


def test_other_times_are_the_nearest_nanosecond_and_no_number_is_none():
    values = [0.1234567891, float("nan"), -1e-9, float("inf"), 1e10, -0.0]
    time_ns, good = nanoseconds(np.array(values))
    assert good.tolist() == [True, False, False, False, False, True]
    assert time_ns[[0, 5]].tolist() == [123_456_789, 0]
