"""What a person is told while a run is recorded; terminal and page say the same."""

from __future__ import annotations

import re

from canscope.live.recording.status import RecorderStatus
from canscope.live.run_folder.run_file_schema import Bus
from canscope.live.watching.watch import UNHEARD, Glance

ARMED = "armed: recording begins by itself with the first frame"
REQUESTS = {1.0: "forward", -1.0: "reverse", 0.0: "neutral"}
CAUTION = "canscope cannot stop a motor: keep a hand on the emergency stop"


def order(glance: Glance) -> str:
    """What to know first, in capitals; units keep their letters."""
    if glance.word == "STOP":
        standing = [a for a in glance.alarms if a.stops and not a.acknowledged]
        first = min(standing, key=lambda a: a.raised_ns)
        text = (first.short or first.text.split(": ")[0]).removeprefix("The ").rstrip(".")
    elif glance.word == "READY":
        text = "no fault so far"
    elif glance.word == "TURNING":
        text = ", ".join(glance.turning)
    else:
        text = said(glance.why[0])
    return re.sub(r"(?<![\d-] )\b[^\s]+", lambda word: word[0].upper(), text)


def said(reason: str) -> str:
    """A reason, and the key that answers it."""
    return f"{reason}: press h if you heard it" if reason == UNHEARD else reason


def listening(bus: Bus) -> str:
    """Whether the adapter is known to listen only."""
    return "listens only" if bus.silent else "NOT KNOWN TO LISTEN ONLY"


def errors(bus: Bus) -> str:
    """The error frames of a bus, and whether its adapter gives all of them."""
    if bus.error_frames_are == "not carried":
        return "error frames not carried"
    if bus.error_frames or bus.error_frames_are == "recorded":
        return f"{bus.error_frames} error frames"
    return "0 error frames (perhaps not all)"


def recorder_line(glance: Glance, status: RecorderStatus) -> str:
    """How recording and judging are doing, in one line."""
    free, queued = status.disk_free, status.queued
    disk = "" if free is None else f"; {free / 1e9:.1f} GB free"
    waiting = f"; {queued / 1e6:.1f} MB wait for the disk" if queued > 1e6 else ""
    late = f"; judging took up to {glance.late_s:.2f} s" if glance.late_s > 0.2 else ""
    heard = any(bus.frames for bus in status.buses.values())
    state = "recording" if heard else ARMED
    if status.end is not None:
        state = "RECORDER STOPPED"
    return f"{state}{disk}{waiting}{late}"
