"""A DBC text -> the part of it that is sound, written for cantools, and every mistake in the rest.

Nothing is guessed: a statement that is not understood costs the signals that it names. What no
value rests on (comments, nodes, receivers, a semicolon) is mended or passed over, and told.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice

from canscope.decoding.bits import LONGEST, first_bit_of
from canscope.decoding.dbc_attributes import FRAME_FORMAT, Attributes
from canscope.decoding.dbc_causes import cause_of
from canscope.decoding.dbc_statements import DbcText, Statement
from canscope.model.definition import INFERRED, Problem

EXTENDED = 1 << 31  # of an identifier as a DBC file writes it
STANDARD_IDS, EXTENDED_IDS = 1 << 11, 1 << 29
LONGEST_MESSAGE = 1785  # bytes, of a J1939 group sent in packets
MOST_SIGNALS = 100_000  # of a file; cantools takes 0.15 ms and 6 kB for each
MOST_SELECTED = 1 << 16  # values of one multiplexer that select a signal
MOST_SELECTING = 1 << 21  # the same, of all signals of a file
LEFTOVERS = "VECTOR__INDEPENDENT_SIG_MSG"  # signals that belong to no message any more
ABOUT_SIGNALS = ("VAL_", "SIG_VALTYPE_", "SG_MUL_VAL_")


SIGNAL_LINE = re.compile(r"\bSG_\s+\w+\s*[\w ]*:")


class Refused(ValueError):
    """A text of which nothing can be trusted; ``problem`` says why."""

    def __init__(self, what: str, hint: str, line: int | None = None) -> None:
        super().__init__(what)
        self.problem = Problem("unusable", what, hint, line)


@dataclass
class SignalText:
    """One SG_ statement."""

    name: str
    marker: str
    line: int
    text: str  # up to its unit
    bits: int


@dataclass
class MessageText:
    """One BO_ statement with its signals; ``lost`` are names of signals that are not decoded."""

    dbc_id: int
    name: str
    length: int
    line: int
    signals: list[SignalText] = field(default_factory=list)
    lost: set[str] = field(default_factory=set)
    by_name: dict[str, SignalText] = field(default_factory=dict)
    lacks_multiplexer: bool = False  # one of its lines looks like that of a multiplexer

    def add(self, signal: SignalText) -> None:
        """Take the next signal."""
        self.signals.append(signal)
        self.by_name.setdefault(signal.name, signal)

    def line_of(self, signal: str) -> int:
        """Where a signal is declared."""
        return self.by_name[signal].line if signal in self.by_name else self.line

    def alike(self, other: MessageText) -> bool:
        """Whether another one says the same."""
        mine, theirs = ([(s.text, s.marker) for s in m.signals] for m in (self, other))
        return (self.name, self.length, mine) == (other.name, other.length, theirs)


class DbcFile:
    """A DBC text taken apart.

    Raises:
        Refused: it ends in the middle, or holds no DBC, or too much.
    """

    def __init__(self, text: str) -> None:
        self.messages: list[MessageText] = []
        self.attributes = Attributes()
        self.problems: list[Problem] = []
        if sum(1 for _ in islice(SIGNAL_LINE.finditer(text), MOST_SIGNALS + 1)) > MOST_SIGNALS:
            what = f"it defines more than {MOST_SIGNALS} signals"
            raise Refused(what, "take out the messages that are not needed")
        self._dbc = DbcText(text)
        self._details: list[Statement] = []  # statements about signals, in their order
        self._current: MessageText | None = None
        self._selecting = 0
        self._lost_ids: set[int] = set()
        self._read()
        self._drop_duplicates()
        self._by_id = {message.dbc_id: message for message in self.messages}
        self._kept = [text for s in self._details if (text := self._checked(s))]
        self._lose_what_lost_multiplexers_select()

    def text(self) -> str:
        """What is sound, for cantools: messages, signals, labels, types and selections."""
        parts = []
        for message in self.messages:
            parts.append(
                f"BO_ {message.dbc_id} {message.name}: {message.length} Vector__XXX\n"
                + "".join(
                    f" {signal.text} Vector__XXX\n"
                    for signal in message.signals
                    if signal.name not in message.lost
                )
            )
        return "\n".join([*parts, *self._kept, ""])

    def named(self, dbc_id: int) -> MessageText:
        """The message of an identifier as written."""
        return self._by_id[dbc_id]

    def lose(
        self, message: MessageText, signal: str, what: str, hint: str, line: int | None = None
    ) -> None:
        """Note that a signal is not decoded, and why."""
        if signal in message.lost:
            return
        message.lost.add(signal)
        self._note("unusable", what, hint, line or message.line_of(signal), message.name, signal)

    def _note(
        self, weight: str, what: str, hint: str, line: int, message: str = "", signal: str = ""
    ) -> None:
        self.problems.append(Problem(weight, what, hint, line, message, signal))

    def _read(self) -> None:
        understood = False
        nodes = False
        for statement in self._dbc.statements():
            self._refuse_if_cut(statement)
            understood |= statement.found is not None
            nodes |= statement.keyword == "BU_"
            self._take(statement)
        if not understood:
            hint = "give a DBC file; it is text, and begins with VERSION or BO_"
            raise Refused("not readable as DBC: no statement of that format is in it", hint)
        if not nodes and self.messages:
            self._note("mended", "the line of nodes (BU_:) is missing", "add a line BU_:", 1)

    def _refuse_if_cut(self, statement: Statement) -> None:
        """A file that was cut may have lost what says which signals are floats or multiplexed."""
        text = self._dbc.text
        if not statement.at_end or not statement.keyword:
            return
        whole = statement.found is not None and not _unfinished(statement)
        quotes = statement.text.replace('\\"', "").count('"')
        if whole or (text.endswith("\n") and not (statement.found is None and quotes % 2)):
            return
        hint = "it may have been cut: export or copy it again; if it is whole, end its last line"
        line = self._dbc.line(statement.start + len(statement.text.rstrip()) - 1)
        raise Refused("the DBC file ends in the middle of a statement", hint, line)

    def _take(self, statement: Statement) -> None:
        line = self._dbc.line(statement.start)
        keyword, found = statement.keyword, statement.found
        if keyword == "BO_":
            self._current = self._message(statement, line)
        elif keyword == "SG_":
            self._signal(statement, line)
        elif not keyword or found is None:
            self._wrong(statement, line)
        else:
            if "end" in found.groupdict() and found["end"] is None:
                self._note("mended", f"the {keyword} statement has no semicolon", "add one", line)
            if keyword in ABOUT_SIGNALS:
                self._details.append(statement)
            elif keyword in ("BA_", "BA_DEF_", "BA_DEF_DEF_"):
                self.attributes.take(statement)

    def _message(self, statement: Statement, line: int) -> MessageText:
        found = statement.found
        if found is None:
            name = re.sub(r"\s+", " ", re.sub(r"^BO_\s*\S*\s*|:.*", "", statement.text, flags=re.S))
            what, hint = cause_of(statement)
            self._note("unusable", what, hint, line, name.strip() or "?")
            return MessageText(-1, name.strip(), 0, line)
        message = MessageText(int(found["id"]), found["name"], int(found["length"]), line)
        if message.name == LEFTOVERS:
            self._lost_ids.add(message.dbc_id)
            return message
        if found["sender"] is None:
            what = f"message {message.name!r} names no sender"
            self._note("mended", what, "write Vector__XXX where nobody is named", line)
        if wrong := _wrong_number(message):
            self._note("unusable", *wrong, line, message.name)
            self._lost_ids.add(message.dbc_id)
            message.dbc_id = -1
            return message
        self.messages.append(message)
        return message

    def _signal(self, statement: Statement, line: int) -> None:
        message, found = self._current, statement.found
        if message is None:
            what = f"a signal that belongs to no message: {_short(statement.text)}"
            self._note("unusable", what, "put it below the BO_ line of its message", line)
            return
        if message.dbc_id < 0 or message.name == LEFTOVERS:
            return  # told with its message
        if found is None:
            name = _name_in(statement.text)
            message.lacks_multiplexer |= bool(re.match(r"SG_[^:]*?\b(?:m\d+)?M\b", statement.text))
            what, hint = cause_of(statement)
            self._note("unusable", what, hint, line, message.name, name)
            return
        text = statement.text[: found.end("unit") - statement.start]
        marker = found["marker"] or ""
        signal = SignalText(found["name"], marker, line, text, int(found["length"]))
        message.add(signal)
        if found["receivers"] is None:
            what = f"signal {signal.name!r} of message {message.name!r} names no receiver"
            self._note("mended", what, "write Vector__XXX where nobody is named", line)
        if wrong := _wrong_field(message, found):
            self.lose(message, signal.name, *wrong, line)

    def _wrong(self, statement: Statement, line: int) -> None:
        """A statement that is not understood: what it names is not decoded."""
        what, hint = cause_of(statement)
        if statement.keyword in ABOUT_SIGNALS:
            self._details.append(statement)
        elif "BA_" in statement.keyword and FRAME_FORMAT in statement.text:
            raise Refused(f"{what}; which messages are J1939 rests on it", hint, line)
        elif "BA_" in statement.keyword and INFERRED in statement.text:
            raise Refused(f"{what}; which signals are only inferred rests on it", hint, line)
        elif statement.keyword or statement.text.strip(" \t\r\n;,"):
            self._note("mended", f"{what}; passed over", hint, line)
        before = self._dbc.text.rfind("\n", 0, statement.start) + 1
        if not statement.keyword and not self._dbc.text[before : statement.start].strip():
            self._current = None  # it may have been meant as the beginning of a message

    def _drop_duplicates(self) -> None:
        """Two messages that one identifier or name could mean: neither is decoded."""
        by: dict[int | str, list[int]] = {}  # places in ``messages``
        for place, message in enumerate(self.messages):
            for key in (message.dbc_id, message.name):
                by.setdefault(key, []).append(place)
        gone: set[int] = set()
        for key, several in by.items():
            first = self.messages[several[0]]
            for place in several[1:]:
                message = self.messages[place]
                if place not in gone and message.dbc_id == first.dbc_id and message.alike(first):
                    what = f"message {message.name!r} is defined twice, the first time on line "
                    self._note("mended", f"{what}{first.line}", "take one out", message.line)
                    gone.add(place)
            left = [place for place in several if place not in gone]
            if len(left) > 1:
                self._refuse_all([self.messages[place] for place in left], key)
                gone.update(left)
        self.messages = [m for place, m in enumerate(self.messages) if place not in gone]

    def _refuse_all(self, several: list[MessageText], key: int | str) -> None:
        names = " and ".join(f"{m.name!r} (line {m.line})" for m in several[:4])
        shared = "the same name" if isinstance(key, str) else f"identifier {shown_id(key)}"
        for message in several:
            self._lost_ids.add(message.dbc_id)
            what = f"messages {names} both have {shared}"
            self._note("unusable", what, "keep one of them", message.line, message.name)

    def _checked(self, statement: Statement) -> str:
        """A statement about a signal as cantools may see it; empty if it must not."""
        line, found = self._dbc.line(statement.start), statement.found
        if found is None:
            self._lose_named(statement, line)
            return ""
        if not found["id"]:  # a value table of an environment variable
            return ""
        message = self._by_id.get(int(found["id"]))
        signal = message.by_name.get(found["name"]) if message else None
        if message is None or signal is None:
            self._unused(statement, message, line)
            return ""
        if signal.name in message.lost:
            return ""
        if statement.keyword == "VAL_":
            return f"VAL_ {message.dbc_id} {signal.name}{found['pairs']} ;"
        if statement.keyword == "SIG_VALTYPE_":
            return f"SIG_VALTYPE_ {message.dbc_id} {signal.name} : {found['type']};"
        return self._selection(message, signal, found, line)

    def _selection(
        self, message: MessageText, signal: SignalText, found: re.Match[str], line: int
    ) -> str:
        ranges = [[int(n) for n in re.findall(r"\d+", r)] for r in found["ranges"].split(",")]
        selector = found["selector"]
        self._selecting += sum(max(b - a, 0) + 1 for a, b in ranges)
        about = f"signal {signal.name!r} of message {message.name!r}"
        if (
            any(b < a or b - a >= MOST_SELECTED for a, b in ranges)
            or self._selecting > MOST_SELECTING
        ):
            what = f"{about} is selected by values without sense: {_short(found['ranges'])}"
            self.lose(message, signal.name, what, "write the values as 0-3, 7-7", line)
            return ""
        if selector not in message.by_name:
            what = f"{about} is selected by {selector!r}, which the message does not have"
            self.lose(message, signal.name, what, "correct the name in the SG_MUL_VAL_ line", line)
            return ""
        listed = ", ".join(f"{a}-{b}" for a, b in ranges)
        return f"SG_MUL_VAL_ {message.dbc_id} {signal.name} {selector} {listed};"

    def _lose_what_lost_multiplexers_select(self) -> None:
        """Without one of its multiplexers, a marker such as m3 may mean another one."""
        for message in self.messages:
            lost = [s for s in message.signals if s.marker.endswith("M") and s.name in message.lost]
            if not lost and not message.lacks_multiplexer:
                continue
            for signal in message.signals:
                if signal.marker.startswith("m"):
                    what = f"signal {signal.name!r} of message {message.name!r} is multiplexed, and"
                    what += " a multiplexer of that message is not decoded"
                    self.lose(message, signal.name, what, "correct that one", signal.line)

    def _lose_named(self, statement: Statement, line: int) -> None:
        """What a statement that is not understood may be about is not decoded."""
        what, hint = cause_of(statement)
        words = set(re.findall(r"\w+", statement.text))
        about = [self._by_id[int(w)] for w in words if w.isdecimal() and int(w) in self._by_id]
        concerned = [
            (message, signal)
            for message in about or self.messages
            for signal in message.by_name.keys() & words
        ]
        for message, signal in concerned:
            self.lose(message, signal, what, hint, line)
        if not concerned:
            self._note(
                "mended", f"{what}; it names no signal of this file: passed over", hint, line
            )

    def _unused(self, statement: Statement, message: MessageText | None, line: int) -> None:
        """A statement about a signal that is not there."""
        found = statement.found
        assert found is not None, "only what was understood can be unused"
        number, name = int(found["id"]), found["name"]
        if message is None and number in self._lost_ids:
            return
        whose = f"message {message.name!r}" if message else f"a message of number {number}"
        lacks = f"which has no signal {name!r}" if message else "which this file does not define"
        what = f"unused {statement.keyword} {number} {name}: it is about {whose}, {lacks}"
        self._note("mended", f"{what}: passed over", "correct the name or take it out", line)
        if message is None or statement.keyword != "SIG_VALTYPE_" or found["type"] == "0":
            return
        for signal in message.signals:  # one of them is a float, and nobody can say which
            if signal.bits in (32, 64):
                self.lose(message, signal.name, what, "correct the name", line)


def _unfinished(statement: Statement) -> bool:
    """Whether a whole statement lacks the end that its kind asks for."""
    found = statement.found
    assert found is not None, "only whole ones are asked about"
    groups = found.groupdict()
    return groups.get("end", "") is None or groups.get("receivers", "") is None


def _wrong_number(message: MessageText) -> tuple[str, str] | None:
    """What is wrong with the identifier or length of a message."""
    number, about = message.dbc_id, f"message {message.name!r}"
    if number >= EXTENDED and number - EXTENDED >= EXTENDED_IDS:
        return f"{about} has an identifier of more than 29 bits: {number}", "correct the number"
    if number < EXTENDED and number >= STANDARD_IDS:
        hint = f"if it is a 29-bit identifier, write {number | EXTENDED} (2147483648 is its mark)"
        if number >= EXTENDED_IDS:
            hint = "correct the number"
        return f"{about} has an identifier of more than 11 bits, not marked: {number}", hint
    if message.length > LONGEST_MESSAGE:
        return f"{about} has {message.length} bytes; no CAN message has", "correct its length"
    return None


def _wrong_field(message: MessageText, found: re.Match[str]) -> tuple[str, str] | None:
    """What is wrong with the numbers of a signal."""
    about = f"signal {found['name']!r} of message {message.name!r}"
    start, bits = int(found["start"]), int(found["length"])
    if bits == 0:
        return f"{about} has no bits", "correct its length"
    if first_bit_of(start, big_endian=found["order"] == "0") + bits > 8 * message.length:
        what = f"signal {found['name']!r} reaches beyond the end of message {message.name!r}"
        return what, "correct the signal's place or byte order, or the length of the message"
    if bits > LONGEST:
        return f"{about} is longer than {LONGEST} bits", "split it"
    numbers = [float(found[key]) for key in ("factor", "offset", "low", "high")]
    if not all(map(math.isfinite, numbers)):
        return f"{about} has a number beyond all sense", "correct factor, offset and range"
    return None


def shown_id(dbc_id: int) -> str:
    """An identifier as it is written elsewhere: 123, 18FEF100x."""
    return f"{dbc_id & ~EXTENDED:08X}x" if dbc_id & EXTENDED else f"{dbc_id:03X}"


def _name_in(text: str) -> str:
    """What stands where the name of a signal should, in a statement that is not understood."""
    found = re.match(r"SG_\s+(.*?)\s*(?::|\d+\s*\||$)", text)
    return " ".join(found[1].split()) if found and found[1] else "?"


def _short(text: str) -> str:
    line = " ".join(text.split())
    return line if len(line) <= 60 else f"{line[:57]} ..."


def unselected(file: DbcFile, chosen: set[tuple[int, str]]) -> Iterator[tuple[MessageText, str]]:
    """Signals that are marked as multiplexed although nothing chooses them.

    ``chosen`` holds (identifier as written, signal) of those that something does.
    """
    for message in file.messages:
        for signal in message.signals:
            if signal.marker.startswith("m") and (message.dbc_id, signal.name) not in chosen:
                yield message, signal.name
