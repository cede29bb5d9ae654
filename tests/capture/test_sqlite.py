"""python-can's SQLite, written by python-can itself, and databases made with Python's sqlite3."""

import io
import sqlite3

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canscope.capture.input.on_disk import OnDisk
from canscope.capture.read import read_capture
from canscope.capture.sqlite import reader as sqlite
from canscope.capture.sqlite.reader import MAGIC, PythonCanSqlite
from canscope.model.errors import CaptureError
from canscope.model.tables import Tally, join
from tests.capture.traffic import BRS, ESI, FD, TRAFFIC, expected, rows, write_sqlite

CREATE = (
    "CREATE TABLE messages (ts REAL, arbitration_id INTEGER, extended INTEGER, remote INTEGER,"
    " error INTEGER, dlc INTEGER, data BLOB)"
)
GOOD = (1.5, 0x123, 0, 0, 0, 2, b"\x01\x02")


def database(path, values, create=CREATE, table="messages", page=4096):
    with sqlite3.connect(path) as connection:
        connection.execute(f"PRAGMA page_size = {page}")
        connection.execute(create)
        marks = ", ".join("?" * len(values[0])) if values else ""
        connection.executemany(f'INSERT INTO "{table}" VALUES ({marks})', values)
    connection.close()
    return path


def table(path):
    """The whole of a database as Frames."""
    return join(list(PythonCanSqlite().read(io.BytesIO(path.read_bytes()), "x.db")))


def refused(path):
    with pytest.raises(CaptureError) as caught:
        table(path)
    return str(caught.value)


def test_what_python_can_writes_reads_back_but_for_channels_and_fd_flags(tmp_path):
    path = tmp_path / "a.db"
    write_sqlite(path, TRAFFIC)
    frames = table(path)
    back = expected(TRAFFIC, channel="", without=FD | BRS | ESI, with_long=FD)
    assert rows(frames) == back
    assert frames.channels == ("",)
    assert frames.tally == Tally(lines=len(TRAFFIC))


def test_the_file_is_read_where_it_lies_and_nothing_is_left_beside_it(tmp_path):
    path = database(tmp_path / "a b%20?#.db", [GOOD] * 20_000)
    before = path.read_bytes()
    capture = read_capture(path, channel="can3")
    frames = join(list(capture))
    assert len(frames) == 20_000
    assert frames.channels == ("can3",)
    assert capture.bytes_read == len(before)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize(
    ("seconds", "time_ns"),
    [
        (1715677200.000001, 1_715_677_200_000_001_000),
        (1715677200.999999, 1_715_677_200_999_999_000),
        (0.123456789, 123_456_789),
        (7, 7_000_000_000),
        (0.0, 0),
    ],
)
def test_a_time_written_in_whole_microseconds_comes_back_exactly(tmp_path, seconds, time_ns):
    path = database(tmp_path / "a.db", [(seconds, *GOOD[1:])])
    assert table(path).time_ns.tolist() == [time_ns]


@pytest.mark.parametrize(
    ("row", "why"),
    [
        (("soon", *GOOD[1:]), "a value is missing or of the wrong type"),
        ((None, *GOOD[1:]), "a value is missing or of the wrong type"),
        ((float("inf"), *GOOD[1:]), "its time does not fit"),
        ((-1.0, *GOOD[1:]), "its time does not fit"),
        ((1e30, *GOOD[1:]), "its time does not fit"),
        ((1.0, 0x800, *GOOD[2:]), "identifier 800 is beyond 11 bits"),
        ((1.0, -1, *GOOD[2:]), "beyond 11 bits"),
        ((1.0, 1, 2, 0, 0, 0, b""), "are 0 or 1"),
        ((1.0, 1, 0, 0, 0, 3, b"\1\2"), "its data is not as long as dlc says"),
        ((1.0, 1, 0, 0, 0, 2, "ab"), "a value is missing or of the wrong type"),
        ((1.0, 1, 0, 0, 0, 2, None), "a value is missing or of the wrong type"),
        ((1.0, 1, 0, 1, 0, 89, b""), "a remote frame is never FD"),
        ((1.0, 1, 0, 0, 0, 9, bytes(9)), "no CAN FD frame carries 9 bytes"),
        ((1.0, 1, 0, 1, 1, 0, b""), "an error frame is neither remote nor FD"),
        ((1.0, 1, 0, 0, 0, -(2**63), b""), "its data is not as long as dlc says"),
        ((1.0, 1, 0, 1, 0, -1, b""), "no classical frame carries -1 bytes"),
    ],
)
def test_a_row_that_is_no_frame_is_counted_with_its_place_and_the_rest_is_read(tmp_path, row, why):
    frames = table(database(tmp_path / "a.db", [GOOD, row, GOOD]))
    assert frames.can_id.tolist() == [0x123, 0x123]
    assert (frames.tally.lines, frames.tally.skipped) == (3, 1)
    assert frames.tally.examples[0].startswith("x.db: row 2: ")
    assert why in frames.tally.examples[0]


