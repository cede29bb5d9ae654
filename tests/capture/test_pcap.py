"""pcap reader against captures made by hand: see ``traffic`` for the layouts and their source.

Two packets are written out byte by byte here as the link-type registry describes them.
"""

import contextlib
import io
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canscope.capture.input.packets import walk
from canscope.capture.pcap.reader import Pcap
from canscope.model.errors import CaptureError
from canscope.model.tables import Flag, Tally, empty_frames, join
from tests.capture.traffic import (
    START_US,
    TRAFFIC,
    can_packet,
    cooked,
    expected,
    pcap,
    pcap_header,
    pcap_record,
    rows,
)


def capture(data, file="x.pcap"):
    """The whole of a capture as Frames."""
    return join([empty_frames(), *Pcap().read(io.BytesIO(data), file)])


def one(packet, *, link=227, order="<", original=None):
    """The only frame of a capture of one packet."""
    record = pcap_record(0, packet, order=order, original=original)
    return rows(capture(pcap_header(link, order=order) + record))[0]


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("nano", [False, True])
@pytest.mark.parametrize("pad", [True, False])
@pytest.mark.parametrize("link", [227, 113])
def test_all_kinds_of_frames_are_read_in_every_variant(order, nano, pad, link):
    data = pcap(TRAFFIC, order=order, nano=nano, pad=pad, link=link)
    frames = capture(data)
    assert rows(frames) == expected(TRAFFIC, channel="")
    assert frames.tally == Tally(lines=len(TRAFFIC))
    assert Pcap().recognises(data)


def test_a_packet_as_the_registry_describes_it():
    frame = one(bytes.fromhex("92345678 03 00 00 00 010203 0000000000"))
    assert frame == (START_US * 1000, "", 0x12345678, Flag.EXTENDED, 3, b"\1\2\3")
    error = one(bytes.fromhex("20000040 08 00 00 00 0000000000008800"))
    assert error[2:] == (0x40, Flag.ERROR, 8, bytes.fromhex("0000000000008800"))


def test_nanoseconds_are_kept():
    data = pcap_header(nano=True) + pcap_record(5, can_packet(1, 0, 0, b""), nano=True, nanos=789)
    assert capture(data).time_ns.tolist() == [(START_US + 5) * 1000 + 789]


@pytest.mark.parametrize(
    ("packet", "original", "is_fd"),
    [
        (can_packet(1, Flag.FD, 4, b"abcd"), None, True),
        (can_packet(1, Flag.FD, 4, b"abcd", pad=False), None, True),
        (can_packet(1, 0, 4, b"abcd"), None, False),
        (can_packet(1, 0, 4, b"abcd").ljust(72, b"\0"), None, True),
        (can_packet(1, 0, 4, b"abcd", pad=False), 72, True),
        # old recorders leave chance bytes where an FD frame has its flags and zeros
        (b"\0\0\0\1\4\x2e\x92\4abcd\0\0\0\0", None, False),
        (b"\0\0\0\1\4\4\x92\0abcd\0\0\0\0", None, False),
        (b"\0\0\0\1\4\4\0\x0babcd\0\0\0\0", None, False),
    ],
)
def test_an_fd_frame_is_told_by_its_flag_or_by_its_original_length(packet, original, is_fd):
    assert one(packet, original=original)[3:] == (Flag.FD if is_fd else 0, 4, b"abcd")


def test_a_raw_dlc_beyond_8_is_still_8_bytes():
    assert one(b"\0\0\0\1\x08\0\0\x0f12345678")[3:] == (0, 8, b"12345678")


def test_cooked_packets_say_which_frames_the_recorder_sent():
    packet = can_packet(0x123, 0, 1, b"x", order="<")
    assert one(cooked(packet, kind=4), link=113)[3] == Flag.TRANSMITTED
    assert one(cooked(packet, kind=0), link=113)[3] == 0


