"""Tables -> one parquet or CSV file, written as they come and put in its place when complete."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

import pyarrow as pa

from canscope.model.errors import ReportError, Where

STARTERS = ("=", "+", "-", "@", "\t", "\r")  # with which a spreadsheet begins a formula
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")
SUFFIXES = (".parquet", ".csv")
COMPRESSIONS = ("snappy", "zstd", "none")
TIMES = ("time_ns", "time_s")
SPECIAL = frozenset('",\r\n')  # what a text of a CSV file must be quoted for


def wide_columns(keys: Sequence[str]) -> dict[str, str]:
    """Column names and kinds of a wide table."""
    return {"time_ns": "int64", "time_s": "float64", **dict.fromkeys(keys, "float64")}


class TableFile(Protocol):
    """Something that tables of the same columns are appended to."""

    def write(self, table: pa.Table) -> None: ...

    def close(self) -> None: ...


@contextmanager
def table_file(
    path: Path,
    columns: dict[str, str],
    *,
    plain_text: bool = False,
    compression: str = "snappy",
) -> Iterator[TableFile]:
    """A file to append tables to; it appears under its name only when all of it is written.

    Of a parquet file, ``plain_text`` makes the text columns strings instead of dictionaries, which
    pandas reads as categoricals, and ``compression`` is one of ``COMPRESSIONS``.

    Raises:
        ReportError: the name has no suffix of ``SUFFIXES``, or cannot be written.
    """
    if path.suffix.lower() not in SUFFIXES:
        hint = f"give the file a name that ends in {' or '.join(SUFFIXES)}"
        raise ReportError("not a kind of table that is written", where=Where(str(path)), hint=hint)
    part = path.with_name(f".{path.name}.part")
    try:
        if path.is_dir():
            raise IsADirectoryError(0, "there is a folder of this name")
        file: TableFile
        if path.suffix.lower() == ".csv":
            file = CsvFile(part, columns)
        else:
            text = pa.string() if plain_text else pa.dictionary(pa.int32(), pa.string())
            file = ParquetFile(part, columns, text, compression)
        file = BehindFile(file)
        try:
            yield file
        finally:
            file.close()
        os.replace(part, path)
    except OSError as error:
        if error.filename not in (None, str(part), str(path)):
            raise  # for example of the capture that is being read
        hint = "check that the folder exists, may be written to and has room"
        reason = error.strerror or str(error)
        raise ReportError(f"cannot write: {reason}", where=Where(str(path)), hint=hint) from error
    finally:
        part.unlink(missing_ok=True)


class BehindFile:
    """Writes each table in a second thread while the next one is made; one at a time, in order.

    pyarrow releases the interpreter's lock while it writes. An error is raised by the next call.
    """

    def __init__(self, file: TableFile) -> None:
        self._file = file
        self._thread = ThreadPoolExecutor(1)
        self._pending: Future[None] | None = None

    def write(self, table: pa.Table) -> None:
        """Wait for the table before this one, and begin to write this one."""
        self._wait()
        self._pending = self._thread.submit(self._file.write, table)

    def close(self) -> None:
        """Wait for the last table, and finish the file."""
        try:
            self._wait()
        finally:
            self._thread.shutdown()
            self._file.close()

    def _wait(self) -> None:
        pending, self._pending = self._pending, None
        if pending is not None:
            pending.result()


class ParquetFile:
    """Parquet, a row group a table."""

    def __init__(
        self, path: Path, columns: dict[str, str], text: pa.DataType, compression: str
    ) -> None:
        import pyarrow.parquet as pq

        kinds = {"int64": pa.int64(), "float64": pa.float64(), "text": text}
        self._schema = pa.schema([(name, kinds[kind]) for name, kind in columns.items()])
        self._file = path.open("wb")
        # Stamps differ in nearly every row: what they differ by takes less room than a dictionary.
        times = [name for name in TIMES if name in columns]
        self._writer: Any = pq.ParquetWriter(
            self._file,
            self._schema,
            compression=compression,
            use_dictionary=[name for name in columns if name not in times],
            column_encoding=dict.fromkeys(times, "PLAIN") | ({"time_ns": "DELTA_BINARY_PACKED"}),
        )

    def write(self, table: pa.Table) -> None:
        """Append a table as one row group."""
        self._writer.write_table(table.cast(self._schema))

    def close(self) -> None:
        """Finish the file."""
        try:
            self._writer.close()
        finally:
            self._file.close()


class CsvFile:
    """Comma-separated text in UTF-8, one header line; a value that is not available is empty.

    A text that a spreadsheet would take for a formula (it begins with = + - @ or a tab, and is no
    number) gets an apostrophe before it; control characters stand as the replacement mark.
    """

    def __init__(self, path: Path, columns: dict[str, str]) -> None:
        import csv

        with path.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerow(map(_inert, columns))
        self._file = path.open("ab")

    def write(self, table: pa.Table) -> None:
        """Append a table's rows; texts stand in quotes only where one of them needs it."""
        from pyarrow.csv import WriteOptions, write_csv

        texts = [name for name in table.column_names if pa.types.is_dictionary(table[name].type)]
        words = (word for name in texts for part in table[name].chunks for word in part.dictionary)
        needed = any(SPECIAL & set(word.as_py()) for word in words)
        for name in texts:
            place = table.column_names.index(name)
            table = table.set_column(place, name, _all_inert(table[name]))
        quoting = "needed" if needed else "none"
        write_csv(table, self._file, WriteOptions(include_header=False, quoting_style=quoting))

    def close(self) -> None:
        """Finish the file."""
        self._file.close()


def _all_inert(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """The texts of a dictionary column, as a spreadsheet shows them without harm."""
    parts = [
        pa.array([_inert(word) for word in part.dictionary.to_pylist()], pa.string()).take(
            part.indices
        )
        for part in column.chunks
    ]
    return pa.chunked_array(parts, pa.string())


def _inert(text: str) -> str:
    shown = CONTROL.sub("\ufffd", text)
    if text[:1] not in STARTERS or len(text) < 2 or NUMBER.fullmatch(text):
        return shown
    return f"'{shown}"