def test_a_database_without_the_table_is_refused_and_says_what_it_has(tmp_path):
    path = database(tmp_path / "a.db", [(1,)], "CREATE TABLE parts (number INTEGER)", "parts")
    assert "no table with the columns ts, arbitration_id" in refused(path)
    assert "'parts'" in refused(path)


def test_a_table_of_another_name_is_found_by_its_columns_unless_there_are_two(tmp_path):
    create = CREATE.replace("messages", '"my ""run"""')
    path = database(tmp_path / "a.db", [GOOD], create, 'my ""run""')
    assert len(table(path)) == 1
    database(path, [GOOD], CREATE.replace("messages", "second"), "second")
    assert "several tables" in refused(path)
    database(path, [GOOD, GOOD])
    assert len(table(path)) == 2, "the usual name decides"


@pytest.mark.parametrize("suffix", ["-journal", "-wal"])
def test_a_database_in_the_middle_of_a_write_is_refused(tmp_path, suffix):
    path = database(tmp_path / "a.db", [GOOD])
    beside = tmp_path / ("a.db" + suffix)
    beside.write_bytes(b"")
    assert len(join(list(read_capture(path, channel="can0")))) == 1, (
        "an empty one is a finished one"
    )
    beside.write_bytes(b"something")
    with pytest.raises(CaptureError, match="never finished"):
        list(read_capture(path, channel="can0"))


def test_a_database_cut_at_any_byte_gives_its_first_frames_and_says_so_or_is_refused(tmp_path):
    """Small pages make a tree of several; a cut inside a page loses the page."""
    values = [(float(n), n, 0, 0, 0, 2, n.to_bytes(2, "big")) for n in range(200)]
    path = tmp_path / "a.db"
    data = database(path, values, page=512).read_bytes()
    counts = set()
    for cut in (*range(0, 700, 7), *range(700, len(data), 61)):
        path.write_bytes(data[:cut])
        try:
            frames = join(list(read_capture(path, format="sqlite", channel="can0")))
        except CaptureError:
            continue
        assert frames.can_id.tolist() == list(range(len(frames)))
        assert frames.tally.cut_end
        assert "damaged from here on" in frames.tally.examples[-1]
        counts.add(len(frames))
    assert len(counts) > 5
    assert max(counts) >= 150


def test_damage_inside_a_database_never_ends_in_anything_but_our_own_error(tmp_path):
    data = bytearray(database(tmp_path / "a.db", [GOOD] * 300).read_bytes())
    path = tmp_path / "b.db"
    for at in range(0, len(data), 101):
        spoilt = data.copy()
        spoilt[at : at + 16] = bytes(byte ^ 0xA5 for byte in spoilt[at : at + 16])
        path.write_bytes(spoilt)
        try:
            frames = join(list(PythonCanSqlite().read(io.BytesIO(bytes(spoilt)), "x.db")))
        except CaptureError:
            continue
        assert len(frames) <= 310


def test_row_numbers_beyond_the_last_one_lead_to_no_endless_reading(tmp_path):
    """Those of a damaged file; found by random input."""
    path, reads = tmp_path / "a.db", []
    path.write_bytes(b"x" * 100)

    class Counted(io.BytesIO):
        def read(self, size=-1):
            reads.append(size)
            return super().read(size)

    OnDisk(str(path), Counted(b"x" * 100)).reached(1e9)
    assert len(reads) <= 1


