"""python-can's CSV, written by python-can itself; the decoding of base64 against Python's own.

Stamps are chosen in whole microseconds, which the float64 of python-can's messages tells apart.
"""

import base64
import contextlib
import io
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canscope.capture.csv.columns import columns
from canscope.capture.csv.line import HEADER, parse
from canscope.capture.csv.reader import PythonCanCsv
from canscope.capture.input.text import lines
from canscope.model.errors import CaptureError
from canscope.model.tables import Flag, Tally, join
from tests.capture.traffic import BRS, ESI, FD, TRAFFIC, expected, rows, write_csv

HEAD = HEADER.decode() + "\n"


def table(text, file="x.csv"):
    """The whole of a table as Frames."""
    data = text if isinstance(text, bytes) else text.encode()
    return join(list(PythonCanCsv().read(io.BytesIO(data), file)))


def one(line):
    """The only frame of a table with one line."""
    frames = table(f"{HEAD}{line}\n")
    assert len(frames) == 1
    return rows(frames)[0]


def test_what_python_can_writes_reads_back_but_for_channels_and_fd_flags(tmp_path):
    path = tmp_path / "a.csv"
    write_csv(path, TRAFFIC)
    frames = table(path.read_bytes())
    back = expected(TRAFFIC, channel="", without=FD | BRS | ESI, with_long=FD)
    assert rows(frames) == back
    assert frames.channels == ("",)
    assert frames.tally == Tally(lines=len(TRAFFIC))


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_lines_may_end_as_on_either_kind_of_computer(end):
    frames = table(f"{HEADER.decode()}{end}1.5,0x1,0,0,0,1,AQ=={end}2.5,0x2,0,0,0,0,{end}")
    assert frames.can_id.tolist() == [1, 2]
    assert frames.tally == Tally(lines=2)


@pytest.mark.parametrize(
    ("stamp", "time_ns"),
    [
        ("1483389946.197", 1_483_389_946_197_000_000),
        ("1715677200.25", 1_715_677_200_250_000_000),
        ("0.0", 0),
        ("12.000000001", 12_000_000_001),
        ("12.0000000014999", 12_000_000_001),
        ("12.0000000015", 12_000_000_002),
        ("0.9999999999", 1_000_000_000),
        ("1e-05", 10_000),
        ("2.5e-9", 3),
        ("9223372035.999999999", 9_223_372_035_999_999_999),
    ],
)
def test_a_time_is_what_its_digits_say_rounded_to_nanoseconds(stamp, time_ns):
    assert one(f"{stamp},0x1,0,0,0,0,")[0] == time_ns


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("1.0,0x800,0,0,0,0,", "identifier 800 is beyond 11 bits"),
        ("1.0,0x20000000,1,0,0,0,", "identifier 20000000 is beyond 29 bits"),
        ("1.0,0x1,0,0,0,9,AAAAAAAAAAAA", "no CAN FD frame carries 9 bytes"),
        ("1.0,0x1,0,1,1,0,", "an error frame is neither remote nor FD"),
        ("1.0,0x1,0,1,0,89,", "a remote frame is never FD"),
        ("1.0,0x1,0,0,0,2,AQ==", "its data is not 2 bytes in base64"),
        ("1.0,0x1,0,0,0,2,AQI", "its data is not 2 bytes in base64"),
        ("1.0,0x1,0,0,0,2,AAAA", "its data is not 2 bytes in base64"),
        ("1.0,0x1,0,0,0,1,A===", "not a line of"),
        ("1.0,0x1,0,0,0,1,A*==", "not a line of"),
        ("1.0,0x1,2,0,0,0,", "not a line of"),
        ("1.0,0x1,0,0,0,0", "not a line of"),
        ("1.0,1,0,0,0,0,", "not a line of"),
        ("-1.0,0x1,0,0,0,0,", "not a line of"),
        ("nan,0x1,0,0,0,0,", "not a line of"),
        ("9223372036.0,0x1,0,0,0,0,", "its time does not fit"),
        ("1.0,0x1,0,0,0,0,,", "not a line of"),
        ("\0\xff", "not a line of"),
    ],
)
def test_a_bad_line_is_counted_with_its_place_and_the_rest_is_read(line, why):
    good = "1.0,0x1,0,0,0,0,\n"
    frames = table(f"{HEAD}{good * 3}{line}\n{good}")
    assert len(frames) == 4
    assert (frames.tally.lines, frames.tally.skipped) == (5, 1)
    assert frames.tally.examples[0].startswith("x.csv:5: ")
    assert why in frames.tally.examples[0]


