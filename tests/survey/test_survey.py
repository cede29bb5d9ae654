"""Fields, counters, checksums and references on traffic whose layout is known by construction."""

import numpy as np
import pytest
from crccheck.crc import Crc8SaeJ1850, Crc8Smbus

from canscope.model.errors import CanscopeError, CaptureError
from canscope.model.tables import FrameBuilder
from canscope.report.survey_page import outcome
from canscope.survey.ranking import picked, rank
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


def speeds(rng, second):
    """A speed of 0.5 rpm a step, and another number in a message of its own."""
    first = wave(rng, 6000, 0, 1400)
    builder = FrameBuilder()
    for row, values in enumerate(zip(first, second(first), strict=True)):
        for can_id, value in enumerate(values, start=0x123):
            data = int(value).to_bytes(2, "little", signed=True)
            builder.add(row * 10_000_000, "can0", can_id, 0, 2, data)
    at = (0.5, 3.5, 5.0, 8.0, 10.5, 13.0)
    meter = Reference("units.front.speed", at, tuple(first[int(s * 100)] * 0.5 for s in at))
    return builder.build(), meter


def test_of_two_that_move_alike_the_one_with_a_usual_factor_comes_first():
    """The other's steps would be 0.5 / 0.877 = 0.57 rpm, which nobody would choose."""
    frames, meter = speeds(np.random.default_rng(9), lambda v: np.round(0.877 * v).astype(int))
    _, surveyed = survey_frames([frames])
    [ranking] = rank(surveyed, [meter])
    best = ranking.candidates[0]
    assert (best.identifier.can_id, best.factor) == (0x123, 0.5)
    assert ranking.clear


def test_what_the_readings_cannot_tell_apart_is_a_tie_until_somebody_picks():
    frames, meter = speeds(np.random.default_rng(10), lambda v: v)
    _, surveyed = survey_frames([frames])
    [ranking] = rank(surveyed, [meter])
    assert (ranking.tied, ranking.clear) == (2, False)
    assert outcome(ranking).startswith("undecided: the first 2 follow it equally well")
    [mine] = picked([ranking], ["units.front.speed=2"])
    assert mine.candidates[0] == ranking.candidates[1]
    for wrong in ("units.front.speed=9", "units.front.speed=x", "units.rear.speed=1", "1"):
        with pytest.raises(CanscopeError):
            picked([ranking], [wrong])


def test_readings_of_one_unit_are_looked_for_on_one_bus():
    """Both links show the pack's voltage; only the speeds tell the buses apart."""
    rng = np.random.default_rng(11)
    link = np.round(2000 + 1500 * np.sin(np.arange(COUNT) / 200)).astype(int)
    turns = {"can1": wave(rng, 6000, 0, 1400), "can2": wave(rng, 5200, 0, 1100)}
    builder = FrameBuilder()
    for row in range(COUNT):
        for channel, speed in turns.items():
            data = int(speed[row]).to_bytes(2, "little", signed=True)
            data += int(link[row] + rng.integers(-1, 2)).to_bytes(2, "little")
            builder.add(row * 10_000_000, channel, 0x123, 0, 4, data)
    _, surveyed = survey_frames([builder.build()])
    at = (0.5, 3.5, 5.0, 8.0, 10.5, 13.0)
    volts = Reference("units.rear.link_voltage", at, tuple(link[int(s * 100)] / 10 for s in at))
    assert rank(surveyed, [volts])[0].tied == 2
    for channel, speed in turns.items():
        meter = Reference("units.rear.speed", at, tuple(speed[int(s * 100)] * 0.5 for s in at))
        _, found = rank(surveyed, [meter, volts])
        assert found.candidates[0].identifier.channel == channel
        assert found.clear


def two_links(apart=None, sensors=(1.0, 1.0)):
    """A voltage as two buses carry it, in steps of 0.1 V; from 12 s on the second is ``apart``."""
    rng = np.random.default_rng(22)
    link = 3600 * np.clip(np.minimum(np.arange(COUNT) - 200, 1300 - np.arange(COUNT)) / 200, 0, 1)
    builder = FrameBuilder()
    for row in range(COUNT):
        for channel, sensor in zip(("can1", "can2"), sensors, strict=True):
            volts = apart if apart is not None and row >= 1200 and channel == "can2" else link[row]
            data = max(round(volts * sensor + rng.normal(0, 2)), 0).to_bytes(2, "little")
            builder.add(row * 10_000_000, channel, 0x123, 0, 2, data)
    _, surveyed = survey_frames([builder.build()])
    return surveyed, link / 10


