"""Captures as people have them, through ``canscope decode``: what is read, how the rest is told.

Values by hand: signal S is the first two bytes of message 123, the higher one first.
"""

import bz2
import gzip
import lzma
import sqlite3
import struct
import tarfile
import zipfile

import pytest

from canscope.capture import order
from canscope.capture.input import plain
from tests.capture import mf4_by_hand

DBC = 'VERSION ""\n\nBU_: N\nBO_ 291 M: 2 N\n SG_ S : 7|16@0+ (1,0) [0|0] "" N\n'
LOG = "".join(f"({100 + n}.000000) can0 123#{n:04X}\n" for n in range(5)).encode()
SCREEN = b" (%s)  can0  123   [2]  11 22\n"
NOON = 1_715_688_000  # 2024-05-14 12:00:00 UTC
S, MS = 10**9, 10**6


@pytest.fixture
def decode(canscope, tmp_path):
    """Decode a capture of this content; (exit code, (time, bus, value) a row, what was told)."""

    def call(content, *words, name="capture"):
        (tmp_path / "m.dbc").write_text(DBC)
        if content is not None:
            (tmp_path / name).write_bytes(
                content if isinstance(content, bytes) else content.encode()
            )
        code, _, err = canscope("decode", name, "--definitions", "m.dbc", "--to", "v.csv", *words)
        to = tmp_path / "v.csv"
        rows = [line.split(",") for line in to.read_text().splitlines()[1:]] if to.exists() else []
        to.unlink(missing_ok=True)
        assert "hint: " in err or code == 0
        return code, [(int(row[0]), row[2], int(row[5])) for row in rows], err

    return call


def zst(data):
    return plain.zstd_module().compress(data)


@pytest.mark.parametrize("pack", [gzip.compress, bz2.compress, lzma.compress, zst])
def test_whatever_packs_it_a_capture_is_the_same_and_a_cut_or_damage_is_told(decode, pack):
    wanted = [(S * (100 + n), "can0", n) for n in range(5)]
    packed = pack(LOG)
    assert decode(packed)[:2] == (0, wanted)
    assert decode(packed + pack(LOG.replace(b"(1", b"(2")))[1][:5] == wanted  # one behind the other
    rest = packed[:2] + b"damage" + packed[8:]  # not passed over, though the first part is whole
    assert "its compressed data is damaged" in decode(packed + rest)[2]
    half = len(packed) // 2
    for spoilt in (packed[:-3], packed[:half] + b"damage" + packed[half:]):
        assert "its compressed data" in decode(spoilt)[2]


@pytest.mark.parametrize(
    "content",
    [
        ("\ufeff" + LOG.decode()).encode("utf-16-le"),
        ("\ufeff" + LOG.decode()).encode("utf-16-be"),
        LOG.decode().encode("utf-16-le"),
        LOG.replace(b"\n", b"\r"),
        LOG.replace(b"\n", b"\r\n"),
        b"\n" * 50 + LOG,
        b"# recorded in bay 2\n" * 50 + LOG,
        b"\xef\xbb\xbf\n# x\n" + LOG,
        gzip.compress(("\ufeff" + LOG.decode()).encode("utf-16-le")),
    ],
    ids=[
        "utf-16-le",
        "utf-16-be",
        "utf-16 without mark",
        "cr",
        "crlf",
        "blank",
        "comments",
        "mark",
        "packed utf-16",
    ],
)
def test_text_of_any_shape_is_text(decode, content):
    assert [value for _, _, value in decode(content)[1]] == [0, 1, 2, 3, 4]


