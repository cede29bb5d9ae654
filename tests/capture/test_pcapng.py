"""pcapng reader against captures made by hand: see ``traffic`` for the layouts and their source."""

import contextlib
import io
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canscope.capture.pcapng.reader import Pcapng
from canscope.model.errors import CaptureError
from canscope.model.tables import Flag, Tally, join
from tests.capture.traffic import (
    START_US,
    TRAFFIC,
    block,
    can_packet,
    cooked,
    expected,
    interface,
    option,
    packet_block,
    pcapng,
    rows,
    section,
)

PACKET = can_packet(0x123, 0, 2, b"\1\2")
FRAME = (0x123, 0, 2, b"\1\2")


def capture(*parts, file="x.pcapng"):
    """The whole of a capture as Frames."""
    return join(list(Pcapng().read(io.BytesIO(b"".join(parts)), file)))


def names(frames):
    """The channel of each frame."""
    return [frames.channels[code] for code in frames.channel]


@pytest.mark.parametrize("order", ["<", ">"])
def test_all_kinds_of_frames_are_read_on_channels_named_as_the_interfaces(order):
    data = pcapng(TRAFFIC, order=order)
    frames = capture(data)
    assert rows(frames) == expected(TRAFFIC)
    assert frames.tally == Tally(lines=len(TRAFFIC))
    assert Pcapng().recognises(data)


@pytest.mark.parametrize("order", ["<", ">"])
def test_a_cooked_interface_has_identifiers_in_the_byte_order_of_the_recorder(order):
    packet = cooked(can_packet(0x12345678, Flag.EXTENDED, 1, b"x", order=order), kind=4)
    frames = capture(
        section(order),
        interface("any", link=113, order=order),
        packet_block(0, START_US, packet, order=order),
    )
    flags = Flag.EXTENDED | Flag.TRANSMITTED
    assert rows(frames) == [(START_US * 1000, "any", 0x12345678, flags, 1, b"x")]


@pytest.mark.parametrize(
    ("resolution", "ticks", "time_ns"),
    [
        (None, 1_715_677_200_000_123, 1_715_677_200_000_123_000),
        (6, 1_715_677_200_000_123, 1_715_677_200_000_123_000),
        (9, 1_715_677_200_000_123_456, 1_715_677_200_000_123_456),
        (0, 1_715_677_200, 1_715_677_200_000_000_000),
        (12, 1_234_567_890_123, 1_234_567_890),
        (0x80 | 10, (1_715_677_200 << 10) + 512, 1_715_677_200_500_000_000),
        (0x80 | 32, (1_715_677_200 << 32) + (1 << 30), 1_715_677_200_250_000_000),
        (0x80 | 50, (9 << 50) + (1 << 49), 9_500_000_000),
    ],
)
def test_stamps_count_in_the_resolution_of_their_interface(resolution, ticks, time_ns):
    options = b"" if resolution is None else option(9, bytes([resolution]))
    frames = capture(section(), interface("can0", options=options), packet_block(0, ticks, PACKET))
    assert frames.time_ns.tolist() == [time_ns]


def test_an_offset_in_seconds_is_added_to_stamps():
    options = option(14, struct.pack("<q", 1_715_677_200))
    frames = capture(section(), interface("can0", options=options), packet_block(0, 5, PACKET))
    assert frames.time_ns.tolist() == [1_715_677_200_000_005_000]


def test_a_stamp_beyond_64_bits_of_nanoseconds_is_no_time():
    frames = capture(section(), interface("can0"), packet_block(0, (1 << 64) - 1, PACKET))
    assert len(frames) == 0
    assert "its time does not fit" in frames.tally.examples[0]


def test_the_only_nameless_interface_has_no_name_and_several_are_numbered():
    assert capture(section(), interface(), packet_block(0, 1, PACKET)).channels == ("",)
    mixed = capture(
        section(),
        interface(),
        interface("rear"),
        interface(),
        *(packet_block(number, number, PACKET) for number in range(3)),
    )
    assert names(mixed) == ["can0", "rear", "can2"]


def test_a_later_section_has_interfaces_and_a_byte_order_of_its_own():
    frames = capture(
        section(),
        interface("can1"),
        packet_block(0, 1, PACKET),
        section(">"),
        interface("can0", order=">"),
        interface("can1", order=">"),
        packet_block(0, 2, PACKET, order=">"),
        packet_block(1, 3, PACKET, order=">"),
        section(),
        packet_block(0, 4, PACKET),
    )
    assert names(frames) == ["can1", "can0", "can1"]
    assert frames.time_ns.tolist() == [1000, 2000, 3000]
    assert "an interface that the file does not describe" in frames.tally.examples[0]


def test_packets_of_other_interfaces_are_counted_with_their_place():
    frames = capture(
        section(),
        interface("eth0", link=1),
        interface("can0"),
        packet_block(0, 1, bytes(60)),
        packet_block(1, 2, PACKET),
    )
    assert rows(frames) == [(2000, "can0", *FRAME)]
    assert (frames.tally.lines, frames.tally.skipped) == (2, 1)
    place = len(section() + interface("eth0", link=1) + interface("can0"))
    assert frames.tally.examples == (
        f"x.pcapng: byte {place}: a packet of an interface that is no CAN",
    )


