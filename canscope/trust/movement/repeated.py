"""Messages that repeat all their numbers to the bit for a while, though they flicker.

A gateway that holds a unit's last frame, or a task that hangs in it, goes on sending: its counter
counts, its checksum is right, and what happened meanwhile is told by nobody. The noise of each
number just before and just after says how unlikely it is that all of them stood still by chance.
The speed of a shaft that turns has to flicker on by itself, whatever else its message carries.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import comb, erf, log, sqrt

import numpy as np

from canscope.model.bench import Kind
from canscope.model.differences import differences_from
from canscope.model.events import Window
from canscope.model.history import LOOK_BACK_NS
from canscope.model.median import median
from canscope.model.piece import ClosedWindow
from canscope.model.runs import runs_of
from canscope.model.tables import SECOND_NS, Bools, Int64s
from canscope.trust.remark import Links, Remark

# All common practice, no source.
BEFORE_NS = 60 * SECOND_NS  # of rest before a burst, or before the contactors open
AFTER_NS, LONGEST_NS = SECOND_NS, 20 * SECOND_NS  # of rest after a burst, and of the burst
SHORTEST_NS, FEWEST = 3 * SECOND_NS // 20, 8  # a shorter standstill hides nothing
BESIDE = 20  # frames before it, and as many after it, that show the noise
LEAST_NOISE = 0.5  # steps: rounding alone looks like noise of up to so many
ALONE = 0.75  # the same of a single number, which has only itself to tell by
UNLIKELY = log(1e9)
WIDE = 1.5  # steps about a straight line, within which two codes and their edge lie
MOVE = 5.0  # times the median: one in 700 of noise is as far, and a coil that pulls in is farther
GAUSSIAN = 0.6745  # median distance from the mean over the spread
FAST = (
    4  # differences of a shaft's speed, which bends as it comes up to what is asked and slows down
)
TURNS_RPM = 50.0  # a slower shaft may read zero


def repeated(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """Every number of a message whose frames were repeated while something flickered in them."""
    # No further back than every way of cutting the run still holds.
    bench = window.bench
    start_ns = max(window.span.start_ns - BEFORE_NS, window.until_ns - LOOK_BACK_NS)
    end_ns = min(window.span.end_ns + AFTER_NS, window.span.start_ns + LONGEST_NS, window.until_ns)
    for roles in bench.bound_messages.values():
        numbers = [role for role in roles if bench.bindings[role].kind is Kind.NUMBER]
        every = [window.back(role, start_ns).between(start_ns, end_ns) for role in numbers]
        if not every or len(every[0]) < 2 * BESIDE + FEWEST:
            continue
        times = every[0].time_ns
        if any(len(of) != len(times) for of in every):
            continue  # multiplexed: its frames carry other numbers in between
        raws = [of.raw for of in every]
        # A unit that is switched off in a pause may read nothing at all.
        something = np.any([of.value != 0 for of in every], axis=0)
        found = _first(times, raws, something=something)
        if found is None:
            continue
        first, last = found
        ms = (times[last] - times[first]) / 1e6
        text = f"stood still to the bit for {ms:.0f} ms, though it flickered before and after"
        if len(numbers) > 1:
            text = f"stood still to the bit for {ms:.0f} ms, as did all numbers of its message, "
            text += "though they flickered before and after: the frame was repeated"
        for role in numbers:
            yield Remark(role, "repeated", text, int(times[first]))
    if window.span.kind is Window.BURST:
        yield from _stands(window, window.span.start_ns - AFTER_NS, end_ns)


def _stands(window: ClosedWindow, start_ns: int, end_ns: int) -> Iterator[Remark]:
    """The speed of a unit that stands still to the bit while it turns."""
    role = f"units.{window.span.subject}.speed"
    speed = window.back(role, start_ns).between(start_ns, end_ns).known
    turns = speed[np.abs(speed.value) >= TURNS_RPM]
    found = _first(turns.time_ns, [turns.raw], FAST, ALONE) if len(turns) else None
    if found is not None:
        first, last = found
        ms = (turns.time_ns[last] - turns.time_ns[first]) / 1e6
        text = f"stood still to the bit at {turns.value[first]:.0f} rpm for {ms:.0f} ms, though it "
        text += "flickered before and after: it was held"
        yield Remark(role, "repeated", text, int(turns.time_ns[first]))


def _first(
    times: Int64s,
    raws: list[Int64s],
    order: int = 2,
    least: float = LEAST_NOISE,
    something: Bools | None = None,
) -> tuple[int, int] | None:
    """The first and the last frame of the first standstill that is none by chance.

    ``something``: the frames in which a number is not zero; None: all.
    """
    still = np.ones(len(times), np.bool_) if something is None else something.copy()
    for raw in raws:
        still &= differences_from(int(raw[0]), raw) == 0
    still[0] = False
    for begin, end in runs_of(still):
        first, last = begin - 1, end - 1
        if last - first < FEWEST:
            continue
        before, after = slice(max(first - BESIDE, 0), first), slice(last + 1, last + 1 + BESIDE)
        long = times[last] - times[first] >= SHORTEST_NS
        if not long or first < BESIDE or last + BESIDE >= len(times):
            continue
        odds = sum(_least_odds(raw[before], raw[after], order, least) for raw in raws)
        if odds * (last - first) >= UNLIKELY:
            return first, last
    return None


def _least_odds(before: Int64s, after: Int64s, order: int, least: float) -> float:
    """The lower of both; most numbers hardly flicker."""
    odds = _odds(before, order, least)
    return min(odds, _odds(after, order, least)) if odds else 0.0


def _odds(raw: Int64s, order: int, least: float) -> float:
    """Minus the logarithm of how likely such a number repeats its code, whatever its level.

    Second differences take a steady move out of it, fourth ones a bend as well: of noise of one
    step they spread by the square root of 6 and of 70, the middle one of the binomials of 4 and 8.
    Their median leaves out single moves, as a coil's pull-in is one of the 12 V; of a few codes it
    may be too large, and then they count without the farthest move and what lies beside it. One
    that toggles between two codes lies at their edge, with whatever noise, on its way as well.
    """
    ways = np.diff(raw.astype(np.float64))
    step = float(np.abs(ways[ways != 0]).min(initial=np.inf))
    if np.isinf(step):
        return 0.0
    row = np.arange(len(raw)) - (len(raw) - 1) / 2
    if np.ptp(raw - row * (row @ raw) / (row @ row)) < WIDE * step:
        return 0.0
    bends = np.abs(np.diff(ways, order - 1))
    middle, farthest = median(bends), int(bends.argmax())
    if bends[farthest] > MOVE * middle:
        beside = order // 2
        bends = np.delete(bends, slice(max(farthest - beside, 0), farthest + beside + 1))
    spread = min(middle / GAUSSIAN, float(np.sqrt(np.mean(bends**2))))
    noise = spread / sqrt(comb(2 * order, order)) / step
    if noise < least:
        return 0.0
    return -log(max(erf(0.5 / (sqrt(2) * noise)), 1e-3))
