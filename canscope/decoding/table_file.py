"""Tables -> one parquet or CSV file, written as they come and put in its place when complete."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from canscope.model.errors import ReportError, Where

if TYPE_CHECKING:
    import pandas as pd

SUFFIXES = (".parquet", ".csv")
TIDY = {
    "time_ns": "int64",
    "time_s": "float64",
    "channel": "text",
    "message": "text",
    "signal": "text",
    "value": "float64",
    "unit": "text",
    "label": "text",
}


def wide_columns(keys: Sequence[str]) -> dict[str, str]:
    """Column names and kinds of a wide table."""
    return {"time_ns": "int64", "time_s": "float64", **dict.fromkeys(keys, "float64")}


class TableFile(Protocol):
    """Something that tables of the same columns are appended to."""

    def write(self, table: pd.DataFrame) -> None: ...

    def close(self) -> None: ...


@contextmanager
def table_file(path: Path, columns: dict[str, str]) -> Iterator[TableFile]:
    """A file to append tables to; it appears under its name only when all of it is written.

    Raises:
        ReportError: the name has no suffix of ``SUFFIXES``, or cannot be written.
    """
    if path.suffix.lower() not in SUFFIXES:
        hint = f"give the file a name that ends in {' or '.join(SUFFIXES)}"
        raise ReportError("not a kind of table that is written", where=Where(str(path)), hint=hint)
    part = path.with_name(f".{path.name}.part")
    kind = ParquetFile if path.suffix.lower() == ".parquet" else CsvFile
    try:
        if path.is_dir():
            raise IsADirectoryError(0, "there is a folder of this name")
        file = kind(part, columns)
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


class ParquetFile:
    """Parquet through pyarrow; text columns are plain strings."""

    def __init__(self, path: Path, columns: dict[str, str]) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        kinds = {"int64": pa.int64(), "float64": pa.float64(), "text": pa.string()}
        self._schema = pa.schema([(name, kinds[kind]) for name, kind in columns.items()])
        self._file = path.open("wb")
        self._writer: Any = pq.ParquetWriter(self._file, self._schema)

    def write(self, table: pd.DataFrame) -> None:
        """Append a table as one row group."""
        import pyarrow as pa

        self._writer.write_table(
            pa.Table.from_pandas(table, schema=self._schema, preserve_index=False)
        )

    def close(self) -> None:
        """Finish the file."""
        try:
            self._writer.close()
        finally:
            self._file.close()


class CsvFile:
    """Comma-separated text in UTF-8, one header line; a value that is not available is empty."""

    def __init__(self, path: Path, columns: dict[str, str]) -> None:
        import csv

        self._file = path.open("w", encoding="utf-8", newline="")
        csv.writer(self._file, lineterminator="\n").writerow(columns)

    def write(self, table: pd.DataFrame) -> None:
        """Append a table's rows."""
        table.to_csv(self._file, header=False, index=False, lineterminator="\n")

    def close(self) -> None:
        """Finish the file."""
        self._file.close()
