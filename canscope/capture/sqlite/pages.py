"""The rows of one table of an SQLite database straight from its pages, many pages at once.

Through Python's sqlite3 every value of every row becomes an object: 500,000 frames take 1.77 s of
processor time so, and 0.22 s from the pages (eight times as fast). The layout of pages is public
and has not changed since 2004.
Source: sqlite.org, "Database File Format", 1.6 (b-tree pages) and 2.1 (record format).
Read: tables with row numbers, values that lie within their page. Of anything else, a damaged page
first of all, ``batches`` ends before it, and sqlite3 reads on from there.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np

from canscope.capture.input.table import Bytes, gathered
from canscope.model.tables import Bools, Floats, Int64s

INTERIOR, LEAF = 0x05, 0x0D  # kinds of pages of a table
BATCH, AHEAD = 1 << 20, 1 << 16  # bytes of pages; of these, read at once
DEEPEST = 20  # levels of a tree; SQLite itself gives up there
REAL, ZERO, ONE, FIRST_BLOB = 7, 8, 9, 12  # serial types; 0 is NULL, 1 to 6 whole numbers
SIZES = np.array([0, 1, 2, 3, 4, 6, 8, 8, 0, 0, -1, -1], np.int64)  # 10 and 11 never occur
IS_WHOLE = np.zeros(FIRST_BLOB + 1, np.bool_)
IS_WHOLE[[1, 2, 3, 4, 5, 6, ZERO, ONE]] = True
OTHERS = 35  # bytes of a page that a value which lies in it leaves free


@dataclass(frozen=True)
class Values:
    """One column: what kind of value each row has, and where it begins and how long it is."""

    kind: Int64s
    at: Int64s
    size: Int64s

    @property
    def is_whole(self) -> Bools:
        """Which are whole numbers."""
        return IS_WHOLE.take(self.kind, mode="clip")

    @property
    def is_blob(self) -> Bools:
        return np.asarray((self.kind >= FIRST_BLOB) & (self.kind % 2 == 0))

    def whole(self, buffer: Bytes) -> Int64s:
        """Whole numbers; 0 where there is none."""
        if not self.size.any():
            return np.asarray(self.kind == ONE, np.int64)
        top = gathered(buffer, self.at, 8).view(">i8")[:, 0].astype(np.int64)
        number = top >> (64 - 8 * np.clip(self.size, 1, 8))  # keeps the sign
        return np.where(self.is_whole & (self.size > 0), number, self.kind == ONE).astype(np.int64)

    def real(self, buffer: Bytes) -> Floats:
        """Numbers; a whole one is stored as such, also in a column of floating numbers."""
        number = gathered(buffer, self.at, 8).view(">f8")[:, 0].astype(np.float64)
        return np.where(self.kind == REAL, number, self.whole(buffer).astype(np.float64))


@dataclass(frozen=True)
class Batch:
    """Rows in the order of their numbers; their columns point into ``buffer``."""

    buffer: Bytes
    number: Int64s
    columns: tuple[Values, ...]


class Pages:
    """The pages of a database, of which one table is read."""

    def __init__(self, file: BinaryIO) -> None:
        head = file.read(100)
        size = int.from_bytes(head[16:18], "big")
        self.size = 65536 if size == 1 else size
        self.usable = self.size - head[20]
        self._file, self._begin, self._block = file, 0, b""

    def batches(self, root: int, table: int, columns: Sequence[int]) -> Iterator[Batch]:
        """The rows of a table of so many columns; the places of those that are wanted among them.

        Ends early before the first page that is not as it should be.
        """
        waiting: list[bytes] = []
        last = np.iinfo(np.int64).min
        for page in self._leaves(root):
            waiting.append(page)
            if len(waiting) * self.size >= BATCH:
                batch = self._batch(waiting, table, columns, last)
                if batch is None:
                    return
                yield batch
                waiting, last = [], int(batch.number[-1])
        if waiting and (batch := self._batch(waiting, table, columns, last)) is not None:
            yield batch

    def _leaves(self, root: int) -> Iterator[bytes]:
        """The pages with rows, in order, up to a page that is none of a table."""
        stack = [iter([root])]
        while stack:
            page = next(stack[-1], None)
            if page is None:
                stack.pop()
                continue
            head = self._page(page)
            if not head or head[0] not in (INTERIOR, LEAF) or len(stack) > DEEPEST:
                return
            if head[0] == LEAF:
                yield head
                continue
            (cells,) = struct.unpack_from(">H", head, 3)
            if 12 + 2 * cells > self.usable:
                return
            places = struct.unpack_from(f">{cells}H", head, 12)
            if any(place + 4 > self.usable for place in places):
                return
            children = [struct.unpack_from(">I", head, place)[0] for place in places]
            stack.append(iter([*children, struct.unpack_from(">I", head, 8)[0]]))

    def _page(self, number: int) -> bytes:
        """One page, empty if there is no such; pages count from 1, and the first has a header."""
        at = (number - 1) * self.size - self._begin
        if number < 2:
            return b""
        if not 0 <= at <= len(self._block) - self.size:
            self._begin, at = self._begin + at, 0
            self._file.seek(self._begin)
            self._block = self._file.read(max(AHEAD, self.size))
        page = self._block[at : at + self.size]
        return page if len(page) == self.size else b""

    def _batch(
        self, pages: Sequence[bytes], table: int, columns: Sequence[int], last: int
    ) -> Batch | None:
        """The rows of some pages, None if anything is not as it should be."""
        buffer = np.frombuffer(b"".join(pages), np.uint8)
        begins = np.arange(len(pages)) * self.size
        cells = gathered(buffer, begins + 3, 4).view(">u2")[:, 0].astype(np.int64)
        if not cells.any() or (8 + 2 * cells > self.usable).any():
            return None
        page = np.repeat(np.arange(len(pages)), cells)
        nth = np.arange(len(page)) - np.repeat(np.cumsum(cells) - cells, cells)
        places = gathered(buffer, begins[page] + 8 + 2 * nth, 4).view(">u2")[:, 0]
        end = begins[page] + self.usable
        at = begins[page] + places
        payload, at = _varint(buffer, at)
        number, at = _varint(buffer, at)
        fits = (payload <= self.usable - OTHERS) & (payload > 0) & (at + payload <= end)
        header, after = _varint(buffer, at)
        if not fits.all() or (header > payload).any():
            return None
        types, value = after, at + header
        found: list[Values] = []
        for _ in range(table):
            if (types >= at + header).any():  # the row has fewer columns than the table
                return None
            kind, types = _varint(buffer, types)
            small = np.clip(kind, 0, FIRST_BLOB - 1)
            size = np.where(kind >= FIRST_BLOB, (kind - FIRST_BLOB) // 2, SIZES[small])
            if ((kind < 0) | (size < 0) | (size > payload)).any():
                return None
            found.append(Values(kind, value, size))
            value = value + size
        in_order = (np.diff(number) > 0).all() and number[0] > last
        if not in_order or (types != at + header).any() or (value > at + payload).any():
            return None
        return Batch(buffer, number, tuple(found[column] for column in columns))


def _varint(buffer: Bytes, at: Int64s) -> tuple[Int64s, Int64s]:
    """Numbers of 1 to 9 bytes, 7 bits in each but the ninth, and where they end."""
    first = buffer.take(at, mode="clip").astype(np.int64)
    if not (first & 0x80).any():
        return first, at + 1
    number, size, more = np.zeros_like(first), np.zeros_like(first), np.ones(len(at), np.bool_)
    for place in range(9):
        byte = buffer.take(at + place, mode="clip").astype(np.int64)
        longer = number << 8 | byte if place == 8 else number << 7 | byte & 0x7F
        number = np.where(more, longer, number)
        size += more
        more &= byte >= 0x80
        if not more.any():
            break
    return number, at + size
