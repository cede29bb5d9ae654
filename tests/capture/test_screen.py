"""candump's screen, saved to a file; lines as can-utils' ``candump.c`` prints them, from memory."""

import io

from canscope.capture.screen import Screen
from canscope.model.tables import Flag, join
from tests.capture.traffic import rows

MS = 10**6


def screen(text):
    return join(list(Screen().read(io.BytesIO(text.encode()), "x.txt")))


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
