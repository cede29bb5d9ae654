"""Any table of frames as text: a line of headings, then one frame a line.

Source: no format of anybody's; columns are taken by what their headings mean (``header.py``), or as
the user names them. Read: ``;``, tab and comma between cells; times as numbers of any unit, with a
decimal comma or point, or as dates; identifiers in hex or decimal; data in one column of hex or one
column a byte; direction, bus, length, remote, error and FD marks where there are columns for them.
What cannot be told for sure is refused with what to name: whether identifiers without a letter are
hex or decimal, and the unit of times where neither their heading nor their steps show it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import BinaryIO

from canscope.capture import READERS, UNNAMED, Reader
from canscope.capture.input.stamps import LAST_SECOND
from canscope.capture.input.table import reason
from canscope.capture.input.text import BYTE_ORDER_MARK, CLIPPED, blocks, shown
from canscope.capture.table.header import NS, Columns, as_spoken, by_heading, split
from canscope.capture.table.times import CLOCK, READ, names_no_zone, time_ns, unit_of
from canscope.model.errors import CaptureError, Where
from canscope.model.tables import (
    EXAMPLES,
    FD_LENGTHS,
    MOST_CHANNELS,
    SECOND_NS,
    Flag,
    FrameBuilder,
    Frames,
    Tally,
)

HEADING_WITHIN = 40  # lines of a file
DECIDING = 10  # rows that decide whether a file is of this format
ENOUGH = 12  # different identifiers: if none has a letter, they are decimal
LAST_NS = LAST_SECOND * SECOND_NS
YES = {"1", "true", "t", "yes", "y", "x", "ext", "extended", "xtd", "29", "29bit", "fd", "ja"}
NO = {"", "0", "false", "f", "no", "n", "s", "std", "standard", "11", "11bit", "nein", "-"}
SENT = {"tx", "t", "out", "sent", "transmitted", "gesendet", "1"}
HEARD = {"", "rx", "r", "in", "received", "receive", "empfangen", "0"}
MARKS = ("extended", "remote", "error", "fd", "brs", "esi")
COLUMNS_HINT = (
    "name them: --columns time_ms=HEADING,id_hex=HEADING,data=HEADING (also extended, direction, "
    "bus, length; data='B*' for one column a byte)"
)


@READERS.add("table")
class Table(Reader):
    """Tables of frames with headings."""

    by_lines = True

    def recognises(self, head: bytes) -> bool:
        """Whether one of the first lines has headings for time, identifier and data."""
        return any(by_heading(line) is not None for line in _texts(head)[:HEADING_WITHIN])

    def read(self, stream: BinaryIO, file: str) -> Iterator[Frames]:
        """Read in chunks of a block.

        Raises ``CaptureError`` if there are no headings, it cannot be told what the columns hold,
        or most of the first ten rows are no frames.
        """
        rows, number = None, 1
        for text, unfinished in blocks(stream):
            block = text or unfinished
            lines = block.decode("utf-8", "backslashreplace").split("\n")
            if number == 1:
                lines[0] = lines[0].removeprefix(BYTE_ORDER_MARK.decode())
            begin = 0
            if rows is None:
                begin, columns = _headings(lines, self.columns, file)
                rows = _Rows(columns, lines[begin:], file)
            yield rows.frames(lines, begin, number, whole=bool(text))
            number += block.count(b"\n")


def _texts(head: bytes) -> list[str]:
    text = head.removeprefix(BYTE_ORDER_MARK).decode("utf-8", "backslashreplace")
    return [line for line in text.split("\n") if line.strip()]


def _headings(lines: list[str], named: Mapping[str, str], file: str) -> tuple[int, Columns]:
    """(number of the line behind the headings, the columns)."""
    why = "none of its first lines has headings for a time, an identifier and data"
    for at, line in enumerate(lines[:HEADING_WITHIN]):
        found = as_spoken(line, named) if named else by_heading(line)
        if isinstance(found, Columns):
            return at + 1, found
        why = found or why
        if named and found and "no heading" not in found:
            break
    raise CaptureError(f"not a table of frames: {why}", where=Where(file), hint=COLUMNS_HINT)


@dataclass
class _Rows:
    """Turns rows of one table into frames, as its first rows show how they are written."""

    columns: Columns
    first: list[str]
    file: str
    notes: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        found = self.columns
        rows = [split(line, found.separator) for line in self.first[:5000] if line.strip()]
        rows = [row for row in rows if len(row) >= max(found.place.values()) + 1]
        ids = {row[found.place["id"]] for row in rows}
        data = {row[at] for row in rows for at in found.data if at < len(row)}
        self.id_base = found.id_base or self._base(ids)
        self.data_base = found.data_base or self._data_base(data)
        self.padded = all(len(token) % 2 == 0 for cell in data for token in _tokens(cell))
        self.unit_ns = NS[found.unit] if found.unit else self._unit([_time(r, found) for r in rows])
        self.channels: set[str] = set()
        if "extended" not in found.place:
            self.notes.append("identifiers of up to 7FF are taken to be of 11 bits")
        self.notes = [f"{self.file}: {note}" for note in self.notes]
        self.zone_told = False
        self.decided = 0
        self.odd: list[str] = []

    def _refused(self, what: str) -> CaptureError:
        return CaptureError(what, where=Where(self.file), hint=COLUMNS_HINT)

    def _base(self, ids: set[str]) -> int:
        """Whether identifiers are hex or decimal."""
        bare = [text.lower().removesuffix("x").removesuffix("h") for text in ids]
        if any(text.startswith("0x") or re.search("[a-f]", text) for text in bare):
            return 16
        if any(text.lower().endswith(("h", "x")) for text in ids):
            return 16
        if any(len(text) > 1 and text.startswith("0") for text in bare):
            return 16  # padded, as only hex is
        if len(ids) >= ENOUGH:
            return 10
        raise self._refused(
            "it cannot be told whether its identifiers are decimal or hex: none has a letter "
            f"({', '.join(sorted(ids)[:4])})"
        )

    def _data_base(self, cells: set[str]) -> int:
        """Whether bytes are hex or decimal; digits without anything between them are hex."""
        if len(self.columns.data) == 1:
            tokens = [_tokens(cell) for cell in cells]
            cells = {token for several in tokens if len(several) > 1 for token in several}
            if not cells or all(len(token) % 2 == 0 for token in cells):
                return 16
        if any(re.search("[a-fA-FxX]", cell) for cell in cells):
            return 16
        if any(len(cell) > 2 for cell in cells):
            return 10
        if cells and all(len(cell) == 2 for cell in cells if cell):
            return 16
        raise self._refused("it cannot be told whether its data bytes are decimal or hex")

    def _unit(self, times: list[str]) -> int:
        """The unit of times whose heading names none."""
        unit, note = unit_of(times)
        if not unit:
            raise self._refused("no heading names the unit of its times, nor do they show it")
        if note:
            self.notes.append(note)
        return NS[unit]

    def frames(self, lines: list[str], begin: int, number: int, *, whole: bool) -> Frames:
        """The frames of a block of lines; without ``whole`` its only line has no line feed."""
        builder, skipped, examples, cut = FrameBuilder(), 0, list[str](), False
        for at, line in enumerate(lines[begin:], begin):
            text = line.strip()
            if not text or text.startswith("#"):
                continue
            if not whole and not self._shows_its_end():
                note = "the last line has no line feed and may be cut, so it is not read"
                self.notes.append(f"{self.file}:{number + at}: {note}")
                continue
            row = split(text, self.columns.separator)
            why = self._add(row, builder) if whole or self._is_padded(row) else "its end is cut"
            if why:
                cut |= not whole
                skipped += 1
                place = f"{self.file}:{number + at}: {why}: {shown(text.encode())}"
                self.odd.append(place) if self.decided < DECIDING else None
                if len(examples) < EXAMPLES:
                    examples.append(place)
            self.decided += 1
            if self.decided == DECIDING:
                self._decide()
        if not whole or len(lines) < DECIDING:
            self._decide()
        tally = Tally(
            len(builder) + skipped, skipped, tuple(examples), cut_end=cut, notes=tuple(self.notes)
        )
        return builder.build(tally)

    def _shows_its_end(self) -> bool:
        """Whether a row that is cut can be told from a whole one.

        So it is where bytes of two hex digits come last and another column says how many there
        are. Of decimal ones 25 may be the beginning of 255.
        """
        place = self.columns.place
        last = self.columns.data[-1] > max(place.values())
        return "length" in place and self.data_base == 16 and self.padded and last

    def _is_padded(self, row: list[str]) -> bool:
        """Whether each byte of a row has its two hex digits."""
        cells = [row[at] for at in self.columns.data if at < len(row)]
        return all(len(token) % 2 == 0 for cell in cells for token in _tokens(cell))

    def _decide(self) -> None:
        if 2 * len(self.odd) > min(self.decided, DECIDING):
            seen = min(self.decided, DECIDING)
            raise self._refused(
                f"not a table of frames: {len(self.odd)} of its first {seen} row(s) are none, the "
                f"first because of this: {self.odd[0]}"
            )

    def _add(self, row: list[str], builder: FrameBuilder) -> str:
        """Add the frame of a row, or say why there is none."""
        place = self.columns.place
        least = max(*place.values(), self.columns.data[0])
        if len(row) <= least or row[-1:] == [CLIPPED.decode()]:
            return f"{len(row)} cells, not {self.columns.count}"
        cell = {meaning: row[at] for meaning, at in place.items()}
        at_ns = self._time_ns(cell)
        if at_ns is None and "/" in cell["time"]:
            return "a date with slashes does not say what is the day: write it as 2024-05-14"
        if at_ns is None:
            return f"no time that can be read, such as {READ}"
        if not 0 <= at_ns < LAST_NS:
            return "a time below zero, or one that does not fit 64 bits of nanoseconds"
        marks = {m: _mark(cell[m]) for m in MARKS if m in cell}
        if None in marks.values():
            return "a mark that is neither yes nor no"
        can_id, long = self._identifier(cell["id"])
        data = self._data([row[at] for at in self.columns.data if at < len(row)])
        if can_id is None or data is None:
            return "no identifier" if can_id is None else "its data is no bytes"
        remote, error = bool(marks.get("remote")), bool(marks.get("error"))
        extended = bool(marks.get("extended", long or can_id > 0x7FF))
        length = self._length(cell.get("length", ""), data, remote=remote, is_fd=marks.get("fd"))
        if length is None or (not remote and length > len(data)):
            return f"{len(data)} bytes of data, and its length is {cell.get('length', '')}"
        if not remote:
            data = data[:length]
        flags = Flag.ERROR if error else Flag.EXTENDED if extended else Flag(0)
        flags |= Flag.REMOTE if remote else Flag(0)
        flags |= Flag.FD if marks.get("fd") or length > 8 else Flag(0)
        if flags & Flag.FD:
            flags |= Flag.BRS if marks.get("brs") else Flag(0)
            flags |= Flag.ESI if marks.get("esi") else Flag(0)
        direction = cell.get("direction", "").lower()
        if direction not in SENT | HEARD:
            return f"no direction is {direction!r}"
        flags |= Flag.TRANSMITTED if direction in SENT else Flag(0)
        channel = _channel(cell.get("bus", ""))
        if channel not in self.channels and len(self.channels) >= MOST_CHANNELS:
            return f"more than {MOST_CHANNELS} channels"
        if why := reason(can_id, int(flags), length):
            return why
        self.channels.add(channel)
        builder.add(at_ns, channel, can_id, int(flags), length, b"" if remote else data)
        return ""

    def _time_ns(self, cell: Mapping[str, str]) -> int | None:
        """The time of a row; a time of day counts from the day that another column names."""
        text = cell["time"]
        if "date" in cell and CLOCK.fullmatch(text):
            text = f"{cell['date']} {text}"
        if self.columns.separator != "," or "." not in text:
            text = text.replace(",", ".")
        if not self.zone_told and names_no_zone(text):
            self.zone_told = True
            self.notes.append(f"{self.file}: names no zone for its times: taken to be UTC")
        return time_ns(text, self.unit_ns)

    def _identifier(self, text: str) -> tuple[int | None, bool]:
        """The identifier, and whether its way of writing says that it is an extended one."""
        bare = text.lower()
        long = bare.endswith("x") and self.id_base == 16
        bare = bare.removesuffix("x").removesuffix("h").removeprefix("0x")
        try:
            number = int(bare, self.id_base) if re.fullmatch("[0-9a-f]{1,10}", bare) else None
        except ValueError:
            return None, False
        return number, long or (self.id_base == 16 and len(bare) == 8)

    def _data(self, cells: list[str]) -> bytes | None:
        """The data bytes; None where they are none."""
        if len(self.columns.data) == 1:
            cells = _tokens(cells[0]) if cells else []
            if self.data_base == 16 and (len(cells) == 1 or any(len(cell) > 2 for cell in cells)):
                if any(len(cell) % 2 for cell in cells):
                    return None
                text = "".join(cells)
                return bytes.fromhex(text) if re.fullmatch("[0-9a-fA-F]*", text) else None
        while cells and not cells[-1]:
            cells.pop()
        digits = [cell.lower().removeprefix("0x") for cell in cells]
        if not all(re.fullmatch("[0-9a-f]{1,8}", text) for text in digits):
            return None
        try:
            numbers = [int(text, self.data_base) for text in digits]
        except ValueError:
            return None
        return bytes(numbers) if all(n <= 255 for n in numbers) else None

    @staticmethod
    def _length(text: str, data: bytes, *, remote: bool, is_fd: bool | None) -> int | None:
        """How many bytes the frame has: as its own column says, else as many as there are."""
        if not text:
            return len(data)
        if not text.isdecimal() or len(text) > 3:
            return None
        length = int(text)
        by_dlc = FD_LENGTHS[length] if length < len(FD_LENGTHS) else None
        if length > 8 and not remote and by_dlc == len(data):
            return len(data)  # a DLC of an FD frame
        return length


def _time(row: list[str], columns: Columns) -> str:
    return row[columns.place["time"]]


def _tokens(text: str) -> list[str]:
    """What stands between spaces and other marks in one cell of data, without a ``0x``."""
    parts = re.split(r"[\s,.:;_-]+", text.strip("[](){} \t"))
    return [part[2:] if part[:2].lower() == "0x" else part for part in parts if part]


def _mark(text: str) -> bool | None:
    """Whether a cell says yes; None if it says neither."""
    word = re.sub(r"[\s_-]", "", text.lower())
    return True if word in YES else False if word in NO or text == "-" else None


def _channel(text: str) -> str:
    """The name of a bus: a number n is ``can`` and that number."""
    if not text:
        return UNNAMED
    return f"can{int(text)}" if text.isdecimal() and len(text) < 4 else "_".join(text.split())