def test_a_database_is_known_by_its_first_bytes():
    assert PythonCanSqlite().recognises(MAGIC + b"whatever")
    assert not PythonCanSqlite().recognises(b"SQLite format 2")


ANYTHING = st.one_of(
    st.none(),
    st.integers(-(2**63), 2**63 - 1),
    st.integers(-300, 300),
    st.floats(allow_nan=False),
    st.text(max_size=20),
    st.binary(max_size=70),
    st.binary(min_size=400, max_size=1200),  # more than some pages hold
)
FRAME = st.tuples(
    st.one_of(st.floats(0, 2e9), st.integers(0, 2**31)),
    st.integers(0, 0x7FF),
    st.just(0),
    st.just(0),
    st.just(0),
    st.integers(0, 9),
    st.binary(max_size=8),
)


@settings(max_examples=60, deadline=None)
@given(
    rows_=st.lists(st.one_of(FRAME, st.tuples(*[ANYTHING] * 7)), min_size=1, max_size=60),
    page=st.sampled_from([512, 1024, 65536]),
    types=st.booleans(),
    beside=st.booleans(),
    deleted=st.sets(st.integers(1, 60)),
)
def test_pages_say_what_sqlite_says(tmp_path_factory, rows_, page, types, beside, deleted):
    """Any values in any column, with and without declared types; deleted rows; large numbers of
    rows; a further column before the others; the oracle is Python's sqlite3."""
    path = tmp_path_factory.getbasetemp() / "any.db"
    path.unlink(missing_ok=True)
    names = ["ts", "arbitration_id", "extended", "remote", "error", "dlc", "data"]
    kinds = ["REAL", *["INTEGER"] * 5, "BLOB"] if types else [""] * 7
    columns = ", ".join(map(" ".join, zip(names, kinds, strict=True)))
    with sqlite3.connect(path) as connection:
        connection.execute(f"PRAGMA page_size = {page}")
        connection.execute(f"CREATE TABLE messages ({'note, ' if beside else ''}{columns})")
        first = ["note"] if beside else []
        marks = ", ".join("?" * (8 + beside))
        connection.executemany(
            f"INSERT INTO messages (rowid, {', '.join(first + names)}) VALUES ({marks})",
            [
                (
                    n - 9 if n < 20 else n * 2**n if n < 50 else 2**60 + n,
                    *["x" * n][: len(first)],
                    *row,
                )
                for n, row in enumerate(rows_, start=1)
            ],
        )
        connection.executemany("DELETE FROM messages WHERE rowid = ?", [(n,) for n in deleted])
    connection.close()
    found = list(PythonCanSqlite().read(io.BytesIO(path.read_bytes()), "x.db"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sqlite, "_batches", lambda *where: iter(()))
        oracle = list(PythonCanSqlite().read(io.BytesIO(path.read_bytes()), "x.db"))
    if not oracle:
        assert not found
        return
    assert rows(join(found)) == rows(join(oracle))
    assert join(found).tally == join(oracle).tally


def test_what_python_can_writes_is_read_from_the_pages_alone(tmp_path, monkeypatch):
    write_sqlite(tmp_path / "a.db", TRAFFIC)
    left = []

    def pieces(connection, table, after):
        left.append(after)
        return iter(())

    monkeypatch.setattr(sqlite, "_pieces", pieces)
    assert len(table(tmp_path / "a.db")) == len(TRAFFIC)
    assert left == [len(TRAFFIC)]


def test_a_table_whose_row_number_is_one_of_the_columns_is_left_to_sqlite(tmp_path):
    create = CREATE.replace("arbitration_id INTEGER", "arbitration_id INTEGER PRIMARY KEY")
    path = database(
        tmp_path / "a.db", [(1.0, 7, 0, 0, 0, 0, b""), (2.0, 9, 0, 0, 0, 0, b"")], create
    )
    assert table(path).can_id.tolist() == [7, 9]
