"""Bad input in every format, as it lies and packed: refused in our own words, or read as far as it
goes with what is missing counted and placed. Through the command line: exit code 2 with what,
where and what to do. Never a traceback, never a hang, never silence.

Each format's own test has what only that format can have wrong; here is what all of them share.
"""

import gzip
import os
import random
import sqlite3
import struct
import tracemalloc

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from canscope.capture import READERS
from canscope.capture.read import read_capture
from canscope.cli.main import main
from canscope.model import engine
from canscope.model.errors import CaptureError
from canscope.model.tables import empty_frames, join
from tests.capture import mf4_by_hand, traffic

FEW = [(n * 1000, "can0", n, 0, 8, bytes([n] * 8)) for n in range(6)]
FORMATS = tuple(READERS)
DBC = """VERSION ""

NS_ :

BS_:

BU_: Node

BO_ 1 M: 8 Node
 SG_ S : 0|8@1+ (1,0) [0|0] "" Node
"""
CUTS = {"mf4": 50, "sqlite": 300}  # opening these takes its time; of the others, every byte


def small(format, folder):
    """A small capture of FEW, as bytes."""
    path = folder / f"small.{format}"
    if format == "mf4":
        mf4_by_hand.write(path, FEW, mf4_by_hand.Layout())
    elif format == "sqlite":
        connection = sqlite3.connect(path)
        connection.execute("PRAGMA page_size = 512")
        names = "ts, arbitration_id, extended, remote, error, dlc, data"
        connection.execute(f"CREATE TABLE messages ({names})")
        for at, _, can_id, _, length, data in FEW:
            row = (at / 1e6, can_id, 0, 0, 0, length, data)
            connection.execute("INSERT INTO messages VALUES (?, ?, ?, ?, ?, ?, ?)", row)
        connection.commit()
        connection.close()
    elif format in ("pcap", "pcapng"):
        path.write_bytes(getattr(traffic, format)(FEW))
    else:
        getattr(traffic, f"write_{format}")(path, FEW)
    content = path.read_bytes()
    path.unlink()
    return content


