"""checksum, held to published vectors.

CRC-8 samples: AUTOSAR SWS CRCLibrary R20-11. Check values of "123456789": SAE J1850 4B, 8H2F DF.
Reference for any bytes: crccheck. Exclusive or and sum are worked by hand.
"""

import numpy as np
import pytest
from crccheck.crc import Crc8Autosar, Crc8SaeJ1850
from hypothesis import given
from hypothesis import strategies as st

from canscope.model.bench import Kind
from canscope.model.findings import Verdict
from canscope.model.tables import Flag
from canscope.rules.shared.checksums import PROFILES
from tests.rules.frames import Row, bench_of, judge, message

ROLE = "units.front.checksum"
SAMPLES = ["00000000", "F20183", "0FAA0055", "00FF5511", "332255AABBCCDDEEFF", "926B55", "FFFFFFFF"]
J1850 = [0x59, 0x37, 0x79, 0xB8, 0xCB, 0x8C, 0x74]
H2F = [0x12, 0xC2, 0xC6, 0x77, 0x11, 0x33, 0x6C]


def run(payloads, profile="crc8-sae-j1850", place=7, big_endian=False, cuts=None, **options):
    """The checksum lies in byte ``place``; payloads beyond 8 bytes are FD frames."""
    length = max(map(len, payloads))
    start = 8 * place + (7 if big_endian else 0)
    signal = (start, 8, {"big_endian": big_endian})
    spec = message("Fast", 0x100, length, {"Check": signal}, cycle_s=0.01)
    role = {ROLE: ("can0:Fast.Check", Kind.CODE, {"profile": profile, **options})}
    flags = Flag.FD if length > 8 else 0
    rows = [Row(k / 100, "can0", 0x100, data, flags) for k, data in enumerate(payloads)]
    return judge("checksum", rows, [spec], bench_of([spec], role), cuts=cuts)["front"]


@pytest.mark.parametrize("big_endian", [False, True])
@pytest.mark.parametrize(("profile", "sums"), [("crc8-sae-j1850", J1850), ("crc8-8h2f", H2F)])
@pytest.mark.parametrize("number", range(len(SAMPLES)))
def test_published_samples_fit_and_any_other_checksum_does_not(number, profile, sums, big_endian):
    data = bytes.fromhex(SAMPLES[number])
    where = {"profile": profile, "place": len(data), "big_endian": big_endian}
    padding = bytes(12 - len(data) - 1) if len(data) > 7 else b""  # FD frames have 12 bytes
    right = data + bytes([sums[number]]) + padding
    wrong = data + bytes([sums[number] ^ 0x01]) + padding
    assert run([right] * 3, **where).verdict is Verdict.PASS
    finding = run([right, wrong, right, wrong], **where)
    assert (finding.verdict, finding.measured, finding.first_failed_s) == (Verdict.FAIL, 2, 0.01)
    assert f"reads {sums[number] ^ 1:02X} and has to be {sums[number]:02X}" in finding.sentence
    assert "some frames" in finding.sentence
    assert finding.code == "some-frames"
    assert "wrong of 4: 2 frames, limit 0 frames" in finding.sentence
    assert "every frame" in run([wrong] * 3, **where).sentence
    assert run([wrong] * 3, **where).code == "every-frame"
    assert run([right, wrong, wrong], **where).code == "most-frames"


@pytest.mark.parametrize(
    ("profile", "value"),
    [
        ("crc8-sae-j1850", 0x4B),
        ("crc8-8h2f", 0xDF),
        ("xor8", 0x31),  # 1 ^ 2 ^ ... ^ 9 = 1, and nine 30s leave one 30
        ("sum8", 0xDD),  # 9 * 0x30 + 45 = 477 = 256 + 221
    ],
)
def test_check_values(profile, value):
    columns = [np.array([byte], np.uint8) for byte in b"123456789"]
    assert PROFILES[profile](columns).tolist() == [value]


@given(st.lists(st.binary(min_size=5, max_size=5), min_size=1, max_size=20))
def test_any_bytes_give_what_the_reference_library_gives(rows):
    columns = [np.array(column, np.uint8) for column in zip(*rows, strict=True)]
    assert PROFILES["crc8-sae-j1850"](columns).tolist() == [Crc8SaeJ1850.calc(r) for r in rows]
    assert PROFILES["crc8-8h2f"](columns).tolist() == [Crc8Autosar.calc(r) for r in rows]


