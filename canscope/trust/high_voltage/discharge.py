"""Links that are one circuit fall together, and a passive discharge stays a passive one.

And none is empty from one reading to the next.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import permutations

import numpy as np

from canscope.model.bench import POLES
from canscope.model.history import LOOK_BACK_NS
from canscope.model.median import median
from canscope.model.piece import ClosedWindow
from canscope.model.runs import runs_of
from canscope.model.tables import SECOND_NS, Floats, Int64s
from canscope.trust.high_voltage.before_and_after import LATE_NS, LEAST_V, mains_opened
from canscope.trust.movement.trailing import noise
from canscope.trust.remark import Links, Remark
from canscope.trust.samples.clock_alignment import MS

# By which links are apart after an opening: their sensors are right to 3 % each, and have a zero;
# common practice, no source.
APART, APART_V, APART_NS, BESIDE_NS = 0.06, 10.0, SECOND_NS // 2, 60 * MS
TAIL_V, TAIL_NS = 100.0, 3 * SECOND_NS // 10  # a bleed that takes it is a heater of 30 W and more
# Of a passive discharge: seconds that it lasts, and shares of its usual rate at which it stays and
# falls on; likewise.
STAYS_SECONDS, FLAT, FALLS_ON = 7, 0.2, 0.4
RISES, RISES_V = 0.08, 15.0  # of the highest that it read: by which a link charges again; likewise
# Of a link that is gone: how far back it is looked for, how long its node has been awake, how far
# two readings lie apart, and what is left of the first at most; likewise.
BACK_NS, AWAKE_NS, NEXT_NS, LEFT = 60 * SECOND_NS, SECOND_NS, 60 * MS, 0.2
# Of a link that falls by a step: its share and volts, the stretch whose rate is taken on either
# side, how long it may stand between, the least rate, by 1/s, how alike both are, and below which
# share of the level after the step it falls on; likewise.
STEP, STEP_V, STRETCH_NS, STANDS_NS = 0.15, 10.0, SECOND_NS // 2, SECOND_NS
LEAST_RATE, ALIKE, FALLEN = 0.1, 0.3, 0.95
SURELY = 2.0  # times what its rate alone takes between two readings, as one may be missing


def passive_tail(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A link that loses its last 100 V faster than a passive bleed can take them.

    Above that a converter may empty it; below no converter works.
    """
    if window.bench.bleed != "passive":
        return
    opened = mains_opened(window)
    if not opened:
        return
    for role in links:
        link = window.back(role, opened[0].after_ns - LATE_NS).known
        high = np.flatnonzero(link.value >= TAIL_V)
        if not len(high) or high[-1] + 1 >= len(link):
            continue
        low = np.flatnonzero(link.value[high[-1] :] <= TAIL_V / np.e) + high[-1]
        if not len(low):
            continue
        first, last = int(link.time_ns[high[-1]]), int(link.time_ns[low[0]])
        if last - first < TAIL_NS and window.at("@awake", last).value[0] == 1:
            text = f"fell from {link.value[high[-1]]:.0f} to {link.value[low[0]]:.0f} V in "
            text += f"{(last - first) / 1e9:.2f} s, where only a passive bleed empties it"
            yield Remark(role, "wrong", text, last)