@pytest.fixture(scope="module")
def content(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small")
    return {format: small(format, folder) for format in FORMATS}


def whole(path, **options):
    return join([empty_frames(), *read_capture(path, channel="can0", **options)])


def outcome(path, format):
    """The frames, or None where our own error refuses them and says what, where and what to do."""
    try:
        return whole(path, format=format)
    except CaptureError as error:
        said = str(error)
    assert str(path) in said
    assert "\n  hint: " in said
    return None


@pytest.mark.parametrize("format", FORMATS)
@pytest.mark.parametrize("packed", [False, True], ids=["plain", "gz"])
def test_cut_at_every_byte_it_gives_its_first_frames_and_says_so(tmp_path, content, format, packed):
    data = gzip.compress(content[format]) if packed else content[format]
    path = tmp_path / "capture"
    path.write_bytes(data)
    assert outcome(path, format).can_id.tolist() == [row[2] for row in FEW]
    counts = set()
    for cut in range(0, len(data), max(1, len(data) // CUTS.get(format, len(data)))):
        path.write_bytes(data[:cut])
        frames = outcome(path, format)
        if frames is not None:
            assert frames.can_id.tolist() == list(range(len(frames)))
            assert all(frames.payload(row) == FEW[row][5] for row in range(len(frames)))
            ends_with_a_record = not packed and format not in ("mf4", "sqlite")
            if not frames.tally.cut_end:
                assert ends_with_a_record or len(frames) == len(FEW)
            counts.add(len(frames))
    if not packed and format not in ("mf4", "sqlite"):  # these are one piece if they are small
        # a last line without line feed is whole if nothing more could follow
        assert counts | {len(FEW)} == set(range(1, len(FEW) + 1))


@pytest.mark.parametrize("format", FORMATS)
@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32), packed=st.booleans())
@example(seed=71473, packed=False)  # SQLite: a header that asks for more memory than there is
def test_random_bytes_in_random_places_never_end_in_anything_else(
    content, tmp_path_factory, format, seed, packed
):
    """Overwritten, left out and put in; a frame that still comes out is one that could be sent."""
    pick = random.Random(seed)
    data = bytearray(gzip.compress(content[format]) if packed else content[format])
    for _ in range(pick.randint(1, 4)):
        at, size = pick.randrange(len(data)), pick.choice((1, 1, 2, 8, 40))
        left, into = pick.choice(((size, size), (size, 0), (0, size)))
        data[at : at + left] = pick.choice((pick.randbytes(into), bytes(into), b"\xff" * into))
    path = tmp_path_factory.getbasetemp() / f"{format}.spoilt"
    path.write_bytes(data)
    frames = outcome(path, format)
    if frames is not None:
        assert len(frames) <= len(FEW) + 40
        assert frames.tally.lines == len(frames) + frames.tally.skipped
        assert len(frames.tally.examples) >= min(frames.tally.skipped, 1)


def nothing(folder, format):
    return b""


def other_bytes(folder, format):
    return random.Random(2).randbytes(4000)


def zeros(folder, format):
    return bytes(4000)


def prose(folder, format):
    return b"not a capture\n" * 30


def gzip_of_a_few_bytes(folder, format):
    return gzip.compress(small(format, folder))[:14]


def gzip_that_is_none(folder, format):
    return b"\x1f\x8b" + bytes(40)


def without_its_beginning(folder, format):
    return b"....." + small(format, folder)[5:60]


ANY_FORMAT = (
    *(nothing, other_bytes, zeros, prose),
    *(gzip_of_a_few_bytes, gzip_that_is_none, without_its_beginning),
)


def database(create):
    def make(folder, format):
        connection = sqlite3.connect(folder / "a.db")
        connection.execute(create)
        connection.commit()
        connection.close()
        return (folder / "a.db").read_bytes()

    return make


def signals_only(folder, format):
    asammdf = pytest.importorskip("asammdf")
    with asammdf.MDF(version="4.10") as file:
        file.append(asammdf.Signal(name="Speed", samples=[1.0, 2.0], timestamps=[0.0, 1.0]))
        file.save(folder / "a.mf4")
    return (folder / "a.mf4").read_bytes()


def in_a_circle(folder, format):
    """The channel group that follows the first is the first."""
    mf4_by_hand.write(folder / "a.mf4", FEW, mf4_by_hand.Layout())
    content = bytearray((folder / "a.mf4").read_bytes())
    at = content.index(b"##CG")
    content[at + 24 : at + 32] = at.to_bytes(8, "little")
    return bytes(content)


COLUMNS = "ts, arbitration_id, extended, remote, error, dlc, data"
ONE_FORMAT = (  # what is wrong with it, and words that must be said
    ("sqlite", database("CREATE TABLE parts (number)"), "no table with the columns"),
    ("sqlite", database(f"CREATE TABLE messages ({COLUMNS})"), "holds no frames"),
    ("mf4", signals_only, "no bus logging"),
    ("mf4", in_a_circle, "lead back to themselves"),
    (None, lambda *_: b"MDF     3.30    " + bytes(200), "older than version 4"),
    ("pcap", lambda *_: traffic.pcap_header(1), "link type 1 (Ethernet)"),
    ("pcap", lambda *_: traffic.pcap_header(227), "holds no frames"),
    ("pcapng", lambda *_: traffic.section() + traffic.interface(link=105), "105 (Wi-Fi)"),
    ("pcapng", lambda *_: traffic.section() + traffic.interface("can0"), "holds no frames"),
    ("candump", lambda *_: b"# nothing was sent\n", "holds no frames"),
    ("candump", lambda *_: b"(1.5) can0 123#00\0\1\2\n" * 20, "not a candump log"),
    ("csv", lambda *_: b"timestamp,arbitration_id,extended,remote,error,dlc,data\n", "no frames"),
    ("csv", lambda *_: b"1.5,0x1,0,0,0,1,AA\0=\n" * 20, "not python-can's CSV"),
)  # fmt: skip


def refused(path, folder, capsys, *words):
    """What the command says of a capture that it cannot use; nothing else comes of it."""
    (folder / "m.dbc").write_text(DBC)
    call = ["decode", path, "--definitions", folder / "m.dbc", "--to", folder / "out.csv"]
    code = main([*map(str, call), "--channel", "can0", *words])
    said = capsys.readouterr().err
    assert code == 2, said
    assert str(path) in said
    assert "\n  hint: " in said
    assert "Traceback" not in said
    assert not (folder / "out.csv").exists()
    return said


@pytest.mark.parametrize("format", FORMATS)
@pytest.mark.parametrize("make", ANY_FORMAT, ids=lambda make: make.__name__)
def test_what_is_no_capture_ends_the_command_with_2_and_advice(tmp_path, capsys, format, make):
    path = tmp_path / "capture"
    path.write_bytes(make(tmp_path, format))
    refused(path, tmp_path, capsys, "--format", format)
    refused(path, tmp_path, capsys)


@pytest.mark.parametrize("packed", [False, True], ids=["plain", "gz"])
@pytest.mark.parametrize(("format", "make", "words"), ONE_FORMAT, ids=[n for _, _, n in ONE_FORMAT])
def test_a_capture_without_what_is_needed_is_refused_in_these_words(
    tmp_path, capsys, format, make, words, packed
):
    path = tmp_path / "capture"
    data = make(tmp_path, format)
    path.write_bytes(gzip.compress(data) if packed else data)
    named = ("--format", format) if format else ()
    assert words in refused(path, tmp_path, capsys, *named)


def test_a_folder_and_what_cannot_be_opened_are_refused(tmp_path, capsys):
    (tmp_path / "folder").mkdir()
    assert "no capture in this folder" in refused(tmp_path / "folder", tmp_path, capsys)
    assert "cannot be opened: No such file" in refused(tmp_path / "nowhere", tmp_path, capsys)
    (tmp_path / "circle").symlink_to(tmp_path / "circle")
    assert "cannot be opened" in refused(tmp_path / "circle", tmp_path, capsys)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read all")
def test_a_file_that_may_not_be_read_is_refused(tmp_path, capsys):
    path = tmp_path / "capture"
    path.write_bytes(b"(1.5) can0 123#00\n")
    path.chmod(0)
    assert "cannot be opened: Permission denied" in refused(path, tmp_path, capsys)


@pytest.mark.parametrize("format", FORMATS)
@pytest.mark.parametrize("packed", [False, True], ids=["plain", "gz"])
def test_ten_million_bytes_without_a_line_feed_take_little_memory(
    tmp_path, capsys, monkeypatch, content, format, packed
):
    """Alone they are no capture; behind one of this format they are one thing that was skipped."""
    # As a process of its own reads it, whatever another test has woken in this one.
    monkeypatch.setattr(engine, "is_loaded", lambda: False)
    path, endless = tmp_path / "capture", b"A" * 10_000_000
    store = gzip.compress if packed else bytes
    path.write_bytes(store(endless))
    refused(path, tmp_path, capsys, "--format", format)
    path.write_bytes(store(content[format] + endless))
    whole(path, format=format)  # what is only loaded once is not counted
    tracemalloc.start()
    frames = whole(path, format=format)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert frames.can_id.tolist() == list(range(len(FEW)))
    if format not in ("mf4", "sqlite"):  # these say where their data is; more is nobody's
        assert frames.tally.skipped == 1
        assert frames.tally.cut_end
    assert peak < 12_000_000


def test_a_packet_that_says_it_is_four_gigabytes_is_not_waited_for(tmp_path):
    path = tmp_path / "capture"
    path.write_bytes(traffic.pcap(FEW) + struct.pack("<IIII", 0, 0, 2**32 - 1, 2**32 - 1))
    frames = whole(path)
    assert len(frames) == len(FEW)
    assert frames.tally.cut_end
