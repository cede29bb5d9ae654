"""Fields, counters, checksums and references on traffic whose layout is known by construction."""

import numpy as np
import pytest
from crccheck.crc import Crc8SaeJ1850, Crc8Smbus

from canscope.model.errors import CaptureError
from canscope.model.tables import FrameBuilder
from canscope.survey.ranking import rank
from canscope.survey.reference import Reference, read_references
from canscope.survey.survey import survey_frames

COUNT = 1500


def frames_of(payloads, can_id=0x123, every_ms=10):
    builder = FrameBuilder()
    for row, payload in enumerate(payloads):
        builder.add(row * every_ms * 1_000_000, "can0", can_id, 0, len(payload), bytes(payload))
    return builder.build()


def fields_of(payloads):
    survey, _ = survey_frames([frames_of(payloads)])
    return survey.identifiers[0].fields


def wave(rng, amplitude, middle=0, period=400):
    """A slow swing with noise of a thousandth of it."""
    swing = np.sin(2 * np.pi * np.arange(COUNT) / period) + rng.normal(0, 0.001, COUNT)
    return np.round(middle + amplitude * swing).astype(int)


@pytest.mark.parametrize("order", ["little", "big"])
def test_a_signed_and_an_unsigned_number_are_found_in_either_byte_order(order):
    rng = np.random.default_rng(1)
    signed, plain = wave(rng, 12000, 0, 1400), wave(rng, 12000, 32000, 1100)
    rows = [
        int(a).to_bytes(2, order, signed=True) + int(b).to_bytes(2, order)
        for a, b in zip(signed, plain, strict=True)
    ]
    start = {"little": (0, 16), "big": (7, 23)}[order]
    found = [(f.start_bit, f.length_bits, f.big_endian, f.signed) for f in fields_of(rows)]
    assert found == [(start[0], 16, order == "big", True), (start[1], 16, order == "big", False)]


@pytest.mark.parametrize(
    ("check", "about"),
    [
        (Crc8SaeJ1850.calc, "crc8-sae-j1850 (polynomial 0x1d)"),
        (Crc8Smbus.calc, "crc8-smbus (polynomial 0x07)"),
        (lambda data: sum(data) & 0xFF, "sum of all other bytes, modulo 256"),
        (lambda data: np.bitwise_xor.reduce(list(data)), "exclusive or of all other bytes"),
    ],
)
def test_a_checksum_is_named_and_the_counter_beside_it_found(check, about):
    """The checksums are the library crccheck's own."""
    speed = wave(np.random.default_rng(2), 9000, 20000)
    bodies = [
        int(v).to_bytes(2, "little") + bytes([row % 15]) for row, v in enumerate(speed.tolist())
    ]
    found = {f.kind: f for f in fields_of([b + bytes([int(check(b))]) for b in bodies])}
    assert (found["checksum"].low, found["checksum"].bits) == (24, 8)
    assert found["checksum"].about.startswith(about)
    assert (found["counter"].low, found["counter"].about) == (16, "counts 0 to 14")


def test_random_bytes_hold_nothing():
    rng = np.random.default_rng(3)
    for count in (3, 40, 2000):
        rows = rng.integers(0, 256, (count, 8), np.uint8)
        assert {f.kind for f in fields_of(rows)} <= {"unexplained"}


def test_a_copy_of_a_byte_is_no_checksum():
    pedal = np.clip(np.abs(wave(np.random.default_rng(4), 100)), 0, 255)
    assert "checksum" not in {f.kind for f in fields_of([[p, p] for p in pedal])}


def test_frames_of_several_senders_are_told_apart_by_their_first_byte():
    rng = np.random.default_rng(5)
    levels = [wave(rng, 40, middle) for middle in (1200, 2600)]
    rows = [
        bytes([row % 2 + 1]) + int(levels[row % 2][row]).to_bytes(2, "little")
        for row in range(COUNT)
    ]
    survey, _ = survey_frames([frames_of(rows)])
    assert survey.identifiers[0].selector == (1, 2)
    [number] = [f for f in survey.identifiers[0].fields if f.low >= 8]
    assert (number.low, number.length_bits) == (8, 16)


