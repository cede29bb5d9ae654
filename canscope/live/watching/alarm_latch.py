"""Alarms that stay until a person has acknowledged them."""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Latched:
    """An alarm that stays until a person has acknowledged it."""

    rule: str
    subject: str
    stops: bool
    text: str
    at_ns: int  # of the frame that shows it
    judged_ns: int  # how far the judge was when it was raised
    raised_ns: int  # by the run's clock; of a replay, when it was raised here
    acknowledged: bool = False


class Latch:
    """All alarms of a run, one for each rule and subject, in the order in which they came."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._alarms: dict[tuple[str, str], Latched] = {}

    def add(self, alarm: Latched) -> None:
        """Latch an alarm; one that stands already stays as it is, and so does one that was seen
        unless it now says something else."""
        key = (alarm.rule, alarm.subject)
        with self._lock:
            known = self._alarms.get(key)
            if known is None or (known.acknowledged and known.text != alarm.text):
                self._alarms[key] = alarm

    def acknowledge(self) -> None:
        """A person has seen all alarms that stand now."""
        with self._lock:
            for key, alarm in self._alarms.items():
                self._alarms[key] = replace(alarm, acknowledged=True)

    @property
    def all(self) -> tuple[Latched, ...]:
        """All of them."""
        with self._lock:
            return tuple(self._alarms.values())
