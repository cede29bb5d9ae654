"""A KCD or ARXML text: guarded against what harms a parser, its lines known, bad elements out.

A definition needs no entities of its own, so a file that declares any is refused before they are
expanded.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from xml.etree import ElementTree
from xml.etree.ElementTree import Element
from xml.parsers import expat

from canscope.decoding.dbc_file import EXTENDED_IDS, MOST_SIGNALS, STANDARD_IDS, Refused
from canscope.model.definition import Problem

LONGEST = 1785  # bytes, of a J1939 group sent in packets
DEEPEST = 100  # elements within elements
MOST_ELEMENTS = 100 * MOST_SIGNALS
SIGNALS = {"kcd": ("Signal", "Multiplex"), "arxml": ("I-SIGNAL",)}
KCD = "{http://kayak.2codeornot2code.org/1.0}"
NUMBERS = ("min", "max", "slope", "intercept")


class XmlFile:
    """One text with the lines of its messages and signals; ``text`` is what cantools may read.

    Raises:
        Refused: it declares entities, or is too large or too deep.
    """

    def __init__(self, text: str, kind: str) -> None:
        self.text, self._kind = text, kind
        self._lines: dict[tuple[str, str], int] = {}
        self._message = ""
        self._stack: list[str] = []
        self._elements = self._signals = 0
        self._short_name: list[str] | None = None
        self.problems: list[Problem] = []
        if self._walk() and kind == "kcd":
            self._without_bad_elements()

    def line_of(self, message: str, signal: str = "") -> int | None:
        """The line of a message or signal, None if it is not known."""
        if self._kind == "arxml":  # one table of names; a signal's message is somewhere else
            return self._lines.get(("", signal or message))
        return self._lines.get((message, signal))

    def _walk(self) -> bool:
        """Look at all of it once; False if it is no XML, which cantools then says."""
        parser = expat.ParserCreate("utf-8", "}")
        self._parser = parser
        parser.EntityDeclHandler = self._entity
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._data
        try:
            parser.Parse(self.text.encode("utf-8", "replace"), True)
        except expat.ExpatError:
            return False
        return True

    def _entity(self, *_: object) -> None:
        line = self._parser.CurrentLineNumber
        hint = "take the DOCTYPE out; a definition needs no entities of its own"
        raise Refused("it declares XML entities, which are not read", hint, line)

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        tag, line = name.rpartition("}")[2], self._parser.CurrentLineNumber
        self._stack.append(tag)
        self._elements += 1
        self._signals += tag in SIGNALS[self._kind]
        if len(self._stack) > DEEPEST:
            raise Refused(f"its elements lie more than {DEEPEST} deep", "export it again", line)
        if self._signals > MOST_SIGNALS or self._elements > MOST_ELEMENTS:
            what = f"it defines more than {MOST_SIGNALS} signals"
            raise Refused(what, "take out the messages that are not needed", line)
        if tag == "Message":
            self._message = attributes.get("name", "")
            self._lines.setdefault((self._message, ""), line)
        elif tag in SIGNALS["kcd"]:
            self._lines.setdefault((self._message, attributes.get("name", "")), line)
        elif tag == "SHORT-NAME" and self._kind == "arxml":
            self._short_name = []

    def _data(self, text: str) -> None:
        if self._short_name is not None:
            self._short_name.append(text)

    def _end(self, name: str) -> None:
        self._stack.pop()
        if self._short_name is not None:
            name = "".join(self._short_name).strip()
            self._lines.setdefault(("", name), self._parser.CurrentLineNumber)
            self._short_name = None

    def _without_bad_elements(self) -> None:
        """Take out of a KCD text what is not a message or signal, and note it."""
        root = ElementTree.fromstring(self.text)
        bad = False
        for bus in root.iter(f"{KCD}Bus"):
            for message in list(bus.iterfind(f"{KCD}Message")):
                name = message.get("name", "")
                if wrong := _wrong_message(message):
                    self._lose(wrong, name)
                    bus.remove(message)
                    bad = True
                    continue
                for parent, signal in list(_signals(message)):
                    if wrong := _wrong_signal(signal):
                        self._lose(wrong, name, signal.get("name", "?"))
                        parent.remove(signal)
                        bad = True
        if bad:
            self.text = ElementTree.tostring(root, encoding="unicode")

    def _lose(self, why: str, message: str, signal: str = "") -> None:
        about = f"signal {signal!r} of message {message!r}" if signal else f"message {message!r}"
        hint = "correct that attribute in the program that wrote the file"
        line = self.line_of(message, signal)
        self.problems.append(Problem("unusable", f"{about} {why}", hint, line, message, signal))


def _signals(
    message: Element,
) -> Iterator[tuple[ElementTree.Element, ElementTree.Element]]:
    """(parent, signal or multiplexer), what a multiplexer selects before itself."""
    for multiplex in message.iterfind(f"{KCD}Multiplex"):
        for group in multiplex.iterfind(f"{KCD}MuxGroup"):
            for signal in group.iterfind(f"{KCD}Signal"):
                yield group, signal
        yield message, multiplex
    for signal in message.iterfind(f"{KCD}Signal"):
        yield message, signal


def _wrong_message(message: Element) -> str:
    """Why a message cannot be used; empty if it can."""
    if not message.get("name"):
        return "has no name"
    number = _whole(message.get("id"), 0)
    most = EXTENDED_IDS if message.get("format") == "extended" else STANDARD_IDS
    if number is None or not 0 <= number < most:
        bits = 29 if most == EXTENDED_IDS else 11
        return f"has the identifier {message.get('id')!r}, which is no number of {bits} bits"
    length = _whole(message.get("length", "auto"))
    if message.get("length", "auto") != "auto" and (length is None or not 0 <= length <= LONGEST):
        return f"has the length {message.get('length')!r}"
    if message.get("interval") is not None and _whole(message.get("interval")) is None:
        return f"has the interval {message.get('interval')!r}"
    return ""


def _wrong_signal(signal: Element) -> str:
    """Why a signal cannot be used; empty if it can."""
    if not signal.get("name"):
        return "has no name"
    offset, length = _whole(signal.get("offset")), _whole(signal.get("length", "1"))
    if offset is None or not 0 <= offset < 8 * LONGEST:
        return f"has the offset {signal.get('offset')!r}"
    if length is None or not 0 < length <= 8 * LONGEST:
        return f"has the length {signal.get('length')!r}"
    if signal.get("endianess", "little") not in ("little", "big"):
        return f"has the byte order {signal.get('endianess')!r}"
    value = signal.find(f"{KCD}Value")
    for key in NUMBERS if value is not None else ():
        if value is not None and value.get(key) is not None and not _number(value.get(key)):
            return f"has the {key} {value.get(key)!r}"
    for label in signal.iterfind(f"{KCD}LabelSet/{KCD}Label"):
        if _whole(label.get("value")) is None or label.get("name") is None:
            return f"has a label of value {label.get('value')!r}"
    for group in signal.iterfind(f"{KCD}MuxGroup"):
        if _whole(group.get("count")) is None:
            return f"selects by the value {group.get('count')!r}"
    return ""


def _whole(text: str | None, base: int = 10) -> int | None:
    """A whole number, None if the text is none, or longer than any that is meant."""
    try:
        return int(text or "", base) if len(text or "") <= 24 else None
    except ValueError:
        return None


def _number(text: str | None) -> bool:
    try:
        return math.isfinite(float(text or ""))
    except ValueError:
        return False
