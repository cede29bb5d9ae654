"""python-can's SQLite: a table ``messages`` with one row a frame.

Source: python-can 4.6.1, ``can/io/sqlite.py``, the statement in ``SqliteWriter._create_db``.
Read: classical, remote and error frames, and FD frames of more than 8 bytes. The format carries no
channel (the user names the bus), no direction, and no FD flags: an FD frame of up to 8 bytes looks
like a classical one, and of a longer one it is not known whether its bit rate was switched.
Its writer loses frames without counting them, so holes in the stamps are told (``holes.py``).
Times are floating seconds; ``input/stamps.py`` makes whole nanoseconds of them.
Nothing is ever written beside the database, and one in the middle of a write is refused.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import islice, repeat
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np

from canscope.capture import READERS, UNNAMED, Reader
from canscope.capture.input.on_disk import on_disk
from canscope.capture.input.stamps import nanoseconds
from canscope.capture.input.table import Bytes, assembled
from canscope.capture.sqlite.holes import Holes
from canscope.capture.sqlite.pages import REAL, Batch, Pages
from canscope.model.errors import CaptureError, Where
from canscope.model.tables import Bools, Flag, Floats, Frames, Int64s, Tally, empty_frames

if TYPE_CHECKING:
    import sqlite3

MAGIC = b"SQLite format 3\0"
COLUMNS = ("ts", "arbitration_id", "extended", "remote", "error", "dlc", "data")
USUAL_TABLE = "messages"
ROWS = 1 << 14  # rows a chunk
LONGEST = 1 << 14  # bytes of a value or a row; bounds what a hostile database can make us hold
UNFINISHED = ("-journal", "-wal")  # files beside a database that is being written

Row = tuple[Any, ...]


@READERS.add("sqlite")
class PythonCanSqlite(Reader):
    """python-can's SQLite databases."""

    def recognises(self, head: bytes) -> bool:
        """Whether the file is an SQLite database, of whatever content."""
        return head.startswith(MAGIC)

    def read(self, stream: BinaryIO, file: str) -> Iterator[Frames]:
        """Read a table in chunks of about 16,000 frames, in the order in which they were written.

        A damaged database is read up to the damage. Raises ``CaptureError`` if it has no such table
        or something is still being written to it.
        """
        import sqlite3

        with on_disk(stream, file) as stored, _whole_pages(stored.path) as (path, cut):
            _check_finished(stored.path, file)
            # immutable: SQLite writes no lock and no file beside it, so a read-only folder will do
            uri = Path(path).absolute().as_uri() + "?mode=ro&immutable=1"
            # Another thread than the one that opened the file may ask for rows, but never two at
            # a time.
            connection = sqlite3.connect(uri, uri=True, check_same_thread=False)
            try:
                connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LONGEST)
                # lets a database that was cut short be opened; nothing can be written anyway
                connection.execute("PRAGMA writable_schema = ON")
                table = _table(connection, file)
                last = _last_row(connection, table)
                seen: int | None = None
                holes = Holes()
                with open(path, "rb") as pages:
                    for batch in _batches(connection, table, pages):
                        seen = int(batch.number[-1])
                        chunk = _frames_of_pages(batch, file)
                        holes.feed(chunk.time_ns)
                        yield chunk
                        stored.reached(seen / last if last > 0 else 1.0)
                for rows in _pieces(connection, table, seen):
                    if not isinstance(rows, list):
                        yield replace(
                            empty_frames(),
                            tally=_damage(file, seen or 0, str(rows) or type(rows).__name__),
                        )
                        return
                    seen = int(rows[-1][0])
                    chunk = _frames_of_rows(rows, file)
                    holes.feed(chunk.time_ns)
                    yield chunk
                    stored.reached(seen / last if last > 0 else 1.0)
                if holes.note:
                    told = Tally(notes=(f"{file}: {holes.note}",))
                    yield replace(empty_frames(), tally=told)
                if cut:
                    yield replace(
                        empty_frames(), tally=_damage(file, seen or 0, "the file is cut short")
                    )
            # SQLite reports a lack of memory where a damaged header asks for more than there is
            except (sqlite3.DatabaseError, MemoryError) as error:
                raise _unusable(file, error) from error
            finally:
                connection.close()