def passive_stays(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A link that stops falling for seconds and then falls on, where only a bleed empties it."""
    opened = mains_opened(window)
    if window.bench.bleed != "passive" or not opened:
        return
    closed = [e.after_ns for e in window.events_of("pole") if e.value == 1]
    from_ns = opened[0].after_ns
    until_ns = min([t for t in closed if t > from_ns], default=window.until_ns)
    for role in links:
        link = window.back(role, from_ns).between(from_ns, until_ns).known
        link = link[link.value >= LEAST_V]
        seconds = (link.time_ns - from_ns) // SECOND_NS
        starts = np.flatnonzero(np.diff(seconds, prepend=-1))
        if len(starts) < STAYS_SECONDS or (np.diff(seconds[starts]) != 1).any():
            continue
        level = np.add.reduceat(link.value, starts) / np.diff(starts, append=len(link))
        rates = -np.diff(np.log(level))[:-1]  # without the last second, which is none
        usual = median(rates)
        if not usual > 0:
            continue
        clear = level[:-2] * usual > max(6 * window.bench.u(role), 4 * noise(link.value))
        flat = (rates < FLAT * usual) & clear
        last = int(np.flatnonzero(rates > FALLS_ON * usual)[-1])
        fallen = link.value[0] - level > FALLS_ON * usual * level
        for row in np.flatnonzero(flat[:-1] & flat[1:]).tolist():
            if fallen[row] and row < last:
                text = f"stayed at {level[row]:.0f} V for 2 s and more and then fell on, by "
                text += f"{usual:.0%} in each second, after the contactors had opened: something "
                text += "fed it, or it is wrong"
                yield Remark(role, "wrong", text, from_ns + int(seconds[starts[row]]) * SECOND_NS)
                break


def rises_again(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A link that was cut off, whose unit stands, and that charges again though no pole closes."""
    poles = [f"contactors.{pole}" for pole in POLES]
    opened_ns = min((event.time_ns for event in mains_opened(window)), default=None)
    if opened_ns is None or not window.bench.has(*poles):
        return
    for role in links:
        samples = window.back(role, opened_ns).between(opened_ns, window.until_ns).known
        if len(samples) < 2:
            continue
        times = samples.time_ns
        ahead = np.minimum(times + LATE_NS, window.until_ns - 1)  # a state may come late
        cut = np.ones(len(times), np.bool_)
        for at_ns in (times, ahead):
            negative, precharge, positive = (window.at(pole, at_ns).value == 0 for pole in poles)
            cut &= negative | (positive & precharge)
        cut &= ~window.turning(times)  # a shaft that turns may charge it
        low = np.minimum.accumulate(np.where(cut, samples.value, np.inf))
        least_V = max(RISES * float(samples.value.max()), RISES_V)
        rises = cut & (samples.value - np.where(np.isinf(low), samples.value, low) > least_V)
        rows = np.flatnonzero(rises[1:] & rises[:-1])
        if len(rows):
            row = int(rows[0])
            text = f"rose from {low[row]:.0f} to {samples.value[row]:.0f} V after it had been cut "
            text += "off: a contact closed again for a moment, or its sensor is wrong"
            yield Remark(role, "wrong", text, int(times[row]))


def steps_down(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A link that loses a share of its voltage from one reading to the next while it discharges.

    What empties it is the same before and after, as its rate shows: nothing took that share.
    """
    opened = mains_opened(window)
    if not opened:
        return
    for role in links:
        link = window.back(role, opened[0].after_ns - STRETCH_NS).known
        times, volts = link.time_ns, link.value
        steps = volts[:-1] - volts[1:]
        falls = (steps > np.maximum(STEP * volts[:-1], STEP_V)) & (volts[1:] > STEP_V)
        for row in np.flatnonzero(falls & (np.diff(times) <= NEXT_NS)).tolist():
            before = _rate(times, volts, int(times[row]) - STRETCH_NS, int(times[row]))
            on = np.flatnonzero(volts[row + 1 :] < FALLEN * volts[row + 1])
            if not len(on):
                continue
            on_ns = int(times[row + 1 + on[0]])
            after = _rate(times, volts, on_ns, on_ns + STRETCH_NS)
            own = 1 - np.exp(-SURELY * before * (times[row + 1] - times[row]) / SECOND_NS)
            more = steps[row] - own * volts[row] > max(STEP * volts[row], STEP_V)
            alike = abs(after - before) < ALIKE * before
            if more and alike and on_ns - times[row] <= STANDS_NS:
                text = f"fell from {volts[row]:.0f} to {volts[row + 1]:.0f} V within "
                text += f"{(times[row + 1] - times[row]) / 1e6:.0f} ms in the midst of a discharge "
                text += f"of {before:.0%} in each second: nothing takes so much at once"
                yield Remark(role, "wrong", text, int(times[row + 1]))
                break


def _rate(times: Int64s, volts: Floats, from_ns: int, to_ns: int) -> float:
    """By which a link falls, as a share of itself in each second, over all of that time.

    NaN if it was not read all along, or hardly falls.
    """
    rows = np.flatnonzero((times >= from_ns) & (times <= to_ns) & (volts > 0))
    lasted_ns = int(times[rows[-1]] - times[rows[0]]) if len(rows) else 0
    if lasted_ns < to_ns - from_ns - NEXT_NS:
        return np.nan
    rate = float(np.log(volts[rows[0]] / volts[rows[-1]])) / lasted_ns * SECOND_NS
    return rate if rate >= LEAST_RATE else np.nan


def one_circuit(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """Links that discharge apart from each other, though they hang on one pair of wires."""
    opened = mains_opened(window)
    if len(links) < 2 or not opened:
        return
    from_ns, keys = opened[0].after_ns, window.bench.bindings
    first = window.back(links[0], from_ns).known
    for mine, other in permutations(links, 2):
        own = first if mine == links[0] else window.back(mine, from_ns).known
        its = window.at(other, own.time_ns)
        level = float(window.at(mine, from_ns).value[0])
        if not level >= LEAST_V or not len(own):
            continue
        # Buses may lie a little apart: the least that the other read around each instant counts.
        around = [window.at(other, own.time_ns + way * BESIDE_NS).value for way in (-1, 1)]
        least = np.minimum(its.value, np.fmin(*around))
        allowed = APART * least + APART_V + 2 * window.bench.u(mine)
        apart = (its.age_ns <= LATE_NS) & (least >= LEAST_V) & (least - own.value > allowed)
        for start, end in runs_of(apart):
            lasted_ns = int(own.time_ns[end - 1] - own.time_ns[start])
            if lasted_ns >= APART_NS:
                text = f"read {own.value[start]:.0f} V where {keys[other].key}, which hangs on the "
                text += f"same wires, read {its.value[start]:.0f} V, for {lasted_ns / 1e9:.1f} s "
                text += "after the contactors had opened"
                yield Remark(mine, "wrong", text, int(own.time_ns[start]))
                break


def gone_at_once(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A link that is charged before any pole closes, and empty with the next reading."""
    # No further back than every way of cutting the run still holds.
    from_ns = max(window.span.start_ns - BACK_NS, window.until_ns - LOOK_BACK_NS)
    for role in links:
        every = window.back(role, from_ns).known
        every = every.between(0, window.span.start_ns)
        times, volts = every.time_ns, every.value
        if len(every) < 3:
            continue
        apart = np.diff(times)
        woke = np.maximum.accumulate(np.where(np.append(True, apart > AWAKE_NS), times, times[0]))
        gone = (volts[:-1] >= LEAST_V) & (volts[1:] <= LEFT * volts[:-1]) & (apart <= NEXT_NS)
        gone &= times[:-1] - woke[:-1] >= AWAKE_NS
        gone &= window.at("@engaged", times[:-1]).value == 0
        for row in np.flatnonzero(gone)[:1].tolist():
            text = f"fell from {volts[row]:.0f} to {volts[row + 1]:.0f} V within "
            text += f"{apart[row] / 1e6:.0f} ms with all contactors open: nothing empties a link so"
            yield Remark(role, "wrong", text, int(times[row + 1]))
