"""Which column of a table of frames means what, by its heading or as the user says."""

from __future__ import annotations

import contextlib
import csv
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

SEPARATORS = (";", "\t", ",")
NS = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1}
NS |= {"min": 60 * NS["s"], "h": 3600 * NS["s"], "d": 86_400 * NS["s"]}
UNITS = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds", "sek", "sekunden"), "s"),
    **dict.fromkeys(("ms", "msec", "millis", "milliseconds", "millisekunden"), "ms"),
    **dict.fromkeys(("us", "µs", "μs", "usec", "micros", "microseconds"), "us"),
    **dict.fromkeys(("ns", "nsec", "nanos", "nanoseconds"), "ns"),
    **dict.fromkeys(("min", "minute", "minutes", "minuten"), "min"),
    **dict.fromkeys(("h", "hour", "hours", "stunden"), "h"),
    **dict.fromkeys(("days", "tage"), "d"),
}
# Headings, in lower case and of letters and digits alone, as loggers and their exports have them;
# common practice, no source.
MEANINGS = {
    "time": "time timestamp timestamps t zeit zeitstempel timeoffset offset systemtime abstime "
    "reltime absolutetime relativetime recordtime datetime",
    "date": "date datum day tag",
    "id": "id canid arbitrationid arbid identifier messageid msgid frameid kennung canidentifier "
    "arbitration",
    "extended": "extended ext ide isextended isextendedid extendedid xtd idtype idformat "
    "extendedframe",
    "direction": "dir direction rxtx txrx richtung",
    "bus": "bus channel chan ch can interface kanal busid buschannel canbus port",
    "length": "len length dlc datalength datalen bytecount länge laenge size",
    "data": "data payload databytes daten nutzdaten rawdata payloadhex bytes datahex",
    "remote": "remote rtr isremote remoteframe isremoteframe",
    "error": "error iserror errorframe iserrorframe",
    "fd": "fd fdf edl isfd canfd",
    "brs": "brs bitrateswitch",
    "esi": "esi errorstateindicator",
}
BY_HEADING = {word: meaning for meaning, words in MEANINGS.items() for word in words.split()}
ONE_BYTE = re.compile(r"(?:d|b|db|data|byte|databyte|payload)(\d{1,2})")
NEEDED = ("time", "id", "data")
LONGEST = 4096  # letters of a line of headings; brackets in a longer one would take minutes
# What --columns may name: a meaning, with its unit or its base behind it where that matters.
SPOKEN = re.compile(
    r"(time|date|id|data|extended|direction|bus|length|remote|error|fd|brs|esi)(?:_(\w+))?"
)


@dataclass
class Columns:
    """Where in a row what stands; ``data`` has several places where each byte has its own."""

    separator: str
    count: int
    place: dict[str, int] = field(default_factory=dict)
    data: list[int] = field(default_factory=list)
    unit: str = ""  # of the times; empty where no heading says it
    id_base: int = 0  # 10 or 16, 0 where no heading says it
    data_base: int = 0

    @property
    def missing(self) -> list[str]:
        """What a frame needs and no column has."""
        found = {*self.place, *(["data"] if self.data else [])}
        return [meaning for meaning in NEEDED if meaning not in found]


def split(line: str, separator: str) -> list[str]:
    """The cells of a line; quotes that are never closed are letters like others."""
    cells = line.split(separator)
    if '"' in line:
        with contextlib.suppress(csv.Error):
            cells = next(csv.reader([line], delimiter=separator), [])
    return [cell.strip() for cell in cells]


def by_heading(line: str) -> Columns | None:
    """The columns of a line of headings, None if it is none."""
    if len(line) > LONGEST:
        return None
    for separator in SEPARATORS:
        cells = split(line, separator)
        found = Columns(separator, len(cells))
        for at, cell in enumerate(cells):
            _place(found, at, cell)
        if "time" not in found.place and "date" in found.place:
            found.place["time"] = found.place.pop("date")
        found.data = _in_order(found.data, cells) or found.data
        if not found.missing:
            return found
    return None


