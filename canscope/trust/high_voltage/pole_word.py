"""Does a contactor's state say what the contact did? The link and the pack current show when.

A link begins to rise, and current to flow, when the last of negative and pre-charge closes; it
leaves the pack when the first main pole opens. A state can only come after that. One that is
surely earlier is not the contact's own word, whatever it is derived from.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from canscope.model.events import Event
from canscope.model.median import median
from canscope.model.piece import ClosedWindow
from canscope.model.tables import SECOND_NS
from canscope.trust.high_voltage.link_witness import RISE, Shown
from canscope.trust.remark import Links, Remark
from canscope.trust.samples.clock_alignment import LEAST_V, MS, begins, positive_closings

SLACK_NS = 15 * MS  # a filter of the current, and what a rise needs to show; common practice
EARLY_NS = 30 * MS  # likewise, of a link that falls
LATE_NS = 60 * MS  # a state comes a cycle and a debounce late; likewise
OTHER_NS = SECOND_NS  # no state comes so late: it says something else; likewise
FLOWED_NS = 250 * MS  # nor so long after current began to flow through its contact; likewise
BACK_NS = 3 * SECOND_NS  # how long before a state said open the link may have left; likewise
LEAVES_NS = 6 * SECOND_NS  # how long after it said so it may leave: contacts may stick; likewise
LEVEL_NS = SECOND_NS // 2  # whose median is the level before; likewise
LEFT = 0.01  # of the level, by which a link that fell has left it; likewise
SLOPE_NS = 300 * MS  # over which its fall is measured; likewise
FALLEN = 0.04  # of the level, by which it has to go on falling; likewise


@dataclass(frozen=True)
class Left:
    """A link that left its level: not before ``begin_ns``, and surely by ``time_ns``."""

    begin_ns: int
    time_ns: int
    role: str


def closing(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A state that said closed before current and link began to move, or long after."""
    begin = begins(window)
    if begin.closed is None:
        return
    state = begin.closed
    # A link alone does not tell a state that is early from a bus whose clock is late.
    shown = begin.current if begin.current_counts else None
    if shown is None:
        return
    early_ns, late_ns = shown.after_ns - state.time_ns, state.after_ns - shown.time_ns
    if late_ns > FLOWED_NS:
        text = f"still said open {late_ns / MS:.0f} ms after {begin.by}, which begins when the "
        text += "contact closes: it is not the contact's own word"
        yield Remark(f"contactors.{state.subject}", "wrong", text, state.time_ns)
    if early_ns > SLACK_NS:
        text = f"said closed at least {early_ns / MS:.0f} ms before {begin.by}, which begins when "
        text += "the contact closes: it is not the contact's own word"
        yield Remark(f"contactors.{state.subject}", "early state", text, state.time_ns)


def charging(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A pole that read open for a moment in which a link went on charging through it."""
    pack = float(window.at("pack.voltage", window.span.start_ns, before=True).value[0])
    if not pack >= LEAST_V:
        return
    until_ns = min([window.until_ns, *positive_closings(window)])
    for pole in ("negative", "precharge"):
        own = [e for e in window.events_of("pole", pole) if e.time_ns <= until_ns]
        for opened, closed in pairwise(own):
            if opened.value != 0 or closed.value != 1:
                continue
            for role in links:
                level = window.at(role, [opened.time_ns, closed.after_ns]).value
                rose = float(level[1] - level[0])
                if rose >= RISE * pack + 2 * window.bench.u(role):
                    text = f"read open while {window.bench.bindings[role].key} went on charging, "
                    text += f"by {rose:.0f} V: it is not the contact's own word"
                    yield Remark(f"contactors.{pole}", "wrong", text, opened.time_ns)


def opening(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A state that said open before the link left the pack, or long after."""
    opened = _first_opened(window)
    if opened is None:
        return
    left = _left(window, opened, links)
    if left is None:
        return
    role, key = f"contactors.{opened.subject}", window.bench.bindings[left.role].key
    early_ns, late_ns = left.begin_ns - opened.time_ns, opened.after_ns - left.time_ns
    if early_ns > EARLY_NS:
        text = f"said open at least {early_ns / MS:.0f} ms before {key} left the pack's voltage: "
        text += "it is not the contact's own word"
        yield Remark(role, "early state", text, opened.time_ns)
    elif late_ns > OTHER_NS:
        for pole in ("negative", "positive"):
            text = (
                f"still said closed {late_ns / MS:.0f} ms after {key} had left the pack's voltage"
            )
            yield Remark(f"contactors.{pole}", "wrong", text, opened.time_ns)
    elif late_ns > LATE_NS:
        text = f"said open at least {late_ns / MS:.0f} ms after {key} had left the pack's voltage"
        yield Remark(role, "late state", text, opened.time_ns, late_ns / MS)


def falls(window: ClosedWindow) -> list[tuple[str, Shown]]:
    """When each link left the pack's level in an opening; without those that did not."""
    opened = _first_opened(window)
    if opened is None:
        return []
    start_ns = opened.after_ns - BACK_NS
    end_ns = min(opened.time_ns + 2 * SECOND_NS, window.until_ns)
    roles = window.bench.link_roles().values()
    found = [(role, link_left(window, role, start_ns, end_ns)) for role in roles]
    return [(role, Shown(left.begin_ns, left.time_ns)) for role, left in found if left]


def _first_opened(window: ClosedWindow) -> Event | None:
    """The first opening of a main pole, before which both were closed for long enough."""
    found = [
        event
        for event in window.events_of("pole")
        if event.value == 0 and event.subject in ("negative", "positive")
    ]
    opened = min(found, key=lambda event: event.time_ns, default=None)
    if opened is None:
        return None
    closed = window.at("@closed", opened.time_ns, before=True)
    long = closed.value[0] == 1 and closed.age_ns[0] >= BACK_NS + LEVEL_NS
    return opened if long else None


def _left(window: ClosedWindow, opened: Event, links: Links) -> Left | None:
    """The earliest departure of a link from the pack; None without one."""
    start_ns, end_ns = opened.after_ns - BACK_NS, opened.time_ns + LEAVES_NS
    seen = (link_left(window, role, start_ns, min(end_ns, window.until_ns)) for role in links)
    return min((one for one in seen if one), key=lambda left: left.time_ns, default=None)


def link_left(window: ClosedWindow, role: str, start_ns: int, end_ns: int) -> Left | None:
    """When a link began to fall from the level that it had at the start; None if it did not."""
    samples = window.back(role, start_ns).between(start_ns, end_ns).known
    t, v = samples.time_ns, samples.value
    first = int(t.searchsorted(start_ns + LEVEL_NS))
    if first < 3 or first >= len(v):
        return None
    level = median(v[:first])
    noise = median(np.abs(np.diff(v[:first])))
    least = max(LEFT * level, 6 * noise) + 2 * window.bench.u(role)
    below = level - v > least
    if level < LEAST_V or not below.any():
        return None
    # The first reading from which on it stays below: a dip that comes back was a load.
    row = int(len(v) - np.argmin(below[::-1])) if not below.all() else 0
    if row < first or row >= len(v):
        return None
    later = int(t.searchsorted(t[row] + SLOPE_NS))
    if later >= len(v) or level - v[-1] < FALLEN * level + least or v[row] <= v[later]:
        return None
    slope = (v[row] - v[later]) / float(t[later] - t[row])
    # One reading may lie as far off as the noise does.
    back_ns = round(float((level - v[row] + 4 * noise + 2 * window.bench.u(role)) / slope))
    return Left(int(t[row]) - back_ns - int(t[row] - t[row - 1]), int(t[row]), role)
