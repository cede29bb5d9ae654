"""Readings that are held for a moment in the midst of a move, and then leap to where they belong.

What is measured goes on moving while a gateway repeats its last value, or a node misses its own
sensor. A charging link, a shaft that speeds up, a current that follows it do not stop for some
readings and then catch up in one.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from canscope.model.events import Window
from canscope.model.piece import ClosedWindow
from canscope.model.runs import runs_of
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS
from canscope.trust.movement.trailing import noise, step_of
from canscope.trust.remark import Links, Remark

# All common practice, no source.
BEFORE_NS = SECOND_NS  # of rest before a burst or an attempt, which shows the noise
LONGEST_NS = 12 * SECOND_NS  # of a burst, and of an opening
MOVES = 3  # readings before the hold, and one after the leap, that move the same way
STEPS, NOISE = 3.0, 4.0  # by which each of them moves at least
HELD = 4  # readings that repeat the one before
STAYS = 1 / 3  # of the least move, within which they do
LEAP, LEAP_MOVES = 0.6, 2.5  # of what was missed at the later rate; times a later move


def held(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A reading that was held while it moved."""
    bench, kind = window.bench, window.span.kind
    start_ns = window.span.start_ns - BEFORE_NS
    end_ns = min(window.span.end_ns + BEFORE_NS, start_ns + LONGEST_NS, window.until_ns)
    roles = [*bench.link_roles().values(), "pack.current", "pack.voltage"]
    if kind is Window.BURST:
        unit = next(one for one in bench.units if one.name == window.span.subject)
        roles += [unit.role("speed"), unit.role("torque")]
    for role in roles:
        if not bench.has(role):
            continue
        samples = window.back(role, start_ns).between(start_ns, end_ns).known
        hold = _first_hold(samples, bench.bindings[role].half_step)
        if hold is not None:
            first, last = hold
            value, word = samples.value, bench.bindings[role].unit
            ms = (samples.time_ns[last + 1] - samples.time_ns[first]) / 1e6
            text = f"stood still for {ms:.0f} ms in the midst of a move, at {value[first]:.4g} "
            text += f"{word}, and then leapt by {abs(value[last + 1] - value[last]):.3g} {word}: "
            yield Remark(role, "late", text + "it was held", int(samples.time_ns[first]))


def _first_hold(samples: Samples, half_step: float) -> tuple[int, int] | None:
    """The first and the last reading of the first hold; None without one."""
    value = samples.value
    if len(value) < 2 * MOVES + HELD:
        return None
    step = step_of(value, half_step)
    least = max(STEPS * step, NOISE * noise(value))
    ways = np.diff(value)
    if not np.abs(ways).max() >= LEAP_MOVES * least:
        return None  # no leap: nearly always
    for first, last in runs_of(np.abs(ways) <= STAYS * least):
        if last - first < HELD or first < MOVES or last + 1 >= len(ways):
            continue
        count, leap, later = last - first, ways[last], ways[last + 1]
        before = ways[first - MOVES : first] * np.sign(leap)
        if not (before >= least).all() or later * np.sign(leap) < least:
            continue
        if abs(value[last] - value[first]) > least:
            continue
        if abs(leap) >= max(LEAP * count * abs(later), LEAP_MOVES * abs(later)):
            return first, last
    return None
