"""What is written is what every reader of candump text reads.

The bodies are linux-can/can-utils' own examples (lib.h, parse_canframe; see check-values).
"""

import io

import pytest

from canscope.capture.candump.reader import Candump
from canscope.live.adapters.candump_lines import body, dropped, text_of
from canscope.model.tables import Flag


@pytest.mark.parametrize(
    ("can_id", "flags", "length", "data", "text"),
    [
        (0x123, 0, 3, b"\x11\x22\x33", b"123#112233"),
        (0x123, 0, 0, b"", b"123#"),
        (0x12345678, Flag.EXTENDED, 1, b"\xaa", b"12345678#AA"),
        (0x1, Flag.EXTENDED, 0, b"", b"00000001#"),
        (0x123, Flag.REMOTE, 8, b"", b"123#R8"),
        (0x123, Flag.REMOTE, 0, b"", b"123#R"),
        (0x123, Flag.FD | Flag.BRS, 3, b"\x11\x22\x33", b"123##1112233"),
        (0x123, Flag.FD | Flag.ESI, 0, b"", b"123##2"),
        (0x40, Flag.ERROR, 8, bytes(8), b"20000040#0000000000000000"),  # bus-off
    ],
)
def test_a_frame_is_written_as_candump_writes_it_and_read_back(can_id, flags, length, data, text):
    assert body(can_id, int(flags), length, data) == text
    line = b"(1700000000.000001) can0 " + text + b"\n"
    (frames,) = Candump().read(io.BytesIO(line), "x")
    assert (frames.can_id[0], frames.flags[0], frames.length[0]) == (can_id, flags, length)
    assert frames.payload(0) == data
    assert text_of(frames) == line


def test_stamps_keep_the_nanoseconds_that_they_have():
    line = b"(1700000000.000000001) can0 123#\n"
    (frames,) = Candump().read(io.BytesIO(line), "x")
    assert text_of(frames) == line


@pytest.mark.parametrize(("count", "read_as"), [(7, 7), (None, 1)])
def test_lost_frames_are_counted_by_every_reader(count, read_as):
    text = b"(1700000000.000001) can0 123#\n" + dropped(count, "can0: away for 2 s")
    (frames,) = Candump().read(io.BytesIO(text), "x")
    assert (len(frames), frames.tally.dropped, frames.tally.skipped) == (1, read_as, 0)
