"""candump reader against the worked examples in can-utils, Linux' tables, and python-can.

Sources: linux-can/can-utils, lib.h, "Examples" under parse_canframe, and the DROPCOUNT line of
candump.c, both from memory; linux/can/error.h (classes) and linux/can/length.h (FD lengths);
python-can's CanutilsLogWriter as an independent writer. Other numbers stand in the lines read.
"""

import io
import random
import tracemalloc

import can
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canscope.capture.candump.columns import columns
from canscope.capture.candump.line import parse
from canscope.capture.candump.reader import Candump
from canscope.capture.input.text import lines as block_lines
from canscope.model.errors import CaptureError
from canscope.model.tables import Flag, FrameBuilder, Tally, join

EXT, RTR, ERR, FD = Flag.EXTENDED, Flag.REMOTE, Flag.ERROR, Flag.FD
STAMP = "(1436509052.249713) vcan0 "
GOOD = STAMP + "123#1122\n"


def log(text, file="x.log"):
    """The whole of a log as one table."""
    data = text if isinstance(text, bytes) else text.encode()
    return join(list(Candump().read(io.BytesIO(data), file)))


def one(frame):
    """The only frame of a log with one line."""
    frames = log(STAMP + frame + "\n")
    assert len(frames) == 1
    return frames


def rows(frames):
    """Everything that can be said of each frame, so that two tables can be compared."""
    return [
        (
            int(frames.time_ns[row]),
            frames.channels[frames.channel[row]],
            int(frames.can_id[row]),
            int(frames.flags[row]),
            int(frames.length[row]),
            frames.payload(row),
        )
        for row in range(len(frames))
    ]


@pytest.mark.parametrize(
    ("text", "can_id", "flags", "length"),
    [
        ("123#", 0x123, 0, 0),
        ("12345678#", 0x12345678, EXT, 0),
        ("123#R", 0x123, RTR, 0),
        ("123#R0", 0x123, RTR, 0),
        ("123#R7", 0x123, RTR, 7),
        ("123#R8_9", 0x123, RTR, 8),
        ("7A1#r", 0x7A1, RTR, 0),
        ("123#00", 0x123, 0, 1),
        ("123#1122334455667788", 0x123, 0, 8),
        ("123#1122334455667788_E", 0x123, 0, 8),
        ("123#11.22.33.44.55.66.77.88", 0x123, 0, 8),
        ("123#11.2233.44556677.88", 0x123, 0, 8),
        ("32345678#112233", 0x12345678, ERR, 3),
        ("123##0112233", 0x123, FD, 3),
        ("123##1112233", 0x123, FD | Flag.BRS, 3),
        ("123##2112233", 0x123, FD | Flag.ESI, 3),
        ("123##3", 0x123, FD | Flag.BRS | Flag.ESI, 0),
    ],
)
def test_every_published_example_is_read(text, can_id, flags, length):
    frames = one(text)
    assert (frames.can_id[0], frames.flags[0], frames.length[0]) == (can_id, flags, length)
    assert frames.time_ns[0] == 1_436_509_052_249_713_000
    assert frames.channels == ("vcan0",)
    data = bytes.fromhex("1122334455667788")[:length] if text != "123#00" else b"\0"
    assert frames.payload(0) == (b"" if flags & RTR else data)


def test_the_published_can_xl_example_is_counted_as_not_read():
    tally = log(GOOD + STAMP + "45123#81:00:12345678#11223344.556677\n").tally
    assert (tally.lines, tally.skipped, tally.cut_end) == (2, 1, False)
    assert tally.examples[0].startswith("x.log:2: CAN XL frame, which is not read")


@pytest.mark.parametrize("bit", [1, 2, 4, 8, 0x10, 0x20, 0x40, 0x80, 0x100, 0x200])
def test_an_error_frame_of_every_class_is_no_data_frame(bit):
    """Classes of linux/can/error.h; 0x40 is bus-off, data[6] and data[7] the counters."""
    frames = one(f"{0x20000000 | bit:08X}#0004000000006080")
    assert (frames.can_id[0], frames.flags[0], frames.length[0]) == (bit, ERR, 8)
    assert frames.channels == ("vcan0",)
    assert frames.payload(0)[6:] == bytes([96, 128])


@pytest.mark.parametrize("text", ["20000040#R", "20000040##100"])
def test_an_error_frame_is_never_remote_or_fd(text):
    tally = log(GOOD + STAMP + text + "\n").tally
    assert tally.skipped == 1
    assert "an error frame is neither" in tally.examples[0]