def test_only_the_bytes_named_are_covered_and_never_its_own():
    data = bytes.fromhex("1122334455667788")
    checked = bytes([0, 0x22 ^ 0x33 ^ 0x44]) + data[2:]
    # Byte 1 holds the checksum of bytes 2 to 4, whatever byte 0 says.
    body = bytes.fromhex("77") + bytes([0x33 ^ 0x44 ^ 0x55]) + data[2:]
    assert run([body], profile="xor8", place=1, over=(2, 4)).verdict is Verdict.PASS
    assert run([body], profile="xor8", place=1, over=(1, 4)).verdict is Verdict.PASS
    assert run([checked], profile="xor8", place=1, over=(2, 4)).verdict is Verdict.FAIL


def test_a_data_id_follows_the_bytes():
    # AUTOSAR end-to-end profile 22, example from memory: counter 1, identifier 02, checksum 1B.
    frame = bytes.fromhex("1B01000000000000")
    options = {"profile": "crc8-8h2f", "place": 0, "over": (1, 7)}
    assert run([frame], data_id=0x02, **options).verdict is Verdict.PASS
    assert run([frame], data_id=0x03, **options).verdict is Verdict.FAIL
    assert run([frame], **options).verdict is Verdict.FAIL
    # Two bytes, the lower one first: 01 + 34 + 12 = 47.
    assert run([b"\1\x47"], profile="sum8", place=1, data_id=0x1234).verdict is Verdict.PASS


def test_a_checksum_in_odd_bits_is_read_as_the_definition_says():
    # Little-endian from bit 12: the lower half is the top of byte 1, the upper one byte 2's bottom.
    spec = message("Fast", 0x100, 3, {"Check": (12, 8)}, cycle_s=0.01)
    options = {"profile": "sum8"}
    bench = bench_of([spec], {ROLE: ("can0:Fast.Check", Kind.CODE, options)})
    row = Row(0, "can0", 0x100, bytes([0xA7, 0x70, 0x0A]))
    assert judge("checksum", [row], [spec], bench)["front"].verdict is Verdict.PASS


def test_a_frame_too_short_for_its_checksum_is_not_judged():
    right = bytes(7) + bytes([Crc8SaeJ1850.calc(bytes(7))])
    assert run([right, bytes(5), right]).verdict is Verdict.PASS


def test_a_node_that_wakes_may_send_frames_before_it_reckons_checksums():
    """Twice blank, then right: start-up frames. Blank after a right one, or for over 1 s: wrong."""
    right = b"\x05" + bytes(6) + bytes([Crc8SaeJ1850.calc(b"\x05" + bytes(6))])
    blank, ones, other = (right[:7] + bytes([end]) for end in (0x00, 0xFF, right[7] ^ 1))
    started = run([blank, ones, right, right], cuts="each")
    assert (started.verdict, started.measured) == (Verdict.PASS, 0)
    assert run([blank, right, blank, right]).measured == 1
    assert run([blank, other, right, right]).measured == 1
    never = run([blank] * 105)
    assert (never.verdict, never.first_failed_s) == (Verdict.FAIL, 1.0)
    assert run([blank] * 3).reason == "not-exercised"


def test_a_unit_without_checksum_has_no_finding():
    spec = message("Fast", 0x100, 2, {"Speed": (0, 16)}, cycle_s=0.01)
    bench = bench_of([spec], {"units.front.speed": ("can0:Fast.Speed", Kind.NUMBER)})
    assert judge("checksum", [Row(0, "can0", 0x100, b"\0\0")], [spec], bench) == {}


def test_a_checksum_that_never_came_is_not_seen():
    spec = message("Fast", 0x100, 8, {"Check": (56, 8)}, cycle_s=0.01)
    bench = bench_of([spec], {ROLE: ("can0:Fast.Check", Kind.CODE, {"profile": "xor8"})})
    assert judge("checksum", [Row(0, "can0", 0x7)], [spec], bench)["front"].reason == "not-seen"


def test_cutting_changes_nothing():
    right = bytes(7) + bytes([Crc8SaeJ1850.calc(bytes(7))])
    payloads = [right, right, bytes(8), right, bytes(8), right]
    assert run(payloads, cuts="each") == run(payloads)
