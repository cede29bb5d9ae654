"""Keys at the vehicle: what each press means, and reading them one by one."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass

TWICE_S = 3.0  # within this time q has to be pressed again
SEEN = {"f": "forward", "r": "reverse", "s": "still"}
ASKED = {"f": "forward", "r": "reverse", "n": "neutral"}


@dataclass(frozen=True)
class Action:
    """What a person asked for: ``acknowledge``, ``heard``, ``stop`` or ``mark``."""

    kind: str
    axle: str | None = None
    seen: str | None = None
    text: str = ""
    asked: str | None = None


class Keys:
    """Turns presses into actions."""

    def __init__(self, axles: Sequence[str]) -> None:
        self._axles = list(axles)[:9]
        self._axle: str | None = None
        self._note: str | None = None
        self._asking = False
        self._quit_s: float | None = None

    @property
    def prompt(self) -> str:
        """What the next press will do, if something was begun; else empty."""
        if self._note is not None:
            return f"note: {self._note}_  (Enter keeps it, Esc drops it)"
        if self._axle is not None:
            return f"{self._axle} wheel seen: f forward, r reverse, s still"
        if self._asking:
            return "asked for: f forward, r reverse, n neutral"
        if self._quit_s is not None and time.monotonic() - self._quit_s < TWICE_S:
            return "q once more ends the recording"
        return ""

    @property
    def legend(self) -> str:
        """All keys and what they do."""
        axles = ", ".join(f"{n} {axle}" for n, axle in enumerate(self._axles, start=1))
        marks = f"mark: {axles}, then f r s   " if axles else ""
        return (
            f"space acknowledge   {marks}a then f r n asked for   n note   h sound heard   q q end"
        )

    def press(self, key: str) -> Action | None:
        """The action that a press completes, if any."""
        if self._note is not None:
            return self._type_note(key)
        axle, self._axle = self._axle, None
        asking, self._asking = self._asking, False
        quitting, self._quit_s = self._quit_s, None
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