@pytest.mark.parametrize(
    ("stamps", "times_ns"),
    [
        (["1700000000.000001", "1700000000.010000"], [1_700_000_000 * S + 1000, None]),  # -ta
        (["000.000000", "000.010000", "000.020000"], [0, 10 * MS, 20 * MS]),  # -tz
        (["000.000000", *["000.010000"] * 4], [0, 10 * MS, 20 * MS, 30 * MS, 40 * MS]),  # -td
        (["2024-05-14 12:00:00.500000"], [NOON * S + 500 * MS]),  # -tA
        (["1700000000.000000"] * 3, [1_700_000_000 * S] * 3),
        ([f"000.{n // 3:02}0000" for n in range(9)], [n // 3 * 10 * MS for n in range(9)]),
    ],
    ids=["a", "z", "d", "A", "one stamp", "a coarse clock"],
)
def test_the_screen_of_candump_is_read_where_it_carries_times(decode, stamps, times_ns):
    """As can-utils' ``candump.c`` prints it, from memory."""
    code, rows, err = decode(b"".join(SCREEN % stamp.encode() for stamp in stamps))
    assert (code, len(rows)) == (0, len(stamps))
    for (time_ns, _, value), expected in zip(rows, times_ns, strict=True):
        assert expected in (None, time_ns)
        assert value == 0x1122
    assert ("a zone that it does not name" in err) == ("-" in stamps[0])
    assert ("count from the frame before" in err) == (len(stamps) == 5)


HEAD = "Time (s),ID,Data\n"
HALF, AT_NOON = 500 * MS, NOON * S + 500 * MS  # 0.5 s, and 12:00:00.5 of that day
TABLES = {  # what is in it, with its times and values
    "semicolon": ("Time [s];CAN-ID;DLC;Data\n0,5;0x123;2;01 02\n", [(HALF, 258)]),
    "milliseconds": ("Time(ms),ID,Data\n500.25,123h,0x0102\n", [(500_250_000, 258)]),
    "microseconds": ("timestamp_us\tid_hex\tdata\n500000\t123\t01-02\n", [(HALF, 258)]),
    "a byte a column": ("t_ns;ID;D0;D1;D2\n7;0x123;1;ff;\n", [(7, 511)]),
    "minutes": ("Time [min],ID,Data\n0.5,0x123,0102\n", [(30 * S, 258)]),
    "a zone": ("Time,ID,Data\n2024-05-14T14:00:00.5+02:00,0x123,0102\n", [(AT_NOON, 258)]),
    "German": ("Zeit;ID;Daten\n14.05.2024 12:00:00,5;0x123;01 02\n", [(AT_NOON, 258)]),
    "two cells": ("Date,Time,ID,Data\n2024-05-14,12:00:00.5,0x123,0102\n", [(AT_NOON, 258)]),
    "date alone": ("Date,ID,Data\n2024-05-14 12:00:00.5,0x123,0102\n", [(AT_NOON, 258)]),
    "time of day": ("Time,ID,Data\n12:00:00.5,0x123,0102\n", [(43_200 * S + HALF, 258)]),
    "since 1970": (
        f"Time,ID,Data\n{NOON}500,0x123,01:02\n{NOON}600,0x123,0102\n",
        [(AT_NOON, 258), (AT_NOON + 100 * MS, 258)],
    ),
    "decimal": ("Time (s),ID (dec),Data (dec)\n0.5,291,1 13\n", [(HALF, 269)]),
    "200": (f"{HEAD}0.5,0x123,1 200\n0.5,0x123,1 13\n", [(HALF, 456), (HALF, 269)]),
    "no zeros": (f'{HEAD}0.5,0x123,"[1, A]"\n0.5,0x123,1 13\n', [(HALF, 266), (HALF, 275)]),
    "words": (f"{HEAD}0.5,0x123,0102 0304\n", [(HALF, 258)]),
    "lines before": (f"# bay 2\n\nsep=,\n{HEAD}0.5,0x123,01 02\n", [(HALF, 258)]),
}


@pytest.mark.parametrize("shape", TABLES)
def test_a_table_of_frames_is_taken_by_what_its_headings_mean(decode, shape):
    text, expected = TABLES[shape]
    code, rows, err = decode(text, "--channel", "can0")
    assert code == 0, err
    assert [(time_ns, value) for time_ns, _, value in rows] == expected
    assert ("names no zone" in err) == (shape in ("German", "two cells", "date alone"))


REFUSED_TABLES = {
    "unit": ("Time,ID,Data\n1,1A0,01\n2,1A0,01\n", "no heading names the unit of its times"),
    # of 1,660 s in microseconds; as seconds since 1970 the steps between frames would be 1,000 s
    "digits": ("Time,ID,Data\n1660640000,1A0,01\n1660641000,1A0,01\n", "the unit of its times"),
    "days": ("Time,ID,Data\n45426.50000578,1A0,01\n45426.50000580,1A0,01\n", "unit of its times"),
    "fractions": ("Time,ID,Data\n500.25,1A0,01\n502.50,1A0,01\n", "the unit of its times"),
    "identifier": ("Time (s),ID,Data\n0.5,123,01\n", "identifiers are decimal or hex"),
    "bytes": (f"{HEAD}0.5,0x123,1 2\n0.5,0x123,1 13\n", "data bytes are decimal or hex"),
    "slashes": (f"{HEAD}05/06/2024 12:00:00,0x123,01\n", "does not say what is the day"),
    "values": ("time,rpm,volt\n1,2,3\n", "a table of values (CSV); its first line is 'time,"),
    "no headings": ("0.5,0x123,0102\n1.5,0x123,0103\n", "a table of values (CSV)"),
    "decimals": (f"{HEAD}0.5,0x123,1 300\n0.6,0x123,1 255\n0.7,0x123,256 1\n", "data is no bytes"),
}


@pytest.mark.parametrize("shape", REFUSED_TABLES)
def test_what_a_table_does_not_say_is_refused_with_what_to_name(decode, shape):
    text, told = REFUSED_TABLES[shape]
    code, rows, err = decode(text, "--channel", "can0")
    assert (code, rows) == (2, [])
    assert told in err


@pytest.mark.parametrize(
    ("text", "values", "told"),
    [
        (f"{HEAD}0.5,0x123,01 02\n0.6,0x123,01 0", [258], "has no line feed and may be cut"),
        ("Time (s),ID,Len,Data\n0.5,0x123,2,01 02\n0.6,0x123,2,01 0", [258], "its end is cut"),
        ("Time (s),ID,Len,D0,D1\n0.5,0x123,2,1,255\n0.6,0x123,2,1,25", [511], "may be cut"),
        ("Time (s),ID,Len,Data\n0.5,0x123,2,01 02\n0.6,0x123,2,01 03", [258, 259], ""),
    ],
)
def test_a_last_row_that_may_be_cut_is_not_guessed(decode, text, values, told):
    """25 may have been the beginning of 255."""
    code, rows, err = decode(text, "--channel", "can0")
    assert (code, [value for _, _, value in rows]) == (0, values)
    assert told in err


def test_columns_can_be_named(decode):
    text = "Stamp;Kind;b0;b1\n1;291;7;0\n2;291;8;0\n"
    code, _, err = decode(text, "--channel", "can0")
    assert code == 2
    assert "a table of values" in err
    named = "time_ms=Stamp,id_dec=Kind,data_dec=b*"
    rows = decode(text, "--channel", "can0", "--columns", named)[1]
    assert rows == [(MS, "can0", 0x700), (2 * MS, "can0", 0x800)]


SWAPPED = (
    struct.pack(">IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 227)
    + struct.pack("<IIII", 1, 2, 9, 9)
    + bytes(9)
)
NOT_READ = {  # content, what it is told to be, what to do
    "empty": (b"", "holds no frames", "is empty; was anything sent"),
    "drops": (b"DROPCOUNT: dropped 3\n" * 4, "holds no frames", "the recorder lost 12 frames"),
    "swapped": (SWAPPED, "1 were rejected, the first because of this", "no record can have this"),
    "identifier": (b"(1.0) can0 923#11\n", "not a candump log", "923 is beyond 11 bits"),
    "no times": (b"  can0  123   [2]  11 22\n" * 4, "without times", "record again with candump"),
    "bare": (b"123#1122\n124#\n", "frames without stamps", "no times in it"),
    "binary": (bytes(range(256)) * 4, "a binary file", "candump"),
    "text log": (b"date Mon Jan 1 10:00:00 2024\nbase hex  timestamps absolute\n", "vendor's text",
                 "capture.asc and convert it: python -m can.logconvert capture.asc capture.log"),
    "binary log": (b"LOGG\x90\0\0\0", "a vendor's binary log", "logconvert capture.blf"),
    "trace": (b";$FILEVERSION=2.1\n;\n", "a vendor's trace", "logconvert capture.trc capture.log"),
    "twice": (gzip.compress(gzip.compress(LOG)), "compressed twice", "unpack it first"),
    "old mdf": (b"MDF     3.30    " + bytes(200), "older than version 4", "export it as MF4"),
    "pcap kind": (b"\x34\xcd\xb2\xa1" + bytes(200), "modified kind", "pcap, pcapng or candump"),
    "plan": (b'format = 1\n[job]\nstage = "x"\n', "a bench plan", "the capture comes first"),
    "definition": (DBC.encode(), "a signal definition", "give the capture first"),
    "office": (b"PK\x03\x04" + bytes(26) + b"[Content_Types].xml", "office", "save it as CSV"),
    "rar": (b"Rar!\x1a\x07\x01\0", "a rar archive", "unpack it"),
    "parquet": (b"PAR1" + bytes(99), "(Parquet)", "save it as CSV"),
    "json": (b'[{"time": 1.0, "id": 291}]\n', "a file of JSON", "save it as CSV"),
    "pointer": (b"version https://git-lfs.github.com/spec/v1\n", "of Git LFS", "git lfs pull"),
    "web page": (b"<!DOCTYPE html><html>404</html>\n", "a web page", "download the file again"),
    "prose": (b"hello\n", "other text; its first line is 'hello'", "candump"),
    "blank": (b"\n\n\n", "other text; it is blank", "candump"),
}  # fmt: skip


@pytest.mark.parametrize("kind", NOT_READ)
def test_what_is_not_read_is_named_with_what_to_do(decode, kind):
    content, looks, what_to_do = NOT_READ[kind]
    code, _, err = decode(content)
    assert code == 2
    assert looks in err
    assert what_to_do in err


def test_an_archive_is_named_with_how_to_unpack_it(decode, tmp_path):
    (tmp_path / "a.log").write_bytes(LOG)
    with tarfile.open(tmp_path / "a.tar.gz", "w:gz") as tar:
        tar.add(tmp_path / "a.log", "a.log")
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:  # stored, with its lines as they are
        archive.write(tmp_path / "a.log")
    code, _, err = decode(None, name="a.tar.gz")
    assert (code, "a tar archive, in which captures may lie" in err) == (2, True)
    assert "tar -xf a.tar.gz" in err
    code, _, err = decode(None, name="a.zip")
    assert (code, "a zip archive, in which captures may lie" in err) == (2, True)


def test_a_small_file_that_unpacks_to_gigabytes_of_nothing_is_told(decode, monkeypatch):
    """Zeros pack 1,000 times smaller; the bound of 1 GiB is lowered here, to save time."""
    monkeypatch.setattr(plain, "UNCHECKED", 1 << 20)
    code, rows, err = decode(gzip.compress(LOG + bytes(20 << 20)))
    assert (code, len(rows)) == (0, 5)
    assert "it unpacks to more than 500 times its size" in err


def test_more_frames_of_one_stamp_than_buses_can_carry_are_refused(decode, monkeypatch):
    """They were all kept until the end. The bound of a million is lowered here, to save time."""
    monkeypatch.setattr(order, "MOST_WAITING", 100)
    code, _, err = decode(b"(100.000000) can0 123#0000\n" * 100_000)
    assert code == 2
    assert "its stamps are no times" in err


def test_a_database_whose_stamps_have_holes_that_no_bus_explains_says_so(decode, tmp_path):
    """A frame every 10 ms, and twice none for half a second: python-can's writer counts no loss."""
    stamps = [n * 0.01 + (n >= 1500) * 0.5 + (n >= 2500) * 0.5 for n in range(3000)]
    rows = [(at, 0x123, 0, 0, 0, 2, b"\0\1") for at in stamps]
    for name, some in (("holes", rows), ("whole", rows[:1500])):
        with sqlite3.connect(tmp_path / name) as database:
            columns = "ts, arbitration_id, extended, remote, error, dlc, data"
            database.execute(f"CREATE TABLE messages ({columns})")
            database.executemany("INSERT INTO messages VALUES (?, ?, ?, ?, ?, ?, ?)", some)
        database.close()
        code, values, err = decode(None, "--channel", "can0", name=name)
        assert (code, len(values)) == (0, len(some))
        assert ("2 hole(s) of up to 0.51 s in which no message" in err) == (name == "holes")


def test_a_measurement_whose_values_lie_nowhere_is_read_as_far_as_it_goes(decode, tmp_path):
    """The signal data ends before the last values: those records are counted, the others read."""
    traffic = [(n, "can0", 0x123, 0, 8, bytes([n] * 8)) for n in range(10)]
    mf4_by_hand.write(tmp_path / "capture", traffic, mf4_by_hand.Layout(data="apart"))
    content = bytearray((tmp_path / "capture").read_bytes())
    at = content.index(b"##SD")
    size = int.from_bytes(content[at + 8 : at + 16], "little")
    content[at + 8 : at + 16] = (size - 30).to_bytes(8, "little")
    code, rows, err = decode(bytes(content))
    assert (code, [value for _, _, value in rows]) == (0, [0x101 * n for n in range(7)])
    assert "fewer data bytes than it says" in err
    assert "lines not readable: 3" in err