@pytest.mark.parametrize("meter", [1.0, 0.996, 1.004])
def test_two_sensors_of_one_voltage_are_undecided_however_the_meter_is_off(meter):
    """The sensors differ by 0.8 %; that the meter agrees with one of them says nothing."""
    surveyed, link = two_links(sensors=(0.996, 1.004))
    at = (0.5, 2.5, 3.0, 3.5, 6.0, 8.0, 11.5, 12.0, 14.0)
    volts = tuple(link[int(s * 100)] * meter for s in at)
    for channel, size in (("", 2), ("can1", 1), ("can2", 1)):
        [ranking] = rank(surveyed, [Reference("units.front.link_voltage", at, volts, channel)])
        assert (ranking.tied, ranking.clear) == (size, size == 1)
        first = ranking.candidates[0]
        assert first.identifier.channel == (channel or first.identifier.channel)
        assert first.factor == 0.1
        own = 0.996 if first.identifier.channel == "can1" else 1.004
        assert first.gain == pytest.approx(meter / own, abs=1e-3)  # what it reads too much
        if size == 2:
            assert not ranking.parting.enough
            told = outcome(ranking)
            assert "Nowhere in this capture do they differ enough" in told
            assert f"--reference {first.identifier.channel}:units.front.link_voltage=" in told


def test_where_undecided_fields_differ_is_told_and_a_reading_from_there_decides():
    """From 12 s on the second shows 250 V, and the first what the meter shows."""
    surveyed, link = two_links(apart=2500)
    at = (0.5, 2.5, 3.0, 3.5, 6.0, 8.0, 11.5)
    volts = tuple(link[int(s * 100)] for s in at)
    [ranking] = rank(surveyed, [Reference("units.front.link_voltage", at, volts)])
    assert ranking.tied == 2
    assert ranking.parting.enough
    assert ranking.parting.at_s > 12
    assert sorted(ranking.parting.said)[1] == pytest.approx(250, abs=1)
    assert f"differ most at {ranking.parting.at_s:g} s" in outcome(ranking)
    more = (*at, ranking.parting.at_s)
    volts = tuple(link[round(s * 100)] for s in more)
    [ranking] = rank(surveyed, [Reference("units.front.link_voltage", more, volts)])
    assert ranking.clear
    assert ranking.candidates[0].identifier.channel == "can1"


def test_marks_tell_when_and_not_which_of_two_tracks():
    """Two tracks of one pedal, pressed at 3, 9 and 15 s; at 22 s only the first is moved."""
    rng = np.random.default_rng(21)
    seconds = np.arange(COUNT) / 50

    def pressed(*starts):
        return sum(np.clip(np.minimum(seconds - at, at + 2 - seconds), 0, 0.4) for at in starts)

    both = pressed(3, 9, 15)
    tracks = [500 * both, 250 * both], [500 * pressed(3, 9, 15, 22), 250 * both]
    for (first, second), marks, places in (
        (tracks[0], (3.1, 9.2, 14.9), {0, 8}),
        (tracks[1], (3.1, 9.2, 14.9), {8}),
        (tracks[1], (3.1, 9.2, 14.9, 22.1), {0}),
    ):
        rows = np.array([t + rng.integers(0, 4, COUNT) for t in (first, second)]).astype(int).T
        _, surveyed = survey_frames([frames_of(rows.tolist(), every_ms=20)])
        [ranking] = rank(surveyed, [Reference("driver.pedal", marks)])
        assert {one.field.low for one in ranking.candidates[: ranking.tied]} == places
        assert ranking.clear is (len(places) == 1)
        assert ("one quantity sent twice" in outcome(ranking)) is (len(places) == 2)


def test_a_reference_on_a_bus_that_is_not_there_is_told():
    surveyed, _ = two_links()
    at = (1.0, 4.0, 9.0)
    with pytest.raises(CanscopeError, match="no bus named 'can7'"):
        rank(surveyed, [Reference("pack.voltage", at, at, "can7")])


def test_a_logger_whose_clock_is_off_tells_two_ramps_apart():
    """Once a second, all 0.3 s late, 0.2 % off; the other field is as large and a bit lazier."""
    rng = np.random.default_rng(13)
    seconds = np.arange(3000) / 100
    turns = np.interp(seconds, [0, 4, 4.5, 12, 13, 30], [0, 0, 700, 680, -690, 0])
    lazy = np.convolve(turns, np.ones(40) / 40, "same")
    rows = [
        b"".join(round(2 * v).to_bytes(2, "little", signed=True) for v in pair)
        for pair in zip(lazy, turns + rng.normal(0, 0.5, 3000), strict=True)
    ]
    _, surveyed = survey_frames([frames_of(rows)])
    at = np.arange(1.0, 29.0)
    shown = 1.002 * np.interp(at, seconds, turns)
    meter = Reference("units.front.speed", tuple((at + 0.3).tolist()), tuple(shown.tolist()))
    best = rank(surveyed, [meter])[0].candidates[0]
    assert (best.field.low, best.factor, best.offset) == (16, 0.5, 0.0)


