"""Events and windows: found once, used by every rule."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Window(Enum):
    """What a rule looks at."""

    RUN = "run"
    ATTEMPT = "attempt"  # from the first pole closing until it is known how powering up ended
    OPENING = "opening"  # from the first main pole opening until the links are below 60 V
    BURST = "burst"  # a stretch in which one unit turns


@dataclass(frozen=True)
class Event:
    """Something that happened between two samples.

    It is known to lie in (``after_ns``, ``time_ns``]; ``known_ns`` is when it became known
    (later than ``time_ns`` where a condition must hold for a while).

    ============== ========================== ==================================================
    kind           subject                    value, before (None where nothing was known)
    ============== ========================== ==================================================
    pole           negative precharge positive 1 closed, 0 open (a first sample is no event)
    command        negative precharge positive 1 commanded closed, 0 commanded open
    link           unit                       1 came up to the pack's voltage, 0 left it; only
                                              where not both main contactors are bound
    direction      ""                         1 forward, -1 reverse, 0 neutral
    brake          ""                         1 pressed, 0 released
    ignition       ""                         1 on, 0 off
    emergency-stop ""                         1 pressed, 0 released
    burst-start    unit                       time_ns: first sample at or above 50 rpm
    burst-end      unit                       time_ns: first sample below 30 rpm
    turned-by-hand unit                       the same with all poles open: no burst
    shutdown       ""                         nodes may fall silent from here on
    wake           ""                         after a shutdown: nodes are judged again
    restart        node                       time_ns: first frame after its silence, which began
                                              after ``after_ns``
    ============== ========================== ==================================================
    """

    kind: str
    subject: str
    time_ns: int
    after_ns: int
    known_ns: int
    value: float = 1.0
    before: float | None = None


@dataclass(frozen=True)
class Span:
    """One window in time: [start_ns, end_ns). ``complete`` is False if the capture ended in it."""

    kind: Window
    subject: str
    number: int  # counts from 1 within its kind and subject
    start_ns: int
    end_ns: int
    known_ns: int
    complete: bool = True
    events: tuple[Event, ...] = ()