def _place(found: Columns, at: int, heading: str) -> None:
    """Note what a column means."""
    meaning, unit, base = _meaning(heading)
    if meaning == "byte":
        found.data.append(at)
    elif not meaning or meaning in found.place or (meaning == "data" and found.data):
        return
    elif meaning == "data":
        found.data, found.data_base = [at], base
    else:
        found.place[meaning] = at
        if meaning == "time":
            found.unit = unit
        elif meaning == "id":
            found.id_base = base


@lru_cache(maxsize=1024)  # lines that are no headings are asked about again and again
def _meaning(heading: str) -> tuple[str, str, int]:
    """What a heading says by what stands outside brackets and inside them: meaning, unit, base.

    The meaning is empty where it says none, and "byte" where it numbers a byte of the data.
    """
    inside = " ".join(re.findall(r"[\[({]([^\])}]*)[\])}]", heading)).lower()
    outside = re.sub(r"[\[({][^\])}]*[\])}]", "", heading).lower()
    words = [word for word in re.split(r"[^\wµμ]+|_", outside) if word]
    extra = set(re.split(r"[^\wµμ]+", inside)) | set(words[1:])
    bare = "".join(word for word in words if word not in UNITS and word not in ("hex", "dec"))
    bare = bare or "".join(words)
    if ONE_BYTE.fullmatch(bare + (inside if inside.isdigit() else "")):
        return "byte", "", 0
    unit = next((UNITS[word] for word in sorted(extra) if word in UNITS), "")
    base = 16 if "hex" in extra else 10 if extra & {"dec", "decimal"} else 0
    return BY_HEADING.get(bare, ""), unit, base


def _in_order(places: Sequence[int], cells: Sequence[str]) -> list[int]:
    """Columns of single bytes by their numbers."""
    numbers = {at: re.findall(r"\d+", cells[at]) for at in places}
    if len(places) < 2 or not all(numbers.values()):
        return []
    return sorted(places, key=lambda at: int(numbers[at][-1]))


def as_spoken(line: str, names: Mapping[str, str]) -> Columns | str:
    """The columns that the user names, or in words why they cannot be.

    ``names`` goes from a meaning, such as ``time_ms`` or ``id_hex``, to a heading; a heading that
    ends in ``*`` stands for all that begin so, one a byte.
    """
    why = f"no heading is {next(iter(names.values()))!r}"
    for separator in SEPARATORS:
        cells = split(line, separator)
        found = Columns(separator, len(cells))
        for spoken, heading in names.items():
            m = SPOKEN.fullmatch(spoken)
            if m is None:
                return f"{spoken!r} is no meaning of a column"
            places = [at for at, cell in enumerate(cells) if _is_called(cell, heading)]
            if not places:
                why = f"no heading is {heading!r}"
                break
            if wrong := _take(found, m[1], m[2] or "", places):
                return f"{spoken!r}: {wrong}"
        else:
            if found.missing:
                why = f"no column is named for {', '.join(found.missing)}"
            else:
                found.data = _in_order(found.data, cells) or found.data
                return found
    return why


def _is_called(cell: str, heading: str) -> bool:
    if heading.endswith("*"):
        return cell.startswith(heading[:-1])
    return cell == heading


def _take(found: Columns, meaning: str, detail: str, places: Sequence[int]) -> str:
    """Note a column that the user names; what is wrong with it in words, else empty."""
    base = {"hex": 16, "dec": 10, "": 0}.get(detail)
    if meaning == "time":
        if detail not in NS:
            return "say its unit: time_s, time_ms, time_us or time_ns"  # or a longer one
        found.unit = detail
    elif meaning in ("id", "data"):
        if base is None:
            return f"{meaning}_hex or {meaning}_dec"
    elif detail:
        return f"there is no {detail!r} of it"
    if meaning == "data":
        found.data, found.data_base = list(places), base or 0
    else:
        found.place[meaning] = places[0]
        found.id_base = base or 0 if meaning == "id" else found.id_base
    return ""