def test_a_table_appended_to_another_has_its_header_passed_over():
    good = "1.0,0x1,0,0,0,0,\n"
    assert table(HEAD + good + HEAD + good).tally == Tally(lines=2)


def test_a_table_cut_at_any_byte_keeps_its_whole_lines_and_says_so(tmp_path):
    path = tmp_path / "a.csv"
    write_csv(path, TRAFFIC)
    data = path.read_bytes()
    whole = rows(table(data))
    for cut in range(len(HEAD), len(data)):
        frames = table(data[:cut])
        kept = data[:cut].count(b"\n") - 1
        assert rows(frames) == whole[: len(frames)]
        assert kept <= len(frames) <= kept + 1
        assert frames.tally.cut_end == (len(frames) == kept and data[cut - 1 : cut] != b"\n")
        assert frames.tally.skipped == frames.tally.cut_end


@given(st.binary(max_size=300))
def test_random_bytes_are_refused_or_hold_nothing(data):
    with contextlib.suppress(CaptureError):
        assert sum(map(len, PythonCanCsv().read(io.BytesIO(data), "x.csv"))) == 0


def test_another_table_is_refused_with_its_first_line():
    with pytest.raises(CaptureError, match=r"Time,ID,Data") as caught:
        table("Time,ID,Data\n" + "0.1,1A0,01 02\n" * 20)
    assert "timestamp,arbitration_id" in str(caught.value)


def test_a_line_of_megabytes_is_one_bad_line():
    frames = table(HEAD + "1.0,0x1,0,0,0,0,\n" * 12 + "1" * 3_000_000 + "\n1.0,0x1,0,0,0,0,\n")
    assert (len(frames), frames.tally.skipped) == (13, 1)


def test_the_header_or_a_frame_makes_a_table_known():
    assert PythonCanCsv().recognises(HEAD.encode())
    assert PythonCanCsv().recognises(b"\xef\xbb\xbf" + HEAD.encode())
    assert PythonCanCsv().recognises(b"1715677200.25,0x123,0,0,0,2,AQI=\n")
    assert not PythonCanCsv().recognises(b"timestamp,id,data\n1,2,3\n")
    assert not PythonCanCsv().recognises(b"")


MUTATIONS = b"0123456789abcdefxX,.-+=/AZ \r\t\0\xff"


def test_columns_agree_with_the_line_by_line_reading_on_mutated_lines():
    """Whatever the columns read, the strict way reads alike; what they leave goes there anyway."""
    rng = random.Random(1)
    text = []
    for number in range(6000):
        size = rng.choice([0, 1, 2, 3, 5, 8, 8, 8, 12, 64])
        data = base64.b64encode(rng.randbytes(size)).decode()
        whole, part = (rng.randrange(10 ** rng.randrange(1, most)) for most in (11, 13))
        bits, extended = rng.choice([(8, 0), (11, 0), (29, 1), (29, 1), (32, 1)])
        states = f"{extended},{int(rng.random() < 0.1)},{int(rng.random() < 0.1)}"
        line = f"{whole}.{part},{hex(rng.randrange(1 << bits))},{states},{size},{data}"
        raw = bytearray(line.encode())
        for _ in range(number % 3):
            at = rng.randrange(len(raw) + 1)
            raw[at : at + rng.randrange(2)] = bytes([rng.choice(MUTATIONS)])
        text.append(bytes(raw).replace(b"\n", b""))
    block = b"\n".join(text) + b"\n"
    numbers, frames = columns(*lines(block))
    strict = [parse(text[number].removesuffix(b"\r")) for number in numbers.tolist()]
    assert 1500 < len(numbers) < 4500
    assert [(row[0], *row[2:]) for row in rows(frames)] == strict
    unmutated = {number for number in range(0, 6000, 3) if isinstance(parse(text[number]), tuple)}
    assert unmutated <= set(numbers.tolist()), "what python-can writes goes the fast way"


def test_every_flag_combination_that_a_controller_cannot_send_is_refused():
    for text, good in (("0,0,0", 1), ("1,0,0", 1), ("0,1,0", 1), ("0,0,1", 1), ("1,0,1", 1),
                       ("0,1,1", 0), ("1,1,1", 0)):  # fmt: skip
        frames = table(f"{HEAD}{'1.0,0x1,0,0,0,0,' + chr(10)}1.0,0x1,{text},0,\n")
        assert len(frames) == 1 + good, text
    assert one("1.0,0x40,1,0,1,0,")[3] == Flag.ERROR, "an error frame is never extended"