def _check_finished(path: str, file: str) -> None:
    for suffix in UNFINISHED:
        beside = path + suffix
        if os.path.exists(beside) and os.path.getsize(beside):
            raise CaptureError(
                f"a write to this database was never finished: {os.path.basename(beside)} has the "
                "rest of it",
                where=Where(file),
                hint="stop the recorder; if it is not running any more, open a copy of both files "
                "with SQLite once, which finishes the write, and check the copy",
            )


@contextmanager
def _whole_pages(path: str) -> Iterator[tuple[str, bool]]:
    """(a file of whole pages, whether the database was longer once).

    SQLite takes what is missing of its last page for zeros, and so would make up values; of a
    database that ends within a page, a copy without it is read. Layout of the first 100 bytes:
    sqlite.org, "Database File Format", 1.3, from memory.
    """
    size = os.path.getsize(path)
    with open(path, "rb") as database:
        head = database.read(100).ljust(100, b"\0")
        page = int.from_bytes(head[16:18], "big")
        page = 65536 if page == 1 else page
        pages = int.from_bytes(head[28:32], "big") if head[24:28] == head[92:96] else 0
        left = size % page if page else 0
        cut = left > 0 or pages * page > size
        if not left:
            yield path, cut
            return
        with tempfile.TemporaryDirectory(prefix="canscope-") as folder:
            copy = os.path.join(folder, "capture")
            database.seek(0)
            with open(copy, "wb") as target:
                shutil.copyfileobj(database, target)
                target.truncate(size - left)
            yield copy, cut


def _unusable(file: str, error: Exception) -> CaptureError:
    return CaptureError(
        f"the database cannot be read: {error or type(error).__name__}",
        where=Where(file),
        hint="take another copy of it, or export the log as candump text",
    )


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _table(connection: sqlite3.Connection, file: str) -> str:
    """The table that holds frames: the one of the usual name, else the only one with its columns.

    Raises ``CaptureError`` if there is none, or more than one to choose from.
    """
    tables = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
    names = [name for (name,) in tables if isinstance(name, str)]
    fitting = []
    for name in names:
        columns = connection.execute(f"PRAGMA table_info({_quoted(name)})").fetchall()
        if set(COLUMNS) <= {column[1] for column in columns}:
            fitting.append(name)
    if USUAL_TABLE in fitting:
        return USUAL_TABLE
    if len(fitting) == 1:
        return fitting[0]
    found = "several tables" if fitting else "no table"
    raise CaptureError(
        f"{found} with the columns {', '.join(COLUMNS)} in this database "
        f"(its tables: {', '.join(map(repr, names[:8])) or 'none'})",
        where=Where(file),
        hint="python-can writes them into a table called messages; export any other as candump "
        "text",
    )


def _last_row(connection: sqlite3.Connection, table: str) -> int:
    """The highest row number, 0 if it cannot be found; only progress depends on it."""
    import sqlite3

    try:
        return int(
            connection.execute(f"SELECT max(rowid) FROM {_quoted(table)}").fetchone()[0] or 0
        )
    except (sqlite3.DatabaseError, MemoryError, TypeError, ValueError):
        return 0


def _batches(connection: sqlite3.Connection, table: str, file: BinaryIO) -> Iterator[Batch]:
    """Rows straight from the pages, as far as these are as they should be.

    Nothing of a table whose columns are not all stored as they are: one that is the row number
    itself, or that is computed.
    """
    [(root,)] = connection.execute(
        "SELECT rootpage FROM sqlite_master WHERE type = 'table' AND name = ?", (table,)
    ).fetchall()
    columns = connection.execute(f"PRAGMA table_xinfo({_quoted(table)})").fetchall()
    names = [column[1] for column in columns]
    plain = not any(column[5] or column[6] for column in columns)  # of a primary key, hidden
    if plain and isinstance(root, int):
        yield from Pages(file).batches(root, len(names), [names.index(name) for name in COLUMNS])


def _pieces(
    connection: sqlite3.Connection, table: str, after: int | None
) -> Iterator[list[Row] | Exception]:
    """Rows as ``rowid`` and COLUMNS, a list at a time; at the end the damage that stops it.

    ``after`` is the number of the last row that was read already.
    """
    import sqlite3

    columns = ", ".join(_quoted(name) for name in COLUMNS)
    begun = f" WHERE rowid > {after}" if after is not None else ""
    cursor, ended = connection.cursor(), False
    select = f"SELECT rowid, {columns} FROM {_quoted(table)}{begun}"
    while not ended:
        rows: list[Row] = []
        damage: Exception | None = None
        try:
            if select:
                cursor.execute(select)  # finds the first row, or damage before it
                select = ""
            rows.extend(islice(cursor, ROWS))
        except (sqlite3.DatabaseError, MemoryError) as error:
            damage = error
        ended = len(rows) < ROWS
        if rows:
            yield rows
        if damage is not None:
            yield damage
            return


