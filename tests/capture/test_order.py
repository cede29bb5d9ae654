"""Time order and clock steps, worked by hand, and the law that cutting does not matter.

The limits (100 ms of disorder; a return by more than half the step; 24 h) are common practice, no
source. ``by_hand`` says the rules once more, frame by frame, as slowly as they can be said.
"""

from dataclasses import replace
from itertools import chain, pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from canscope.capture.order import gathered, merged, ordered
from canscope.model.tables import FrameBuilder, Tally, empty_frames, join

MS = 1_000_000
HOUR = 3_600_000 * MS
NOTHING = Tally()


def table(stamps, first=0, tally=NOTHING, channel="can0"):
    """Frames at these stamps in ns; identifiers count on, every third frame is a long one."""
    builder = FrameBuilder()
    for number, stamp in enumerate(stamps, first):
        size = 12 if number % 3 == 0 else 2
        builder.add(stamp, channel, number, 0, size, number.to_bytes(2, "little") * (size // 2))
    return builder.build(tally)


def cut(stamps, places):
    """The same frames in chunks, cut at these rows."""
    edges = [0, *sorted({min(place, len(stamps)) for place in places}), len(stamps)]
    return [table(stamps[a:b], a) for a, b in pairwise(edges)]


def told(chunks):
    """(segment, stamp, identifier, payload) of each frame, and (segment, step) of each step."""
    rows, steps = [], []
    for chunk in chunks:
        if chunk.step_ns is not None:
            steps.append((chunk.segment, chunk.step_ns))
        rows += [
            (chunk.segment, int(chunk.time_ns[n]), int(chunk.can_id[n]), chunk.payload(n))
            for n in range(len(chunk))
        ]
    return rows, steps


def by_hand(stamps):
    """The same from the rules as written, one frame at a time."""
    segments, steps, high, back = [[]], [], None, 0
    for number, now in enumerate(stamps):
        jump = 0 if high is None else now - high
        if jump < -100 * MS or jump > 24 * HOUR or (back and 2 * jump > back):
            segments.append([])
            steps.append((len(segments) - 1, jump))
            high, back = now, max(0, -jump)
        high = now if high is None else max(high, now)
        segments[-1].append((now, number))
    rows = [
        (at, now, number, number.to_bytes(2, "little") * (6 if number % 3 == 0 else 1))
        for at, segment in enumerate(segments)
        for now, number in sorted(segment, key=lambda row: row[0])
    ]
    return rows, steps


def stamps_told(stamps):
    rows, steps = told(ordered([table(stamps)]))
    return [(segment, stamp // MS) for segment, stamp, *_ in rows], steps


def test_disorder_of_100_ms_is_sorted_and_frames_of_one_stamp_keep_their_order():
    rows, steps = told(ordered([table([0, 100 * MS, 50 * MS, 0, 50 * MS])]))
    assert [row[2] for row in rows] == [0, 3, 2, 4, 1]
    assert steps == []


def test_more_than_100_ms_back_is_a_clock_step():
    assert stamps_told([0, 1000 * MS, 899 * MS, 900 * MS]) == (
        [(0, 0), (0, 1000), (1, 899), (1, 900)],
        [(1, -101 * MS)],
    )


def test_the_return_of_a_step_is_a_step_and_a_smaller_jump_is_a_gap():
    """Back by 10 s; 4 s of silence is less than half of it, 6 s is more."""
    assert stamps_told([20_000 * MS, 10_000 * MS, 14_000 * MS, 20_000 * MS, 26_000 * MS]) == (
        [(0, 20_000), (1, 10_000), (1, 14_000), (2, 20_000), (2, 26_000)],
        [(1, -10_000 * MS), (2, 6_000 * MS)],
    )


def test_only_a_jump_of_more_than_a_day_forward_is_a_step_by_itself():
    assert stamps_told([0, 24 * HOUR])[1] == []
    assert stamps_told([0, 24 * HOUR + 1])[1] == [(1, 24 * HOUR + 1)]


def test_a_chunk_says_how_far_time_has_come():
    """Until the largest stamp so far less 100 ms; at the end of a segment one past its last.

    A first chunk waits for the next one.
    """
    first, second = table([0, 40 * MS, 300 * MS]), table([310 * MS, 5 * MS], 3)
    got = [
        (chunk.segment, chunk.until_ns, chunk.time_ns.tolist())
        for chunk in ordered([first, second])
    ]
    assert got == [
        (0, 310 * MS, [0, 40 * MS, 300 * MS]),  # which the new chunk does not overlap
        (0, 310 * MS + 1, [310 * MS]),
        (1, -95 * MS, []),
        (1, 5 * MS + 1, [5 * MS]),
    ]


def test_time_goes_on_though_no_frame_is_ready():
    """A frame held back for 100 ms still tells that there was silence before it."""
    got = [
        (len(c), c.until_ns) for c in ordered([table([0]), table([50 * MS], 1), table([80 * MS])])
    ]
    assert got == [(0, -50 * MS), (0, -20 * MS), (3, 80 * MS + 1)]


def test_a_source_that_promises_a_time_lets_waiting_frames_go():
    tick = replace(empty_frames(), until_ns=500 * MS)
    later = table([500 * MS + 24 * HOUR], 2)
    got = [(len(c), c.until_ns, c.step_ns) for c in ordered([table([0, 90 * MS]), tick, later])]
    assert got[0] == (2, 500 * MS, None)
    assert got[1][2] == 24 * HOUR + 410 * MS, "a promise hides no step: live and offline agree"


jumps = st.one_of(
    st.integers(-110, 110), st.sampled_from([-100, -101, 0, 60, 5000, -5000, 2500, 2501])
) | st.sampled_from([24 * 3_600_000, 24 * 3_600_000 + 1, -86_400_001])
runs = st.lists(jumps, max_size=40).map(
    lambda steps: [int(stamp) for stamp in np.cumsum([1_700_000_000_000, *steps]) * MS]
)


@settings(max_examples=50, deadline=None)
@given(stamps=runs, places=st.lists(st.integers(0, 40), max_size=40))
def test_any_cutting_gives_the_frames_segments_and_steps_of_the_rules(stamps, places):
    chunks = cut(stamps, places)
    assert told(ordered(chunks)) == by_hand(stamps)
    assert told(ordered(cut(stamps, range(40)))) == by_hand(stamps)


@settings(max_examples=50, deadline=None)
@given(stamps=runs, places=st.lists(st.integers(0, 40), max_size=40))
def test_until_divides_what_was_given_from_what_will_be(stamps, places):
    given_chunks = list(ordered(cut(stamps, places)))
    for at, chunk in enumerate(given_chunks):
        later = [
            c.time_ns.min() for c in given_chunks[at + 1 :] if c.segment == chunk.segment and len(c)
        ]
        assert all(chunk.time_ns < chunk.until_ns)
        assert all(stamp >= chunk.until_ns for stamp in later)
        assert np.all(np.diff(chunk.time_ns) >= 0)


@settings(max_examples=50, deadline=None)
@given(stamps=runs, places=st.lists(st.integers(0, 40), max_size=10))
def test_every_tally_comes_out_once(stamps, places):
    chunks = [table(c.time_ns, tally=Tally(lines=10**n)) for n, c in enumerate(cut(stamps, places))]
    out = list(ordered(chunks))
    assert sum(c.tally.lines for c in out) == sum(c.tally.lines for c in chunks)


def test_a_tally_without_any_frame_comes_out():
    bad = replace(empty_frames(), tally=Tally(lines=7, skipped=7))
    assert [(len(c), c.tally.skipped) for c in ordered([bad])] == [(0, 7)]


def test_chunks_in_order_are_passed_on_without_a_copy():
    """Whole, once the next one has settled them."""
    first, second = table(range(0, 1000 * MS, MS)), table(range(1000 * MS, 2000 * MS, MS), 1000)
    out = list(ordered([first, second]))
    assert [len(c) for c in out] == [1000, 1000]
    assert np.shares_memory(out[0].time_ns, first.time_ns)
    assert np.shares_memory(out[1].time_ns, second.time_ns)


def test_what_is_kept_does_not_grow_with_the_run():
    """Long payloads too: the heap of the last 100 ms holds those of 100 ms (34 of 12 bytes)."""
    chunks = (table([n * MS], first=n) for n in range(600))
    heaps = [len(chunk.heap) for chunk in ordered(chunks)]
    assert max(heaps) <= 35 * 12


def test_a_clock_that_jumps_at_every_frame_gives_a_segment_each():
    stamps = [n * MS + (n % 2) * 500 * MS for n in range(1500)]
    rows, steps = told(ordered([table(stamps)]))
    assert len(steps) == 1498, "the first jump forward is a gap: nothing had stepped back"
    assert [row[2] for row in rows] == list(range(1500))


def test_channels_keep_their_names_where_chunks_name_them_in_another_order():
    a = join([table([0], channel="can0"), table([10 * MS], 1, channel="can1")])
    b = join([table([5 * MS], 2, channel="can1"), table([20 * MS], 3, channel="can0")])
    frames = join(list(ordered([a, b])))
    names = [frames.channels[code] for code in frames.channel]
    assert names == ["can0", "can1", "can1", "can0"]
    assert frames.can_id.tolist() == [0, 2, 1, 3]


@settings(max_examples=50, deadline=None)
@given(parts=st.lists(st.lists(st.integers(0, 50), min_size=1, max_size=12), max_size=4))
def test_streams_merge_by_stamp_and_those_given_first_come_first(parts):
    streams = [sorted(stamp * 50 * MS for stamp in part) for part in parts]
    out = list(merged(ordered(cut(s, [3, 5])) for s in streams))
    rows = [(int(t), c.segment) for c in out for t in c.time_ns]
    assert rows == [(t, 0) for t in sorted(chain(*streams))]
    untils = [c.until_ns for c in out]
    assert untils == sorted(untils)
    for at, chunk in enumerate(out):
        assert all(chunk.time_ns < chunk.until_ns)
        assert all(np.all(c.time_ns >= chunk.until_ns) for c in out[at + 1 :])


def test_frames_of_one_stamp_keep_the_order_of_their_streams_and_tallies_add_up():
    left = table([0, 0, 5 * MS], 10, Tally(lines=3))
    right = table([0, 5 * MS], 20, Tally(lines=2, dropped=1))
    frames = join(list(merged([ordered([left]), ordered([right])])))
    assert frames.can_id.tolist() == [10, 11, 20, 12, 21]
    assert frames.tally == Tally(lines=5, dropped=1)


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(st.integers(0, 3), min_size=1, max_size=40),
    rows=st.integers(1, 60),
)
def test_gathering_keeps_every_frame_tally_and_clock_step(steps, rows):
    """``steps`` are the frames of each chunk; 0 is one that only carries a tally."""
    chunks, segment = [], 0
    for number, count in enumerate(steps):
        builder = FrameBuilder()
        for row in range(count):
            builder.add(10 * number + row, f"can{number % 2}", number, 0, 1, b"\x01")
        segment += number % 7 == 6
        step = 5 if number % 7 == 6 else None
        built = builder.build(Tally(lines=count + 1, skipped=1))
        marks = {"segment": segment, "until_ns": 10 * number + 10, "step_ns": step}
        chunks.append(replace(built, **marks))
    out = list(gathered(chunks, rows))
    assert sum((c.tally for c in out), Tally()) == sum((c.tally for c in chunks), Tally())
    for number in range(segment + 1):
        mine = [c for c in out if c.segment == number]
        other = [c for c in chunks if c.segment == number]
        assert [i for c in mine for i in c.can_id.tolist()] == [
            i for c in other for i in c.can_id.tolist()
        ]
        assert [c.step_ns for c in mine] == [other[0].step_ns] + [None] * (len(mine) - 1)
        assert mine[-1].until_ns == other[-1].until_ns
        assert all(len(c) >= rows for c in mine[:-1])
