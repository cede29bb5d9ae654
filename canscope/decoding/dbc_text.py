"""The text of a DBC file, as far as its own lines are needed: places, markers, an unfinished end.

The DBC grammar (BO_, SG_ with ``M``, ``m1``, ``m1M``) is read properly by cantools; this is for
telling the user where something is, and for what a parsed file no longer shows.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

# A message that cantools leaves out of its result. Put behind a file it makes a file that stops in
# the middle of a statement fail, which otherwise loses that statement without a word.
SENTINEL = "\nBO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 Vector__XXX\n"

STRING = re.compile(r'"(?:\\"|[^"])*"')
LINE = re.compile(
    r"^\s*(?:BO_\s+(?P<id>\d+)\s+(?P<message>\w+)\s*:"
    r"|SG_\s+(?P<signal>\w+)\s*(?P<marker>m\d+M?|M)?\s*:\s*(?P<start>\d+)\s*\|\s*(?P<length>\d+))",
    re.MULTILINE,
)


@dataclass(frozen=True)
class SignalLine:
    """One SG_ line: ``dbc_id`` is the identifier as written, with bit 31 for 29-bit ones."""

    line: int
    dbc_id: int
    message: str
    name: str
    marker: str
    start: int
    length: int


def signal_lines(text: str) -> Iterator[SignalLine]:
    """Every signal that the text declares, in its order."""
    plain = STRING.sub(lambda m: "\n" * m[0].count("\n"), text)  # a comment may quote such lines
    dbc_id, message, line, counted = -1, "", 1, 0
    for m in LINE.finditer(plain):
        at = m.end()
        line, counted = line + plain.count("\n", counted, at), at
        if m["id"]:
            dbc_id, message = int(m["id"]), m["message"]
        else:
            place = int(m["start"]), int(m["length"])
            yield SignalLine(line, dbc_id, message, m["signal"], m["marker"] or "", *place)


def line_of(text: str, message: str, signal: str) -> int | None:
    """The line on which a message declares a signal."""
    lines = signal_lines(text)
    return next((s.line for s in lines if (s.message, s.name) == (message, signal)), None)
