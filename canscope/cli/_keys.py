"""Keys at the vehicle: what each press means, and reading them one by one."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from canscope.attending.hand_readings import named
from canscope.cli._reading_entry import Meters, ReadingEntry, TypedReading

TWICE_S = 3.0  # within this time q has to be pressed again
SEEN = {"f": "forward", "r": "reverse", "s": "still"}
ASKED = {"f": "forward", "r": "reverse", "n": "neutral"}


@dataclass(frozen=True)
class Action:
    """What a person asked for: acknowledge, heard, stop, mark, look or reading.

    ``look`` is the moment that the next ``reading`` is of.
    """

    kind: str
    axle: str | None = None
    seen: str | None = None
    text: str = ""
    asked: str | None = None
    reading: TypedReading | None = None


class Keys:
    """Turns presses into actions."""

    def __init__(self, axles: Sequence[str], meters: Meters | None = None) -> None:
        """``meters`` are what can be read by hand; without them there is no key for it."""
        self._axles = list(axles)[:9]
        self._meters = meters if meters is not None and meters.roles else None
        self._entry: ReadingEntry | None = None
        self._noted, self._noted_s = "", 0.0
        self._axle: str | None = None
        self._note: str | None = None
        self._asking = False
        self._quit_s: float | None = None

    @property
    def prompt(self) -> str:
        """What the next press will do, if something was begun; else empty."""
        if self._note is not None:
            return f"note: {self._note}_  (Enter keeps it, Esc drops it)"
        if self._entry is not None:
            return self._entry.prompt
        if self._axle is not None:
            return f"{self._axle} wheel seen: f forward, r reverse, s still"
        if self._asking:
            return "asked for: f forward, r reverse, n neutral"
        if self._quit_s is not None and time.monotonic() - self._quit_s < TWICE_S:
            return "q once more ends the recording"
        if self._noted and time.monotonic() - self._noted_s < TWICE_S:
            return self._noted
        return ""

    @property
    def legend(self) -> tuple[str, ...]:
        """All keys and what they do."""
        axles = ", ".join(f"{n} {axle}" for n, axle in enumerate(self._axles, start=1))
        marks = (f"{axles}, then f r s: seen",) if axles else ()
        meter = ("m meter",) if self._meters is not None else ()
        asked = "a, then f r n: asked"
        return ("SPACE acknowledge", *marks, asked, *meter, "n note", "h heard", "q q end")

    def press(self, key: str) -> Action | None:
        """The action that a press completes, if any."""
        if self._note is not None:
            return self._type_note(key)
        if self._entry is not None:
            return self._type_reading(self._entry, key)
        axle, self._axle = self._axle, None
        asking, self._asking = self._asking, False
        quitting, self._quit_s = self._quit_s, None
        self._noted = ""
        if asking and key in ASKED:
            return Action("mark", asked=ASKED[key])
        if axle is not None and key in SEEN:
            return Action("mark", axle, SEEN[key])
        if key.isdecimal() and 1 <= int(key) <= len(self._axles):
            self._axle = self._axles[int(key) - 1]
        elif key == " ":
            return Action("acknowledge")
        elif key == "a":
            self._asking = True
        elif key == "h":
            return Action("heard")
        elif key == "m" and self._meters is not None:
            self._entry = ReadingEntry(self._meters)
            return Action("look")
        elif key == "n":
            self._note = ""
        elif key == "q":
            if quitting is not None and time.monotonic() - quitting < TWICE_S:
                return Action("stop")
            self._quit_s = time.monotonic()
        return None

    def _type_note(self, key: str) -> Action | None:
        text, self._note = self._note or "", None
        if key in "\r\n":
            return Action("mark", text=text) if text.strip() else None
        if key == "\x1b":
            return None
        self._note = text[:-1] if key in "\x7f\b" else text + key
        return None

    def _type_reading(self, entry: ReadingEntry, key: str) -> Action | None:
        entry.press(key)
        if not entry.over:
            return None
        self._entry = None
        if (read := entry.reading) is None:
            return None
        self._noted_s = time.monotonic()
        self._noted = f"noted: {named(read.role)} {read.value:g} {read.unit}, {read.instrument}"
        return Action("reading", reading=read)


@contextmanager
def single_keys() -> Iterator[bool]:
    """Read keys without waiting for Enter; False where standard input is no terminal."""
    if not sys.stdin.isatty():
        yield False
        return
    import termios
    import tty

    try:
        before = termios.tcgetattr(sys.stdin)
        tty.setcbreak(sys.stdin)
    except (termios.error, OSError):  # the terminal was closed meanwhile
        yield False
        return
    try:
        yield True
    finally:
        with suppress(termios.error, OSError):
            termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)


def next_keys(wait_s: float) -> str:
    """The keys pressed since the last call; waits ``wait_s`` at most for the first one."""
    import os
    import select

    ready, _, _ = select.select([sys.stdin], [], [], wait_s)
    if not ready:
        return ""
    typed = b""
    with suppress(OSError):  # the terminal was closed
        typed = os.read(sys.stdin.fileno(), 64)
    if not typed:
        time.sleep(wait_s)
    return typed.decode("utf-8", "ignore")