def test_a_capture_of_other_interfaces_alone_is_refused_and_says_what_to_record():
    parts = section(), interface("eth0", link=1), packet_block(0, 1, bytes(60))
    with pytest.raises(CaptureError, match=r"link type 1 \(Ethernet\), not 227") as caught:
        capture(*parts)
    assert "hint: record the CAN interface itself" in str(caught.value)


def test_packets_without_a_time_are_counted():
    simple = block(3, struct.pack("<I", 16) + PACKET)
    old = block(2, struct.pack("<HHIIII", 0, 0, 0, 0, 16, 16) + PACKET)
    frames = capture(section(), interface("can0"), simple, old, packet_block(0, 1, PACKET))
    assert len(frames) == 1
    assert (frames.tally.lines, frames.tally.skipped) == (3, 2)
    assert "a packet without a time" in frames.tally.examples[0]


def test_directions_and_lost_packets_are_taken_from_the_options():
    """Options 2 epb_flags (2 is outbound) and 4 epb_dropcount; 5 isb_ifdrop, 7 isb_osdrop."""
    comment = option(1, b"a comment of odd size")
    out, lost = option(2, struct.pack("<I", 2)), option(4, struct.pack("<Q", 7))
    end = option(0, b"")
    statistics = block(5, struct.pack("<III", 0, 0, 0) + option(5, struct.pack("<Q", 3))
                       + option(7, struct.pack("<Q", (1 << 64) - 1)) + end)  # fmt: skip
    frames = capture(
        section(),
        interface("can0"),
        packet_block(0, 1, PACKET, options=comment + out + end),
        packet_block(0, 2, PACKET, options=lost + comment + option(2, struct.pack("<I", 1)) + end),
        packet_block(0, 3, PACKET, options=out),
        packet_block(0, 4, PACKET),
        statistics,
    )
    sent = Flag.TRANSMITTED
    assert [row[3] for row in rows(frames)] == [sent, 0, sent, 0]
    assert frames.tally == Tally(lines=4, dropped=10)


def test_blocks_of_unknown_kinds_are_passed_over():
    secrets = block(10, bytes(2000))
    frames = capture(section(), secrets, interface("can0"), secrets, packet_block(0, 1, PACKET))
    assert frames.tally == Tally(lines=1)


def test_a_packet_longer_than_its_block_is_counted():
    good = packet_block(0, 1, PACKET)
    wrong = good[:20] + struct.pack("<I", 17) + good[24:]
    unlike = good[:-4] + struct.pack("<I", 44)
    short = block(6, bytes(8))
    frames = capture(section(), interface("can0"), good, wrong, unlike, short, good)
    assert len(frames) == 2
    assert frames.tally.skipped == 3
    assert all("its lengths contradict each other" in said for said in frames.tally.examples)


def test_a_capture_cut_at_any_byte_keeps_its_whole_blocks_and_says_so():
    data, whole = pcapng(TRAFFIC), expected(TRAFFIC)
    ends, at, packets = {}, 0, 0
    while at < len(data):
        kind, size = struct.unpack_from("<II", data, at)
        packets += kind == 6
        at += size
        ends[at] = packets
    for cut in range(1, len(data)):
        frames = capture(data[:cut])
        kept = max((count for end, count in ends.items() if end <= cut), default=0)
        assert rows(frames) == whole[:kept]
        assert frames.tally.cut_end == (cut not in ends)


@pytest.mark.parametrize("length", [0, 8, 13, 1 << 30])
def test_a_length_that_cannot_be_ends_the_reading_with_its_place(length):
    begun = section() + interface("can0") + packet_block(0, 1, PACKET)
    frames = capture(begun, struct.pack("<II", 6, length), packet_block(0, 2, PACKET) * 50)
    assert len(frames) == 1
    assert frames.tally.cut_end
    assert f"x.pcapng: byte {len(begun)}: " in frames.tally.examples[0]


def test_what_does_not_begin_with_a_section_is_refused():
    with pytest.raises(CaptureError, match="no section header"):
        capture(packet_block(0, 1, PACKET))
    assert not Pcapng().recognises(section()[:8] + b"\0\0\0\0")


@given(st.binary(max_size=400))
def test_random_bytes_end_in_frames_or_our_own_error(data):
    for begun in (b"", section() + interface("can0"), section()[:8]):
        with contextlib.suppress(CaptureError):
            list(Pcapng().read(io.BytesIO(begun + data), "x"))


def test_blocks_that_lie_across_pieces_of_reading_are_whole():
    """More than 1 MiB; sizes change, so that runs of equal blocks begin and end anywhere."""
    parts = [section(), interface("can0")]
    for n in range(30_000):
        pad = n // 100 % 3 != 0
        parts.append(packet_block(0, n, can_packet(n % 2048, 0, 5, n.to_bytes(5, "big"), pad=pad)))
    frames = capture(*parts)
    assert frames.tally == Tally(lines=30_000)
    assert frames.time_ns.tolist() == [n * 1000 for n in range(30_000)]
    assert frames.can_id.tolist() == [n % 2048 for n in range(30_000)]