@pytest.mark.parametrize(
    ("link", "packet", "why"),
    [
        (227, b"\0\0\0\1\0\0\0", "the packet ends before its CAN header does"),
        (227, b"\0\0\0\1\x08\0\0\0abcdefg", "the packet ends before its payload does"),
        (227, b"\0\0\0\1\x09\0\0\0".ljust(24), "no classical frame carries 9 bytes"),
        (227, b"\0\0\0\1\x0a\4\0\0".ljust(72, b"\0"), "no CAN FD frame carries 10 bytes"),
        (227, b"\0\0\x08\0\0\0\0\0", "identifier 800 is beyond 11 bits"),
        (227, b"\0\0\0\1\x81\0\x10\0".ljust(28), "CAN XL frame"),
        (227, b"\x60\0\0\1\0\0\0\0", "an error frame is neither remote nor FD"),
        (227, b"\x40\0\0\1\0\4\0\0", "a remote frame is never FD"),
        (113, cooked(b"\1\0\0\0\0\0\0\0", protocol=0x0800), "holds no CAN frame"),
        (113, cooked(b"\1\0\0\0\0\0\0\0", hardware=1), "holds no CAN frame"),
        (113, b"\0\0", "holds no CAN frame"),
    ],
)
def test_a_packet_that_is_no_frame_is_counted_with_its_place_and_the_rest_is_read(
    link, packet, why
):
    good = can_packet(1, 0, 0, b"", order="<" if link == 113 else ">")
    good = cooked(good) if link == 113 else good
    packets = [good, packet, good]
    data = pcap_header(link) + b"".join(pcap_record(at, p) for at, p in enumerate(packets))
    frames = capture(data)
    assert frames.time_ns.tolist() == [START_US * 1000, (START_US + 2) * 1000]
    assert (frames.tally.lines, frames.tally.skipped) == (3, 1)
    assert frames.tally.examples[0].startswith(f"x.pcap: byte {24 + 16 + len(good)}: ")
    assert why in frames.tally.examples[0]


def test_a_fraction_of_a_whole_second_is_no_time():
    record = struct.pack("<IIII", 5, 1_000_000, 16, 16) + can_packet(1, 0, 0, b"")
    assert "fraction of a second" in capture(pcap_header() + record).tally.examples[0]


@pytest.mark.parametrize(
    ("link", "name"), [(1, "1 (Ethernet)"), (276, "276 (cooked, version 2)"), (147, "147")]
)
def test_another_link_type_is_refused_by_its_number_and_says_what_to_record(link, name):
    with pytest.raises(CaptureError, match="link type") as caught:
        capture(pcap_header(link) + pcap_record(0, bytes(60)))
    assert f"link type {name}, not 227" in str(caught.value)
    assert "hint: record the CAN interface itself" in str(caught.value)


def test_a_capture_cut_at_any_byte_keeps_its_whole_records_and_says_so():
    data, whole = pcap(TRAFFIC), expected(TRAFFIC, channel="")
    ends, at = [24], 24
    while at < len(data):
        at += 16 + struct.unpack_from("<I", data, at + 8)[0]
        ends.append(at)
    for cut in range(24, len(data)):
        frames = capture(data[:cut])
        kept = sum(end <= cut for end in ends) - 1
        assert rows(frames) == whole[:kept]
        assert frames.tally.cut_end == (cut not in ends)
        assert frames.tally.lines == kept + (cut not in ends)
    for cut in range(24):
        with pytest.raises(CaptureError, match="no file header"):
            capture(data[:cut])


def test_a_length_that_cannot_be_ends_the_reading_with_its_place():
    good = pcap_record(0, can_packet(1, 0, 0, b""))
    broken = struct.pack("<IIII", 5, 5, 1 << 20, 16)
    frames = capture(pcap_header() + good * 2 + broken + good * 100)
    assert len(frames) == 2
    assert frames.tally.cut_end
    assert frames.tally.examples == (
        "x.pcap: byte 88: no record can have this length; nothing from here on is read",
    )


@given(st.binary(max_size=400))
def test_random_bytes_end_in_frames_or_our_own_error(data):
    with contextlib.suppress(CaptureError):
        list(Pcap().read(io.BytesIO(data), "x"))
    tallies = [chunk.tally for chunk in Pcap().read(io.BytesIO(pcap_header() + data), "x")]
    assert sum(tally.lines for tally in tallies) >= bool(data)


@given(
    st.lists(st.tuples(st.sampled_from([0, 4, 8, 8, 8, 16]), st.integers(1, 60)), max_size=8),
    st.integers(0, 3),
)
def test_runs_of_equal_records_are_found_as_by_walking_one_by_one(runs, left):
    data = b"".join(
        struct.pack("<IIII", 0, 0, size, 0) + bytes(size)
        for size, times in runs
        for _ in range(times)
    )
    starts, at = [], 0
    while at < len(data):
        starts.append(at)
        at += 16 + struct.unpack_from("<I", data, at + 8)[0]
    found, end, wrecked = walk(data + bytes(left), 0, "<", field=8, extra=16, most=100)
    assert found.tolist() == starts
    assert (end, wrecked) == (len(data), False)


def test_records_that_lie_across_pieces_of_reading_are_whole():
    """More than 1 MiB, whose records of 38 bytes never end where a read does."""
    packets = [can_packet(n % 2048, 0, 8, n.to_bytes(8, "big"), pad=False) for n in range(40_000)]
    records = [pcap_record(n, p + b"      ") for n, p in enumerate(packets)]
    chunks = list(Pcap().read(io.BytesIO(pcap_header() + b"".join(records)), "x"))
    assert len(chunks) > 1
    frames = join(chunks)
    assert frames.data.byteswap().tolist() == list(range(40_000))
    assert frames.tally == Tally(lines=40_000)