def test_many_readings_at_rest_weigh_no_more_than_a_few():
    """A speed in steps of 5 rpm, mostly 0; a constant would give most of the readings."""
    rng = np.random.default_rng(14)
    speed = np.zeros(COUNT, int)
    speed[700:900] = 127
    rows = [
        bytes([n]) + int(v).to_bytes(2, "little")
        for n, v in zip(rng.integers(0, 3, COUNT), speed, strict=True)
    ]
    _, surveyed = survey_frames([frames_of(rows)])
    at = [0.3 + 0.1 * i for i in range(60)] + [7.5, 8.2] + [9.5 + 0.1 * i for i in range(50)]
    value = [635.0 if 7 < one < 9 else 0.0 for one in at]
    best = rank(surveyed, [Reference("units.rear.speed", tuple(at), tuple(value))])[0].candidates[0]
    assert (best.field.low, best.factor) == (8, 5.0)


def test_an_offset_shows_in_bits_that_never_changed():
    """A current of 0.001 A a step from -1000 A: around 0 A it is 0xF4240 +- 8000."""
    current = wave(np.random.default_rng(15), 8000, 0, 900)
    rows = [int(v + 1_000_000).to_bytes(3, "little") for v in current]
    _, surveyed = survey_frames([frames_of(rows)])
    at = (1.0, 4.0, 6.0, 9.5, 12.0, 13.0)
    meter = Reference("pack.current", at, tuple(current[int(s * 100)] / 1000 for s in at))
    best = rank(surveyed, [meter])[0].candidates[0]
    assert (best.factor, best.offset, best.field.length_bits) == (0.001, -1000.0, 20)


def test_digits_that_tremble_around_zero_are_no_sender():
    """Big endian, the high byte is 00 or FF by chance; a sender would keep its cycle."""
    rng = np.random.default_rng(16)
    speed = np.round(rng.normal(0, 1, COUNT) + 600 * (np.arange(COUNT) > 1200)).astype(int)
    volts = wave(rng, 300, 3500, 900)
    rows = [
        int(a).to_bytes(2, "big", signed=True) + int(b).to_bytes(2, "big")
        for a, b in zip(speed, volts, strict=True)
    ]
    survey, _ = survey_frames([frames_of(rows)])
    assert survey.identifiers[0].selector == ()


def test_what_is_pressed_begins_first_and_goes_to_one_side():
    """A torque 0.1 s after the pedal, as large, with a push back after each release."""
    rng = np.random.default_rng(17)
    seconds = np.arange(COUNT) / 100
    pedal = sum(np.clip((seconds - at) / 0.2, 0, 1) * (seconds < at + 1) for at in (3, 7, 11))
    back = sum((seconds >= at + 1.2) & (seconds < at + 1.5) for at in (3, 7, 11))
    torque = np.roll(pedal, 10) - back
    rows = [
        bytes([int(100 + 90 * t + n), 0, int(200 * p + m)])
        for p, t, n, m in zip(pedal, torque, *rng.integers(0, 3, (2, COUNT)), strict=True)
    ]
    _, surveyed = survey_frames([frames_of(rows)])
    [ranking] = rank(surveyed, [Reference("driver.pedal", (3.2, 7.3, 10.8))])
    assert ranking.candidates[0].field.low >= 16
    assert ranking.clear


def test_what_was_marked_comes_before_what_came_of_it():
    """A pedal pressed three times; a current that follows it 0.5 s later, a third of the way."""
    rng = np.random.default_rng(12)
    seconds = np.arange(COUNT) / 100
    pressed = sum((seconds >= at) & (seconds < at + 1) for at in (3, 7, 11))
    current = np.roll(pressed, 50)
    rows = [
        bytes([int(100 * c + n), 0, int(200 * p + m)])
        for p, c, n, m in zip(pressed, current, *rng.integers(0, 3, (2, COUNT)), strict=True)
    ]
    _, surveyed = survey_frames([frames_of(rows)])
    [ranking] = rank(surveyed, [Reference("driver.pedal", (3.1, 7.2, 10.9))])
    assert ranking.candidates[0].field.low >= 16


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
    words = [str(file), f"can2:speed*2={bare}", f"brake={marks}", "pedal=3.2,8.1"]
    found = read_references(words)
    assert found == [
        Reference("pack.voltage", (1.5, 2.0, 3.0), (357.9, 356.0, 0.0)),
        Reference("speed", (1.0, 2.0, 3.0), (20.0, 40.0, 60.0), "can2"),
        Reference("brake", (3.0, 8.0)),
        Reference("pedal", (3.2, 8.1)),
    ]


def test_decimal_commas_are_read_between_semicolons_and_told_between_commas():
    [meter] = read_references(["pack.voltage=1,5:357,9; 40:356,1; 71:341"])
    assert (meter.at_s, meter.value) == ((1.5, 40.0, 71.0), (357.9, 356.1, 341.0))
    with pytest.raises(CanscopeError, match="some of these have a value") as told:
        read_references(["pack.voltage=1,5:357,9,40:356,1"])
    assert "1,5:357,9; 40:356" in str(told.value)


def test_a_capture_without_data_frames_is_an_error():
    with pytest.raises(CaptureError, match="no data frames"):
        survey_frames([])
