"""A link that something still feeds after its contactors read open.

A bleed takes ever less energy a second from a link, a converter the same until it stops: neither
takes more later on than at first. A link that hardly falls for a while, and then as its bleed
empties it, hung on the pack until then: by a contact that sticks or burns, or by the pre-charge
resistor.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from canscope.model.bench import MAINS, SAFE_V
from canscope.model.median import median
from canscope.model.piece import ClosedWindow
from canscope.model.tables import SECOND_NS
from canscope.trust.remark import Links, Remark

# All common practice, no source.
GRID_NS = SECOND_NS // 5  # over two of which the loss of energy is compared
LONGEST_NS = 10 * SECOND_NS
KEPT = 0.25  # of what it loses later, below which it is fed
FAST = 0.15  # of its energy, which it has to lose in two of them later on: no slow passive bleed
CLEAR = 4.0  # times the flicker of its readings


def still_fed(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """Both main contactors, where a link loses far less energy at first than later on.

    A link that falls only as the second one opens is for contactor-weld.
    """
    broken = _breaks(window)
    for role in links:
        for from_ns, until_ns in pairwise(broken):
            text = _fed(window, role, from_ns, until_ns)
            if text:
                for pole in MAINS:
                    yield Remark(f"contactors.{pole}", "wrong", text, from_ns)
                return


def _breaks(window: ClosedWindow) -> list[int]:
    """When the circuit was opened by one contactor, when by the last one, and until when."""
    opened = [e for e in window.events_of("pole") if e.value == 0]
    mains = [e for e in opened if e.subject in MAINS]
    if not mains:
        return []
    first, last = mains[0], mains[-1]
    at_ns = first.time_ns
    beside = first.subject == "positive" and window.bench.has("contactors.precharge")
    if beside and window.at("contactors.precharge", at_ns).value[0] == 1:
        at_ns = min((e.time_ns for e in opened if e.time_ns > at_ns), default=at_ns)
    closed = [e.after_ns for e in window.events_of("pole") if e.value == 1]
    end_ns = min([t for t in closed if t > last.time_ns], default=window.until_ns)
    return [at_ns, last.time_ns, end_ns] if last.time_ns > at_ns else [at_ns, end_ns]


def _fed(window: ClosedWindow, role: str, from_ns: int, until_ns: int) -> str:
    """What a link did that something still fed, in words; empty if nothing did."""
    link = window.back(role, from_ns).between(from_ns, until_ns).known
    safe = np.flatnonzero(link.value < SAFE_V)
    link = link[: safe[0]] if len(safe) else link
    if len(link) < 8:
        return ""
    grid = np.arange(from_ns, min(int(link.time_ns[-1]), from_ns + LONGEST_NS), GRID_NS)
    if len(grid) < 5:
        return ""
    level = np.interp(grid - from_ns, link.time_ns - from_ns, link.value)
    lost = level[:-2] ** 2 - level[2:] ** 2
    later = np.maximum.accumulate(lost[::-1])[::-1][2:]
    flicker = median(np.abs(np.diff(link.value, 2)))  # beside its even fall
    rough = 2 * level[0] * (CLEAR * flicker + 2 * window.bench.u(role))
    fed = (lost[:-2] + rough < KEPT * later) & (later >= FAST * level[0] ** 2)
    fed &= ~window.turning(grid)[: len(fed)]  # a unit that turns may feed it
    if not fed.any():
        return ""
    row = int(np.argmax(fed))
    most = row + 2 + int(np.argmax(lost[row + 2 :]))
    key = window.bench.bindings[role].key
    first, second = (float(level[at] - level[at + 2]) for at in (row, most))
    word = f"rose by {-first:.0f}" if first < -1 else f"fell by {max(first, 0.0):.1f}"
    text = f"read open, and {key} still hung on the pack: {row / 5:.1f} s after the circuit was "
    text += f"open it {word} V in 0.4 s, and {(most - row) / 5:.1f} s later by {second:.0f} V"
    return text
