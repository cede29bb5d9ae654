"""Alarms that stay until a person has acknowledged them."""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace


@dataclass(frozen=True)
class LatchedAlarm:
    """An alarm that stays until a person has acknowledged it."""

    rule: str
    subject: str
    stops: bool
    text: str
    at_ns: int  # of the frame that shows it
    judged_ns: int  # how far the judge was when it was raised
    raised_ns: int  # by the run's clock; of a replay, when it was raised here
    acknowledged: bool = False
    short: str = ""  # what to know at once, in a few words


class AlarmLatch:
    """All alarms of a run, one for each rule and subject, in the order in which they came."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._alarms: dict[tuple[str, str], LatchedAlarm] = {}

    def add(self, alarm: LatchedAlarm) -> None:
        """Latch an alarm.

        One that stands for the same rule and subject is kept instead, unless it was acknowledged
        and the new one has another text.
        """
        key = (alarm.rule, alarm.subject)
        with self._lock:
            known = self._alarms.get(key)
            if known is None or (known.acknowledged and known.text != alarm.text):
                self._alarms[key] = alarm

    def acknowledge(self) -> None:
        """Acknowledge all alarms that stand now."""
        with self._lock:
            for key, alarm in self._alarms.items():
                self._alarms[key] = replace(alarm, acknowledged=True)

    @property
    def all(self) -> tuple[LatchedAlarm, ...]:
        """All alarms, acknowledged or not."""
        with self._lock:
            return tuple(self._alarms.values())