def test_fd_lengths_are_those_of_linux_and_no_other():
    lengths = {0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64}  # linux/can/length.h
    text = "".join(f"{STAMP}123##1{'A5' * size}\n" for size in (*range(12), *range(12, 70)))
    frames = log(text)
    assert frames.length.tolist() == sorted(lengths)
    assert all(frames.payload(row) == b"\xa5" * size for row, size in enumerate(sorted(lengths)))
    assert frames.tally.skipped == 70 - len(lengths)


@pytest.mark.parametrize(
    ("stamp", "time_ns"),
    [
        ("0.0", 0),
        ("1.5", 1_500_000_000),
        ("000.000001", 1_000),
        ("1700000000.123456", 1_700_000_000_123_456_000),
        ("1700000000.123456789", 1_700_000_000_123_456_789),
        ("1700000000.000000001", 1_700_000_000_000_000_001),
        ("9223372035.999999999", 9_223_372_035_999_999_999),
    ],
)
@pytest.mark.parametrize("frame", ["123#11", "123##111"])
def test_stamps_have_one_to_nine_decimals(stamp, time_ns, frame):
    assert log(f"({stamp}) can0 {frame}\n").time_ns.tolist() == [time_ns]


def test_what_the_recording_machine_sent_is_marked():
    frames = log(STAMP + "123#11 T\n" + STAMP + "123#11 R\n" + STAMP + "123##011 T\n")
    assert frames.flags.tolist() == [Flag.TRANSMITTED, 0, Flag.TRANSMITTED | FD]
    assert frames.tally.lines == 3


def test_crlf_lower_case_comments_blanks_and_a_byte_order_mark_do_no_harm():
    text = "\ufeff# recorded on stands\r\n\r\n" + STAMP + "18ff50e5#0a0B\r\n  \n" + GOOD
    frames = log(text)
    assert rows(frames) == [
        (1_436_509_052_249_713_000, "vcan0", 0x18FF50E5, EXT, 2, b"\x0a\x0b"),
        (1_436_509_052_249_713_000, "vcan0", 0x123, 0, 2, b"\x11\x22"),
    ]
    assert frames.tally == Tally(lines=2)


def test_frames_that_the_recorder_lost_are_counted_and_are_no_bad_lines():
    drops = (
        "DROPCOUNT: dropped 1 CAN frame on 'vcan0' socket (total drops 1)\n"
        "DROPCOUNT: dropped 41 CAN frames on 'vcan0' socket (total drops 42)\n"
        "DROPCOUNT:dropped 8\r\n"
        "DROPCOUNT: something else\n"  # how many is unknown: at least one
    )
    frames = log(drops + GOOD)
    assert (len(frames), frames.tally) == (1, Tally(lines=1, dropped=51))


BAD = [
    ("(1436509052.249713) can0 123DEADBEEF", "not a candump frame"),
    ("(1436509052.249713) can0 123#DEADBEE", "not a candump frame"),
    ("(1436509052.249713) can0 123#11.", "not a candump frame"),
    ("(1436509052.249713) can0 123#112233445566778899", "not a candump frame"),
    ("(1436509052.249713) can0 123#GG", "not a candump frame"),
    ("(1436509052.249713) can0 1234#11", "not a candump frame"),
    ("(1436509052.249713) can0 123#R9", "not a candump frame"),
    ("(1436509052.249713) can0 123#1122334455667788_8", "not a candump frame"),
    ("(1436509052.249713) can0 123#11 X", "not a candump frame"),
    ("(1436509052.1234567890) can0 123#11", "not a candump frame"),
    ("(1436509052) can0 123#11", "not a candump frame"),
    ("(1436509052.249713)  can0  123   [2]  11 22", "not a candump frame"),
    ("(1436509052.249713) 123#11", "not a candump frame"),
    ("\x00\x00\x00", "not a candump frame"),
    ("(1436509052.249713) can0 800#11", "identifier 800 is beyond 11 bits"),
    ("(1436509052.249713) can0 4FFFFFFF#11", "identifier 4FFFFFFF is beyond 29 bits"),
    ("(1436509052.249713) can0 123##111223344556677889900", "no CAN FD frame carries 10 bytes"),
    ("(1436509052.249713) can0 123#1122_9", "a raw DLC beyond 8 belongs to 8 bytes"),
    ("(1436509052.249713) can0 123#R7_9", "a raw DLC beyond 8 belongs to 8 bytes"),
    ("(9999999999.0) can0 123#11", "its time does not fit 64 bits of nanoseconds"),
]


