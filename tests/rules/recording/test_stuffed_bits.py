"""How many bits a frame takes.

Exact lengths: recorded by a CAN controller (python-can sdist, test/data) and recomputed. Never
above the worst case of Davis, Burns, Bril, Lukkien: "Controller Area Network (CAN) schedulability
analysis: Refuted, revisited and revised", Real-Time Systems 35 (2007), eq. (1)-(3): 55 + 10 n bits
with 11-bit and 80 + 10 n with 29-bit identifiers; never below the unstuffed 47 + 8 n and 67 + 8 n
(linux/can/length.h). The bit-by-bit reference below is the standard's own wording, done slowly.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canscope.model.tables import Flag, FrameBuilder
from canscope.rules.recording._stuffed_bits import _crc_table, frame_bits

FD_LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)
EXTENDED, FD, BRS, ESI = Flag.EXTENDED, Flag.FD, Flag.BRS, Flag.ESI


def bits_of(*frames):
    builder = FrameBuilder()
    for can_id, flags, data in frames:
        builder.add(0, "can0", can_id, flags, len(data), data)
    table = builder.build()
    return frame_bits(table, np.arange(len(table)))


PUBLISHED = [
    (0x18EBFF00, EXTENDED, "01A00FA6603BD140", 141),
    (0x18EBFF00, EXTENDED, "03E1004BFFFF3C0F", 146),
    (0x6F8, 0, "FF000CFE00000000", 124),
    (0x18EBFF00, EXTENDED, "021FDE8025DFC02B", 140),
    (0x18EBFF00, EXTENDED, "04004BFFFFFFFFFF", 146),
    (0x123, 0, "1122334455667788", 112),
    (0x000, 0, "", 53),
]


def test_frames_recorded_by_a_controller_have_their_published_lengths():
    every, slow = bits_of(*((i, f, bytes.fromhex(d)) for i, f, d, _ in PUBLISHED))
    assert every.tolist() == [bits for *_, bits in PUBLISHED]
    assert slow.tolist() == every.tolist()


def test_the_checksum_of_a_frame_is_crc_15():
    # CRC-15/CAN of "123456789" is 059E.
    crc = 0
    for byte in b"123456789":
        crc = (crc << 8 & 0x7FFF) ^ int(_crc_table()[crc >> 7 ^ byte])
    assert crc == 0x059E


def word(value, width):
    return [value >> place & 1 for place in reversed(range(width))]


def header(can_id, flags, length):
    """Bits from start of frame to the length code."""
    wide, remote = bool(flags & EXTENDED), int(bool(flags & Flag.REMOTE))
    identifier = [*word(can_id >> 18, 11), 1, 1, *word(can_id, 18)] if wide else word(can_id, 11)
    if flags & FD:
        fast, passive = int(bool(flags & BRS)), int(bool(flags & ESI))
        control = [0, 1, 0, fast, passive] if wide else [0, 0, 1, 0, fast, passive]
        return [0, *identifier, *control, *word(FD_LENGTHS.index(length), 4)]
    return [0, *identifier, remote, 0, 0, *word(length, 4)]


def stuffed(bits, at_end):
    """Stuff bits: one of the other kind after five equal ones, which counts for the next five."""
    count, last, run = 0, 1, 0
    for bit in bits:
        if run == 5:
            count, last, run = count + 1, 1 - last, 1
        last, run = bit, run + 1 if bit == last else 1
    return count + (at_end and run == 5)


def slowly(can_id, flags, data):
    """The length of a frame, bit by bit."""
    bits = header(can_id, flags, len(data)) + [b for byte in data for b in word(byte, 8)]
    if flags & FD:
        check = 4 + (17 + 6 if len(data) <= 16 else 21 + 7)
        return len(bits) + stuffed(bits, False) + check + 13
    crc = 0
    for bit in bits:
        turn = bit ^ crc >> 14
        crc = (crc << 1 & 0x7FFF) ^ (0x4599 if turn else 0)
    return len(bits) + 15 + stuffed(bits + word(crc, 15), True) + 13


@st.composite
def frames(draw):
    flags = draw(st.sampled_from([0, EXTENDED, FD, FD | EXTENDED, FD | BRS, FD | EXTENDED | ESI]))
    can_id = draw(st.integers(0, 2**29 - 1 if flags & EXTENDED else 2**11 - 1))
    length = draw(st.sampled_from(FD_LENGTHS if flags & FD else range(9)))
    # Long runs of equal bits are what stuffing is about.
    byte = st.sampled_from([0, 0xFF, 0x0F, 0xF0, 0x1F, 0x07]) | st.integers(0, 255)
    return can_id, flags, bytes(draw(st.lists(byte, min_size=length, max_size=length)))


@given(st.lists(frames(), min_size=1, max_size=8))
def test_every_frame_is_as_long_as_when_counted_bit_by_bit(some):
    assert bits_of(*some)[0].tolist() == [slowly(*frame) for frame in some]


@given(frames().filter(lambda frame: not frame[1] & FD))
def test_no_classical_frame_is_longer_than_the_worst_case_or_shorter_than_unstuffed(frame):
    can_id, flags, data = frame
    worst, least = (80, 67) if flags & EXTENDED else (55, 47)
    bits = int(bits_of((can_id, flags, data))[0][0])
    assert least + 8 * len(data) <= bits <= worst + 10 * len(data)


def test_a_remote_frame_carries_no_data():
    builder = FrameBuilder()
    builder.add(0, "can0", 0x123, Flag.REMOTE, 8, b"")
    bits = frame_bits(builder.build(), np.array([0]))[0]
    assert 47 <= bits[0] <= 55


@pytest.mark.parametrize(("flags", "slow"), [(FD | BRS, 29), (FD | BRS | EXTENDED, 48)])
def test_of_a_frame_that_switches_its_rate_only_the_ends_are_sure_to_be_slow(flags, slow):
    # 11 bits: SOF 1, id 11, RRS, IDE, FDF, res, BRS 5; then ACK 2, EOF 7, interframe space 3.
    every, ends = bits_of((0x123, flags, bytes(range(64))))
    assert ends[0] == slow
    assert every[0] > 8 * 64