def test_longer_payloads_than_eight_bytes_are_surveyed():
    speed = wave(np.random.default_rng(6), 9000, 20000, 1300)
    [field] = fields_of([bytes(30) + int(v).to_bytes(2, "little") for v in speed])
    assert (field.low, field.length_bits) == (240, 16)


def test_the_field_that_follows_a_meter_or_marks_comes_first():
    """350 V as 0.1 V steps; a pedal pressed at 3, 7 and 11 s for one second."""
    rng = np.random.default_rng(7)
    volts, other = wave(rng, 400, 3500, 900), wave(rng, 400, 3500, 370)
    seconds = np.arange(COUNT) / 100
    pressed = [any(at <= s < at + 1 for at in (3, 7, 11)) for s in seconds]
    rows = [
        int(a).to_bytes(2, "little") + int(b).to_bytes(2, "little") + bytes([c])
        for a, b, c in zip(volts, other, pressed, strict=True)
    ]
    _, surveyed = survey_frames([frames_of(rows)])
    at = (1.0, 4.0, 6.0, 9.5, 13.0)
    meter = Reference("pack.voltage", at, tuple(volts[int(s * 100)] / 10 for s in at))
    first, second = rank(surveyed, [meter, Reference("driver.brake", (3.1, 7.2, 10.9))])
    best = first.candidates[0]
    assert (best.field.low, best.factor, best.offset, first.clear) == (0, 0.1, 0.0, True)
    assert second.candidates[0].field.low == 32


def test_fields_read_as_one_stay_within_the_payload():
    """Two neighbours in the last bytes, in the other order than the spare bits of the upper one."""
    rng = np.random.default_rng(8)
    speed, upper, lower = wave(rng, 12000, 32000), wave(rng, 7, 8, 350), wave(rng, 30, 32, 290)
    rows = [
        int(a).to_bytes(2, "big") + bytes([0, int(b) << 4, int(c)])
        for a, b, c in zip(speed, upper, lower, strict=True)
    ]
    _, surveyed = survey_frames([frames_of(rows)])
    reference = Reference("pack.voltage", (0.3, 1.0, 1.7, 2.5), (3.0, 1.0, 2.0, 0.5))
    [ranking] = rank(surveyed, [reference])
    for one in ranking.candidates:
        byte, bit = divmod(one.field.low, 8)
        whole = (bit + one.field.length_bits + 7) // 8
        last = byte - whole + 1 if one.field.big_endian else byte + whole - 1
        assert 0 <= last < 5


def test_references_are_read_in_every_form(tmp_path):
    file = tmp_path / "meter.csv"
    file.write_text(
        "at_s;role;value\n1,5;pack.voltage;357,9\n2;pack.voltage;356\n3;pack.voltage;0\n"
    )
    bare = tmp_path / "bare.csv"
    bare.write_text("1,10\n2,20\n3,30\n")
    marks = tmp_path / "marks.jsonl"
    marks.write_text('{"at_s": 3, "text": "x"}\n{"at_s": 8}\n')
    found = read_references([str(file), f"speed*2={bare}", f"brake={marks}", "pedal=3.2,8.1"])
    assert found == [
        Reference("pack.voltage", (1.5, 2.0, 3.0), (357.9, 356.0, 0.0)),
        Reference("speed", (1.0, 2.0, 3.0), (20.0, 40.0, 60.0)),
        Reference("brake", (3.0, 8.0)),
        Reference("pedal", (3.2, 8.1)),
    ]


def test_a_capture_without_data_frames_is_an_error():
    with pytest.raises(CaptureError, match="no data frames"):
        survey_frames([])
