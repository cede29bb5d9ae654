"""Every power-up moves the 12 V: coils pull in, then the d.c. converter takes over.

As the contactors open, the converter loses its link, and the 12 V fall back.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from canscope.model.bench import MAINS
from canscope.model.median import median, percentile
from canscope.model.piece import ClosedWindow
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS
from canscope.trust.high_voltage.before_and_after import (
    EARLY_NS,
    FEW,
    LATE_NS,
    step_in,
    three_levels,
)
from canscope.trust.movement.trailing import GAUSSIAN, noise, step_of
from canscope.trust.remark import Links, Remark
from canscope.trust.samples.clock_alignment import MS, positive_closings

SUPPLY = "supply.voltage"
LIFTED_V = 0.5  # by which a converter lifts the 12 V; common practice, no source
FELL_BACK = 0.25  # of that, by which it has to fall as the link goes, to have answered; likewise
BUMP_V = 0.1  # by which a coil pulls it at least to be told; likewise
DIPS = 7  # readings around a coil's pull-in, in which a dip of 0.1 s is seen; likewise
DIP_NS = 30 * MS  # over which a coil pulls in, at least; likewise
COIL_STEP_V = 0.05  # of a reading that shows it; twice as coarse, it takes twice as many; likewise
# Times the noise at rest, and what its neighbouring means differ by, which a dip exceeds; likewise
FLICKERS, WANDERS = 2.4, 4.0
LONGER = 0.4  # of what a coil pulls at least, in the mean of twice as many readings; likewise
NEARLY, BARELY = 2 / 3, 1.3  # of that, between which more readings have to tell; likewise
MOST_OF_IT = 0.8  # of what a coil pulls at least, in the mean over 30 ms; likewise
ONE_STEP = 1.5  # of a reading, more than which is no single step of it; likewise
CLEARLY = 6.0  # steps, by which one coil moves it surely; likewise
REST_NS = 2 * SECOND_NS  # before an attempt, in which a reading shows its own flicker


def supply(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """12 V that neither a coil nor the converter moves while an attempt reaches both poles.

    Where it is read finely enough, the coil of the pole that closes first pulls it down for a
    moment, while nothing else changes: a reading that does not show that is averaged, or another
    one, and its lowest value proves nothing. Where it is read coarsely, something has to move it.
    """
    bench, start_ns = window.bench, window.span.start_ns
    if not bench.has(SUPPLY, "contactors.negative", "contactors.positive"):
        return
    # The coil pulled in since the state was read last, and that may be long ago.
    closed = [event.after_ns for event in window.events_of("pole") if event.value == 1]
    start_ns = min([start_ns, *closed[:1]])
    if window.at("@closed", window.until_ns, before=True).value[0] != 1:
        return
    rest = window.back(SUPPLY, start_ns - REST_NS).between(start_ns - REST_NS, start_ns - EARLY_NS)
    rest, busy = rest.known, window.back(SUPPLY, start_ns - EARLY_NS).known
    if len(rest) < 6:  # its node woke late: they rest between two closings as well
        rest = _between_closings(window, busy)
    if len(rest) < 6 or len(busy) < 10:
        return
    step = step_of(rest.value, bench.bindings[SUPPLY].half_step)
    # A moment's dip before it, as a node wakes, is not what they rest at.
    low, high = (float(percentile(rest.value, share)) for share in (5, 95))
    outside = max(low - float(busy.value.min()), float(busy.value.max()) - high)
    if outside < max(1.5 * step, high - low, BUMP_V):
        text = f"stayed within {low:.2f} to {high:.2f} V while contactors closed, as it does at "
        text += "rest: neither a coil nor the converter moved it"
        yield Remark(SUPPLY, "silent", text, window.until_ns)
    elif _coil_pulls(window, rest, busy, step) is False:
        text = "did not dip as the first contactor pulled in, though it is read often enough to "
        text += "show it: it is averaged, or made of something else"
        yield Remark(SUPPLY, "silent", text, window.until_ns)


def _between_closings(window: ClosedWindow, busy: Samples) -> Samples:
    """Readings that no coil moves, from the first closing until positive closes."""
    closings = [event for event in window.events_of("pole") if event.value == 1]
    quiet = busy.time_ns < min(positive_closings(window), default=0)
    for event in closings:
        near = busy.time_ns >= event.after_ns - EARLY_NS
        quiet &= ~(near & (busy.time_ns <= event.time_ns + LATE_NS))
    return busy[quiet]


def _coil_pulls(window: ClosedWindow, rest: Samples, busy: Samples, step: float) -> bool | None:
    """Whether the first coil of an attempt pulls the 12 V down; None where that cannot be seen.

    It has to pull by more than they flicker and wander at rest.
    """
    bench = window.bench
    if bench.poles_as_one and not bench.has("contactors.precharge"):
        return None  # coils have pulled before that one signal reads closed
    first = next((event for event in window.events_of("pole") if event.value == 1), None)
    if first is None:
        return None
    around = busy.between(first.after_ns - EARLY_NS, first.time_ns + LATE_NS)
    if len(around) < DIPS * max(1, round(step / COIL_STEP_V)):
        return None
    means = rest.value[: len(rest) // DIPS * DIPS].reshape(-1, DIPS).mean(axis=1)
    wanders = percentile(np.abs(np.diff(means)), 75) if len(means) > 2 else 0.0
    # A dip lasts for some readings where they come fast: one of them alone may be noise.
    every_ns = max(median(np.diff(around.time_ns)), 1.0)
    beside = max(1, min(round(DIP_NS / every_ns), DIPS))
    lowest, long = (
        float(np.convolve(around.value, np.ones(width) / width, "valid").min())
        for width in (beside, 2 * beside)
    )
    steps = 1.5 if np.ptp(rest.value) else 0.9
    steps = steps * step / beside**0.5
    # One that toggles between two steps differs from its neighbour by more than its noise is.
    rough = min(noise(rest.value), GAUSSIAN * float(np.std(rest.value)))
    least = max(steps, FLICKERS * rough / beside**0.5, WANDERS * wanders)
    # Of one that toggles between two steps the mean is its level; a moment's dip takes little.
    level = float(rest.value[-2 * DIPS :].mean())
    fell = level - lowest
    stays = level - float(around.value[-len(around) // 3 :].mean())
    if fell < ONE_STEP * step and stays > step / 2:
        return False  # one step down that stays: a coil lets it rise again
    if beside > 1 and least <= fell < MOST_OF_IT * BUMP_V:
        return False  # read so often, hardly anything of a dip lies between two readings
    if NEARLY * least <= fell < BARELY * least:
        # Half of what a coil pulls at least is still there as the next reading comes, and nearly as
        # much of it in the mean of twice as many, in which noise is less.
        if fell < BUMP_V / 2 or level - long < LONGER * BUMP_V:
            return False
        return True if fell >= least else None
    return bool(fell >= least)


def stands_as_one_closes(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """12 V that one main contactor's coil pulls down, and that stand to the bit at the other's."""
    if not window.bench.has(SUPPLY) or window.bench.poles_as_one:
        return
    moved: dict[str, tuple[float, float, int]] = {}  # of each pole: by how much, at what, when
    for event in window.events_of("pole"):
        if event.value != 1 or event.subject not in MAINS:
            continue
        around = window.back(SUPPLY, event.after_ns - EARLY_NS).known
        around = around.between(0, event.time_ns + LATE_NS)
        if len(around) < FEW:
            return
        by_V = float(np.ptp(around.value))
        moved[event.subject] = (by_V, float(around.value[0]), event.time_ns)
    most_V = max((by_V for by_V, *_ in moved.values()), default=0.0)
    if most_V < max(BUMP_V, CLEARLY * 2 * window.bench.bindings[SUPPLY].half_step):
        return
    for pole, (by_V, level_V, at_ns) in moved.items():
        if not by_V:
            text = f"stood at {level_V:.2f} V to the bit as {pole} closed, where the other main "
            text += f"contactor moved it by {most_V:.2f} V: its lowest value was not seen"
            yield Remark(SUPPLY, "silent", text, at_ns)


def converter_off(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """12 V that the converter lifted, and that stay there to the last step as it loses its link."""
    levels = three_levels(window, SUPPLY)
    if levels is None:
        return
    before, closed, after, step = levels
    # Ripple makes a step wide: what came back by most of its way has answered.
    stays_V = min(2 * step, FELL_BACK * (closed - before))
    if closed - before >= LIFTED_V and abs(after - closed) <= stays_V:
        text = f"rose from {before:.2f} to {closed:.2f} V with the contactors closed, and read "
        text += f"{after:.2f} V with them open again: it does not answer"
        yield Remark(SUPPLY, "silent", text, window.span.end_ns)


def lifted_by_coils(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """12 V that rise for a moment as each coil pulls in: it must be the other way round."""
    bench, start_ns = window.bench, window.span.start_ns
    if not bench.has(SUPPLY):
        return
    bumps = []
    for event in window.events_of("pole"):
        if event.value != 1 or event.subject not in ("negative", "precharge"):
            continue
        before = window.back(SUPPLY, start_ns - REST_NS).between(0, start_ns - REST_NS // 4).known
        around = window.back(SUPPLY, event.after_ns - EARLY_NS).known
        around = around.between(0, event.time_ns + 2 * EARLY_NS)
        if len(before) < 8 or len(around) < FEW:
            return
        level, step = median(before.value), step_in(window, SUPPLY, before)
        up, down = float(around.value.max()) - level, level - float(around.value.min())
        ends = abs(float(np.mean(around.value[-2:])) - level)
        bumps.append(up >= max(BUMP_V, 3 * step, 3 * down) and ends < up / 2)
    if len(bumps) > 1 and all(bumps):
        text = "rose for a moment as each contactor pulled in, where a coil makes it dip: its sign "
        text += "or its source is wrong"
        yield Remark(SUPPLY, "wrong", text, window.until_ns)