def _damage(file: str, row: int, why: str) -> Tally:
    what = f"{file}: row {row + 1}: the database is damaged from here on: {why}"
    return Tally(1, 1, (what,), cut_end=True)


def _frames_of_rows(rows: list[Row], file: str) -> Frames:
    """The frames in rows as sqlite3 gives them."""
    number, ts, can_id, extended, remote, error, dlc, data = zip(*rows, strict=True)
    odd = _unlike(ts, (float, int)) | _unlike(data, (bytes,))
    for column in (can_id, extended, remote, error, dlc):
        odd |= _unlike(column, (int,))
    if odd.any():  # rare: the columns as if the odd rows were empty frames
        blank = (0.0, 0, 0, 0, 0, 0, b"")
        rows = [(row[0], *blank) if bad else row for row, bad in zip(rows, odd, strict=True)]
        number, ts, can_id, extended, remote, error, dlc, data = zip(*rows, strict=True)
    size = np.fromiter(map(len, data), np.int64, len(rows))
    return _frames(
        np.frombuffer(b"".join(data), np.uint8),
        np.cumsum(size) - size,
        size,
        number=np.array(number, np.int64),
        seconds=np.array(ts, np.float64),
        whole=[np.array(column, np.int64) for column in (can_id, extended, remote, error, dlc)],
        odd=odd,
        file=file,
    )


def _frames_of_pages(batch: Batch, file: str) -> Frames:
    """The frames in rows as they lie in their pages."""
    ts, *others, data = batch.columns
    odd = ~(ts.is_whole | (ts.kind == REAL)) | ~data.is_blob
    for column in others:
        odd |= ~column.is_whole
    return _frames(
        batch.buffer,
        data.at,
        np.where(odd, 0, data.size),
        number=batch.number,
        seconds=np.where(odd, 0.0, ts.real(batch.buffer)),
        whole=[np.where(odd, 0, column.whole(batch.buffer)) for column in others],
        odd=odd,
        file=file,
    )


def _frames(
    buffer: Bytes,
    at: Int64s,
    size: Int64s,
    *,
    number: Int64s,
    seconds: Floats,
    whole: list[Int64s],
    odd: Bools,
    file: str,
) -> Frames:
    """The frames in columns; a row that python-can would not have written is counted.

    Payloads lie in the buffer; ``odd`` rows have a value of a wrong type, and zeros for all of
    them; ``whole`` has the columns of whole numbers in the order of COLUMNS.
    """
    can_id, extended, remote, error, length = whole
    time_ns, in_time = nanoseconds(seconds)
    flags = np.where((extended == 1) & (error != 1), np.uint8(Flag.EXTENDED), np.uint8(0))
    flags |= np.where(remote == 1, np.uint8(Flag.REMOTE), np.uint8(0))
    flags |= np.where(error == 1, np.uint8(Flag.ERROR), np.uint8(0))
    flags |= np.where(length > 8, np.uint8(Flag.FD), np.uint8(0))
    other = np.any([(state != 0) & (state != 1) for state in (extended, remote, error)], axis=0)
    expected = np.where(remote == 1, 0, length)
    return assembled(
        buffer,
        at,
        time_ns=time_ns,
        channel=np.zeros(len(number), np.uint8),
        channels=(UNNAMED,),
        can_id=can_id,
        flags=flags,
        length=length,
        wrong=[
            (odd, "a value is missing or of the wrong type"),
            (~in_time, "its time does not fit 64 bits of nanoseconds"),
            (other, "extended, remote and error are 0 or 1"),
            (size != expected, "its data is not as long as dlc says"),
        ],
        place=lambda row: f"{file}: row {number[row]}",
    )


def _unlike(column: tuple[Any, ...], kinds: tuple[type, ...]) -> Bools:
    """Which values are of none of these types."""
    if set(map(type, column)) <= set(kinds):
        return np.zeros(len(column), np.bool_)
    return ~np.fromiter(map(isinstance, column, repeat(kinds)), np.bool_, len(column))