@pytest.mark.parametrize(("line", "reason"), BAD)
def test_a_bad_line_is_counted_with_its_place_and_reason_and_costs_no_other(line, reason):
    frames = log(GOOD + GOOD + line + "\n" + GOOD)
    assert len(frames) == 3
    assert (frames.tally.lines, frames.tally.skipped) == (4, 1)
    assert frames.tally.examples[0].startswith(f"x.log:3: {reason}: '")


@pytest.mark.parametrize("percent", [1, 3])
def test_a_few_percent_of_garbage_are_counted_and_placed(percent):
    lines = [f"(1700000000.{n:06d}) can0 {n % 0x800:03X}#{n:08X}\n" for n in range(5000)]
    bad = list(range(50, 5000, 100 // percent))
    for n in bad:
        lines[n] = lines[n].replace("#", "")
    frames = log("".join(lines))
    assert frames.tally.skipped == len(bad)
    assert frames.tally.lines == 5000
    places = [example.split(":")[1] for example in frames.tally.examples]
    assert places == [str(n + 1) for n in bad[:20]]
    kept = [n for n in range(5000) if n not in set(bad)]
    assert (frames.time_ns % 1_000_000_000 // 1000).tolist() == kept


def test_frames_read_in_either_way_keep_the_order_of_their_lines():
    text = "".join(
        f"({n}.0) can{n % 3} {'123##1' if n % 5 == 0 else '123#'}{n:04X}\n" for n in range(300)
    )
    assert [(row[0] // 10**9, row[1]) for row in rows(log(text))] == [
        (n, f"can{n % 3}") for n in range(300)
    ]


def test_most_of_the_first_ten_lines_must_be_frames():
    ten = "Date,Time,Id\n" + "a,b,c\n" * 5 + GOOD * 4
    with pytest.raises(CaptureError) as caught:
        log(ten, "drive.log")
    assert str(caught.value) == (
        "drive.log: not a candump log: 6 of its first 10 line(s) are not frames, "
        "the first at line 1 (not a candump frame): 'Date,Time,Id'\n"
        "  hint: name the format with --format, or export the log as candump text"
    )
    half = log("# a comment is no line\n" + "a,b,c\n" * 5 + GOOD * 5 + "junk\n" * 20)
    assert (len(half), half.tally.skipped) == (5, 25)


def test_what_candump_shows_on_screen_is_told_from_a_log():
    with pytest.raises(CaptureError, match="record with its option -l or -L"):
        log(" (1436509052.249713)  vcan0  123   [2]  11 22\n" * 3)


def test_a_short_log_is_decided_by_all_its_lines():
    assert log(GOOD + "junk\n").tally.skipped == 1
    with pytest.raises(CaptureError, match="2 of its first 3"):
        log(GOOD + "junk\njunk\n")


EVERY_KIND = (
    "# made by hand\n"
    "(1700000000.000001) can0 123#11\n"
    "(1700000000.000002) can0 1BCDEF01#1122334455667788\r\n"
    "(1700000000.000003) can1 123#R4\n"
    "DROPCOUNT: dropped 12 CAN frames on 'can0' socket (total drops 12)\n"
    "(1700000000.000004) can0 20000040#0000000000000000\n"
    "(1700000000.000005) can0 123##1" + "AB" * 12 + " R\n"
    "(1700000000.000006) can0 7FF#11.22 T\n"
)


def test_cutting_a_log_at_any_byte_never_raises_and_never_invents_a_byte():
    data = EVERY_KIND.encode()
    whole = rows(log(data))
    assert len(whole) == 6
    for cut in range(len(data)):
        parts = list(Candump().read(io.BytesIO(data[:cut]), "x.log"))
        frames = join(parts) if parts else log("\n")
        complete = data[:cut].rfind(b"\n") + 1
        rest = data[complete:cut].strip()
        assert rows(frames) == whole[: len(frames)]
        ended = sum(line.startswith(b"(") for line in data[:complete].split(b"\n"))
        assert ended <= len(frames) <= ended + 1
        told = bool(frames.tally.cut_end or frames.tally.notes or len(frames) > ended)
        assert told == bool(rest and not rest.startswith(b"#"))


@pytest.mark.parametrize(
    ("last", "why"),
    [
        ("123#1122334455667788", ""),  # nothing more could follow
        ("123##1" + "AB" * 64, ""),
        ("123#11", "no line feed, and maybe cut off mid-line"),  # perhaps 123#1122 was meant
        ("123#112", "cut off mid-line"),
        ("12", "cut off mid-line"),
    ],
)
def test_a_last_line_without_line_feed_is_no_damage_if_it_is_a_whole_frame(last, why):
    frames = log(GOOD + STAMP + last)
    assert len(frames) == (1 if why else 2)
    assert frames.tally.cut_end == bool(why)
    assert frames.tally.examples == ((f"x.log:2: {why}: '{STAMP}{last}'",) if why else ())


class Endless(io.RawIOBase):
    """A stream with ten million bytes of one line between two frames, made as they are asked."""

    def __init__(self):
        self.parts = [GOOD.encode(), *[b"A" * 100_000] * 100, b"\n", GOOD.encode()]

    def readinto(self, buffer):
        part = self.parts.pop(0) if self.parts else b""
        buffer[: len(part)] = part
        return len(part)


def test_a_line_of_ten_million_bytes_is_one_bad_line_in_little_memory():
    tracemalloc.start()
    frames = join(list(Candump().read(Endless(), "x.log")))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(frames) == 2
    assert (frames.tally.lines, frames.tally.skipped) == (3, 1)
    assert frames.tally.examples[0].startswith("x.log:2: a line of more than 16384 bytes: 'AAAA")
    assert peak < 9_000_000  # of either engine, its columns included


def test_however_the_stream_gives_its_bytes_the_frames_are_the_same():
    class Drip(io.BytesIO):
        def readinto(self, buffer):
            return super().readinto(memoryview(buffer)[:7])

    data = (EVERY_KIND + "junk\n" + EVERY_KIND).encode()
    dripped, whole = join(list(Candump().read(Drip(data), "x.log"))), log(data)
    assert rows(dripped) == rows(whole)
    assert dripped.tally == whole.tally


def test_more_channels_than_can_be_told_apart_are_bad_lines():
    frames = log("".join(f"(1.0) bus{n} 123#\n" for n in range(300)))
    assert len(frames) == 255
    assert frames.tally.skipped == 45
    assert "x.log:256: more than 255 channels" in frames.tally.examples[0]


PLAIN = [
    "(1700000000.123456) can0 18FF50E5#0102030405060708",
    "(0.0) vcan0 001#8d00100100820100",
    "(1700000000.123456789) can0 7FF#11 T",
]
SEEDS = [
    *PLAIN,
    *[line for line in EVERY_KIND.split("\n") if line],
    *[line for line, _ in BAD],
    "(1700000000.2) a_long_name_of_a_bus_0 7FF#",
    "(1700000001.000000) can0 1FFFFFFF#aabbccddeeff0011",
]


def agree(lines):
    """The block reader takes only lines that the strict one takes, and reads the same there."""
    text = b"".join(line + b"\n" for line in lines)
    at, fast = columns(*block_lines(text), set())
    strict = FrameBuilder()
    for line in (lines[number] for number in at):
        row = parse(line.strip())
        assert isinstance(row, tuple), line
        strict.add(*row)
    assert rows(fast) == rows(strict.build())
    return len(at)


def mutated(rng):
    line = bytearray(rng.choice(SEEDS if rng.random() < 0.5 else PLAIN).encode())
    for _ in range(rng.choice((0, 0, 1, 1, 2, 5))):
        at, kind = rng.randrange(len(line)), rng.random()
        if kind < 0.4:
            line[at] = rng.choice(b"0123456789ABCDEFabcdef#() .\tRT_\r\x00\xffXG/:@`g")
        elif kind < 0.7 and len(line) > 1:
            del line[at]
        else:
            line.insert(at, rng.choice(b"0123456789ABCDEF#() .\tRT"))
    return bytes(line)


def test_both_ways_of_reading_agree_on_twenty_thousand_mutated_lines():
    rng = random.Random(3)
    taken = sum(agree([mutated(rng) for _ in range(200)]) for _ in range(100))
    assert taken > 2000, "the block reader should have taken a good part of them"


@settings(deadline=None)
@given(st.lists(st.binary(max_size=60).map(lambda raw: raw.replace(b"\n", b"")), max_size=5))
def test_both_ways_of_reading_agree_on_any_bytes(lines):
    agree([GOOD.encode().strip(), *lines])


def test_the_block_reader_takes_every_plain_frame():
    """Otherwise it would be right and useless."""
    lines = [
        f"({stamp}) {bus} {can_id}#{data}{end}".encode()
        for stamp in ("0.0", "12.345678", "1700000000.123456", "1700000000.123456789")
        for bus in ("can0", "vcan12")
        for can_id in ("000", "7FF", "00000000", "1fffffff")
        for data in ("", "00", "0102030405060708")
        for end in ("", "\r", " R", " T")
    ]
    assert agree(lines) == len(lines)


def test_the_block_reader_takes_fd_frames_of_every_length():
    lengths = (*range(9), 12, 16, 20, 24, 32, 48, 64)  # linux/can/length.h
    lines = [
        f"(1.5) can0 {can_id}##{kind:X}{bytes(range(size)).hex()}{end}".encode()
        for size in lengths
        for kind in (0, 1, 2, 3, 0xF)
        for can_id in ("123", "18FF50E5")
        for end in ("", "\r", " R", " T")
    ]
    random.Random(5).shuffle(lines)
    assert agree(lines) == len(lines)
    assert agree([line + b"A" for line in lines[::8]]) == 0


def test_the_block_reader_takes_lines_of_which_no_two_look_alike():
    """So that a sign stands nowhere where it stood in a line before."""
    lines = [
        f"({'1' * whole}.{'2' * decimals}) {'n' * name} {can_id}#{'AB' * size}".encode()
        for whole in (1, 9)
        for decimals in (1, 6, 9)
        for name in range(1, 17)
        for can_id in ("123", "18FF50E5")
        for size in (0, 8)
    ]
    random.Random(6).shuffle(lines)
    assert agree(lines) == len(lines)


def test_python_can_and_this_reader_mean_the_same_frames(tmp_path):
    path = tmp_path / "peer.log"
    rng = random.Random(1)
    sent = []
    with can.CanutilsLogWriter(path) as writer:
        for number in range(200):
            fd = number % 4 == 0
            size = rng.choice((0, 3, 8, 12, 64) if fd else (0, 1, 8))
            message = can.Message(
                timestamp=1_700_000_000 + number / 64,  # exact in binary
                arbitration_id=rng.randrange(1 << 29 if number % 2 else 1 << 11),
                is_extended_id=bool(number % 2),
                is_fd=fd,
                bitrate_switch=fd and number % 8 == 0,
                is_remote_frame=number % 10 == 5,
                dlc=0 if number % 10 == 5 else size,
                data=b"" if number % 10 == 5 else rng.randbytes(size),
                channel=f"can{number % 3}",
                is_rx=number % 7 != 0,
            )
            sent.append(message)
            writer.on_message_received(message)
    frames = log(path.read_bytes())
    assert frames.tally == Tally(lines=200)
    for message, row in zip(sent, rows(frames), strict=True):
        time_ns, channel, can_id, flags, length, payload = row
        # the writer drops digits beyond microseconds
        assert abs(time_ns - int(message.timestamp * 64) * 15_625_000) < 1000
        assert (channel, can_id, payload) == (
            message.channel,
            message.arbitration_id,
            bytes(message.data),
        )
        assert bool(flags & EXT) == message.is_extended_id
        assert bool(flags & RTR) == message.is_remote_frame
        assert bool(flags & FD) == message.is_fd
        assert bool(flags & Flag.BRS) == message.bitrate_switch
        assert bool(flags & Flag.TRANSMITTED) != message.is_rx
        assert length == message.dlc


@pytest.mark.parametrize(
    ("head", "expected"),
    [
        (GOOD.encode(), True),
        (b"# comment\n\n" + GOOD.encode(), True),
        (b"Date,Time\n" * 9 + GOOD.encode(), True),
        (b"Date,Time\n" * 10 + GOOD.encode(), False),
        (b"(17000", True),
        (b"(1700000000.12", True),
        (b"DROPCOUNT: dropped 1 CAN frame\n", True),
        (b"Date,Time,Id\n1,2,3\n", False),
        (b"(hello) world\n", False),
        (bytes(range(256)), False),
    ],
)
def test_a_log_is_recognised_by_its_first_ten_lines(head, expected):
    assert Candump().recognises(head) is expected


def test_columns_have_the_types_of_the_frame_table():
    for frames in (log(GOOD), log(STAMP + "123##111\n" + GOOD), log(GOOD + GOOD)):
        kinds = [getattr(frames, name).dtype for name in ("time_ns", "channel", "can_id", "flags")]
        assert kinds == [np.int64, np.uint8, np.uint32, np.uint8]
        kinds = [getattr(frames, name).dtype for name in ("length", "data", "heap_at", "heap")]
        assert kinds == [np.uint8, np.uint64, np.int32, np.uint8]
