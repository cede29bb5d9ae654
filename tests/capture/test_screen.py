"""candump's screen, saved to a file; lines as can-utils' ``candump.c`` prints them, from memory."""

import io

import pytest

from canscope.capture.screen import Screen
from canscope.model.errors import CaptureError
from canscope.model.tables import Flag, join
from tests.capture.traffic import rows

MS = 10**6


def screen(text):
    return join(list(Screen().read(io.BytesIO(text.encode()), "x.txt")))


def shown(stamps):
    return "".join(f" ({stamp})  can0  123   [2]  11 22\n" for stamp in stamps)


@pytest.mark.parametrize(
    ("stamps", "times_ns"),
    [
        # -ta, -tz
        (["1700000000.000001", "1700000000.010000"], [1_700_000_000_000_001_000, None]),
        (["000.000000", "000.010000", "000.020000"], [0, 10 * MS, 20 * MS]),
        # -td: of six stamps, three do not rise
        (["000.000000", *["000.010000"] * 4], [0, 10 * MS, 20 * MS, 30 * MS, 40 * MS]),
        # -tA: 2024-05-14 12:00:00 UTC is 1715688000
        (["2024-05-14 12:00:00.500000"], [1_715_688_000_500_000_000]),
    ],
    ids=["a", "z", "d", "A"],
)
def test_stamps_of_every_kind_become_times(stamps, times_ns):
    frames = screen(shown(stamps))
    assert len(frames) == len(stamps)
    for time_ns, expected in zip(frames.time_ns.tolist(), times_ns, strict=True):
        assert expected in (None, time_ns)


def test_a_time_of_no_zone_and_stamps_that_add_up_are_told():
    assert (
        "a zone that it does not name"
        in screen(shown(["2024-05-14 12:00:00.5"[:19] + ".500000"])).tally.notes[0]
    )
    assert "count from the frame before" in screen(shown(["000.010000"] * 3)).tally.notes[0]


def test_frames_of_every_kind_are_read_and_other_lines_counted():
    frames = screen(
        " (1700000000.000000)  can0  12345678   [0] \n"
        " (1700000000.100000)  can1  123   [4]  remote request\n"
        " (1700000000.200000)  can0  20000004   [8]  00 04 00 00 00 00 00 00   ERRORFRAME\n"
        " (1700000000.300000)  can0  TX B E  123  [12]  11 11 11 11 11 11 11 11 11 11 11 11\n"
        " (1700000000.400000)  can0  123   [2]  41 42   'AB'\n"
        "\x1b[31m (1700000000.500000)  can0  123   [1]  41\x1b[0m\n"
        " (1700000000.600000)  can0  123   [3]  11 22\n"
        "rubbish\n"
    )
    assert [row[1:5] for row in rows(frames)] == [
        ("can0", 0x12345678, Flag.EXTENDED, 0),
        ("can1", 0x123, Flag.REMOTE, 4),
        ("can0", 4, Flag.ERROR, 8),
        ("can0", 0x123, Flag.FD | Flag.BRS | Flag.ESI | Flag.TRANSMITTED, 12),
        ("can0", 0x123, 0, 2),
        ("can0", 0x123, 0, 1),
    ]
    assert frames.tally.skipped == 2
    assert "x.txt:7: 2 bytes of data, not 3" in frames.tally.examples[0]


def test_without_times_it_says_how_to_record_again():
    with pytest.raises(CaptureError, match="without times") as caught:
        screen("  can0  123   [2]  11 22\n" * 4)
    assert "record again with candump -L" in str(caught.value)
