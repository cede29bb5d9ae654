"""A link that something still feeds after its contactors read open.

A bleed takes ever less energy a second from a link, a converter the same until it stops: neither
takes more later on than at first. A link that hardly falls for a while, and then as its bleed
empties it, hung on the pack until then: by a contact that sticks or burns, or by the pre-charge
resistor.
"""

from __future__ import annotations

from collections.abc import Iterator

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
CLEAR = 4.0  # times the flicker of its readings


def still_fed(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """Both main contactors, where a link loses far less energy at first than later on."""
    opened = [e for e in window.events_of("pole") if e.value == 0 and e.subject in MAINS]
    if not opened:
        return
    from_ns = min(event.time_ns for event in opened)  # by one of them the circuit is broken
    closed = [e.after_ns for e in window.events_of("pole") if e.value == 1]
    until_ns = min([t for t in closed if t > from_ns], default=window.until_ns)
    for role in links:
        link = window.back(role, from_ns).between(from_ns, until_ns).known
        safe = np.flatnonzero(link.value < SAFE_V)
        link = link[: safe[0]] if len(safe) else link
        if len(link) < 8:
            continue
        grid = np.arange(from_ns, min(int(link.time_ns[-1]), from_ns + LONGEST_NS), GRID_NS)
        if len(grid) < 5:
            continue
        turns = [window.at(f"@turning.{unit.name}", grid).value == 1 for unit in window.bench.units]
        level = np.interp(grid - from_ns, link.time_ns - from_ns, link.value)
        lost = level[:-2] ** 2 - level[2:] ** 2
        later = np.maximum.accumulate(lost[::-1])[::-1]
        flicker = median(np.abs(np.diff(link.value, 2)))  # beside its even fall
        rough = 2 * level[0] * (CLEAR * flicker + 2 * window.bench.u(role))
        fed = lost[:-2] + rough < KEPT * later[2:]
        fed &= ~np.any(turns, axis=0)[: len(fed)]  # a unit that turns may feed it
        if fed.any():
            row = int(np.argmax(fed))
            most = row + 2 + int(np.argmax(lost[row + 2 :]))
            key = window.bench.bindings[role].key
            first, second = (level[at] - level[at + 2] for at in (row, most))
            word = f"rose by {-first:.0f}" if first < -1 else f"fell by {max(first, 0.0):.1f}"
            text = f"read open, and {key} still hung on the pack: {row / 5:.1f} s after the first "
            text += f"one had opened it {word} V in 0.4 s, and {(most - row) / 5:.1f} s later by "
            text += f"{second:.0f} V"
            for pole in MAINS:
                yield Remark(f"contactors.{pole}", "wrong", text, int(grid[row]))
            return
