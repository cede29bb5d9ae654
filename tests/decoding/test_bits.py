"""Bits -> raw codes -> values, by hand and by whole-number arithmetic on the payload.

A payload of n bytes read as one number: little-endian, an Intel field is ``number >> start``;
big-endian, a Motorola field is ``number >> (8 n - first - length)``. IEEE 754 patterns: 1.5 is
3FC00000 (binary32), 3FF8000000000000 (binary64), 3E00 (binary16), from the standard's encoding.
"""

import random

import numpy as np
import pytest

from canscope.decoding.bits import Fields, Heap, Payloads, bytes_needed
from canscope.model.definition import SignalSpec
from canscope.model.tables import FrameBuilder


def spec(start_bit, length_bits, **more):
    return SignalSpec("can0", "M", "S", start_bit, length_bits, **more)


def payloads(*data):
    builder = FrameBuilder()
    for number, one in enumerate(data):
        builder.add(number, "can0", 1, 0, len(one), one)
    frames = builder.build()
    rows = np.arange(len(frames))
    columns = frames.time_ns, frames.length, frames.data, frames.heap_at
    return Payloads(rows, *columns, Heap(frames))


def raw(signal, *data):
    return Fields([signal]).raw(payloads(*data))[0].tolist()


def value(signal, *data):
    fields = Fields([signal])
    return fields.physical(fields.raw(payloads(*data)))[0].tolist()


def test_an_intel_field_starts_at_its_lowest_bit():
    assert raw(spec(24, 16), bytes.fromhex("FF7D7DE015FFF0FF")) == [0x15E0]


def test_a_motorola_field_starts_at_its_highest_bit():
    assert raw(spec(7, 16, big_endian=True), bytes.fromhex("1234")) == [0x1234]
    assert raw(spec(3, 12, big_endian=True), bytes.fromhex("A123")) == [0x123]


def test_signed_fields_extend_their_sign():
    assert raw(spec(0, 12, signed=True), b"\xff\x0f", b"\xff\x07", b"\x00\x08") == [-1, 2047, -2048]


@pytest.mark.parametrize(
    ("bits", "pattern"), [(16, "003E"), (32, "0000C03F"), (64, "000000000000F83F")]
)
def test_ieee_floats_are_read_at_all_three_lengths(bits, pattern):
    assert value(spec(0, bits, is_float=True, factor=2.0), bytes.fromhex(pattern)) == [3.0]


def test_any_place_and_length_within_64_bytes_is_cut_out_exactly():
    pick = random.Random(20)
    data = [pick.randbytes(64) for _ in range(20)]
    for _ in range(300):
        length = pick.randint(1, 64)
        first = pick.randint(0, 512 - length)
        mask = (1 << length) - 1
        intel = spec(first, length)
        expected = [int.from_bytes(d, "little") >> first & mask for d in data]
        assert [code % 2**64 for code in raw(intel, *data)] == expected
        motorola = spec(first // 8 * 8 + 7 - first % 8, length, big_endian=True)
        expected = [int.from_bytes(d, "big") >> (512 - first - length) & mask for d in data]
        assert [code % 2**64 for code in raw(motorola, *data)] == expected


def test_bytes_needed_counts_to_the_last_bit():
    assert bytes_needed(spec(0, 8)) == 1
    assert bytes_needed(spec(4, 8)) == 2
    assert bytes_needed(spec(7, 16, big_endian=True)) == 2
    assert bytes_needed(spec(0, 2, big_endian=True)) == 2  # bit 0, then bit 15
    assert bytes_needed(spec(60, 64)) == 16


def test_64_bit_codes_are_rounded_once():
    largest = bytes([0xFF] * 8)
    assert value(spec(0, 64), largest) == [float(2**64 - 1)]
    assert value(spec(0, 64, signed=True), largest) == [-1.0]
    # (2**60 + 1) * 3 - 1, in whole numbers: float64 factors would round before the subtraction.
    odd = spec(0, 61, factor=3.0, offset=-1.0)
    assert value(odd, (2**60 + 1).to_bytes(8, "little")) == [float((2**60 + 1) * 3 - 1)]


def test_many_signals_at_once_give_what_each_gives_alone():
    signals = [
        spec(0, 8),
        spec(7, 8, big_endian=True, signed=True),
        spec(8, 16, signed=True, factor=0.1),
        spec(23, 12, big_endian=True),
        spec(100, 20),
        spec(200, 32, is_float=True),
    ]
    data = [random.Random(3).randbytes(64) for _ in range(5)]
    together = Fields(signals)
    codes = together.raw(payloads(*data))
    for row, signal in enumerate(together.specs):
        assert codes[row].tolist() == raw(signal, *data)
