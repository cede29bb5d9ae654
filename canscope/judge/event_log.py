"""What happened in a run, in words, for the report's table of events."""

from __future__ import annotations

from collections.abc import Iterable

from canscope.model.events import Event
from canscope.model.report import RunEvent
from canscope.model.signals import NEVER

MOST = 2000  # kept of a run; more are counted
WORDS = {
    ("pole", 1): "{subject} contactor closed",
    ("pole", 0): "{subject} contactor opened",
    ("command", 1): "{subject} contactor commanded to close",
    ("command", 0): "{subject} contactor commanded to open",
    ("link", 1): "{subject} link came up to the pack's voltage",
    ("link", 0): "{subject} link left the pack's voltage",
    ("direction", 1): "forward requested",
    ("direction", -1): "reverse requested",
    ("direction", 0): "neutral requested",
    ("brake", 1): "brake pressed",
    ("brake", 0): "brake released",
    ("ignition", 1): "ignition on",
    ("ignition", 0): "ignition off",
    ("emergency-stop", 1): "emergency stop pressed",
    ("emergency-stop", 0): "emergency stop released",
    ("burst-start", 1): "{subject} unit began to turn",
    ("burst-start", None): "{subject} unit turned already when its speed was first recorded",
    ("burst-end", 1): "{subject} unit came to rest",
    ("turned-by-hand", 1): "{subject} unit was turned by hand, all poles open",
    ("shutdown", 1): "shut down: nodes may fall silent",
    ("wake", 1): "awake again",
    ("restart", 1): "{subject} restarted",
}
SOURCES = {
    "pole": "contactor state",
    "command": "contactor command",
    "link": "inferred from the link voltage: not both main contactors are bound",
    "burst-start": "speed",
    "burst-end": "speed",
    "turned-by-hand": "speed",
    "restart": "a silence, and a frame after it that begins anew",
}


class EventLog:
    """Gathers events as they become known, in bounded memory; ``more`` were not kept."""

    def __init__(self) -> None:
        self._kept: list[Event] = []
        self.more = 0

    def add(self, events: Iterable[Event]) -> None:
        """Take in the events of one piece."""
        for event in events:
            if len(self._kept) < MOST:
                self._kept.append(event)
            else:
                self.more += 1

    def rows(self, origin_ns: int) -> tuple[RunEvent, ...]:
        """All of them in order of time."""
        rows = [
            RunEvent(
                since_s=None if _unseen(event) else (event.after_ns - origin_ns) / 1e9,
                at_s=(event.time_ns - origin_ns) / 1e9,
                what=_words(event),
                source=SOURCES.get(event.kind, "state"),
                by_hand=event.subject if event.kind == "turned-by-hand" else "",
            )
            for event in self._kept
        ]
        return tuple(sorted(rows, key=lambda row: (row.at_s, row.what)))


def _unseen(event: Event) -> bool:
    """Whether nothing was recorded before it."""
    return event.after_ns == NEVER


def _words(event: Event) -> str:
    value = int(event.value)
    known = (event.kind, None if _unseen(event) else value)
    words = WORDS.get(known) or WORDS.get((event.kind, value), event.kind)
    return words.format(subject=event.subject.replace("precharge", "pre-charge"))
