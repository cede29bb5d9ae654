"""Pack and links are one circuit, and the pack feeds what turns.

- In a burst, where one of them gives way, so does the other.
- What the pack takes in a burst, the shafts give: their torque brakes.
- The pack keeps its voltage while contactors close, and its current ends as they open.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import permutations

import numpy as np

from canscope.model.bench import MAINS
from canscope.model.median import median, percentile
from canscope.model.piece import ClosedWindow
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Floats, Int64s
from canscope.trust.high_voltage.before_and_after import (
    EARLY_NS,
    FEW,
    LATE_NS,
    LEAST_V,
    three_levels,
)
from canscope.trust.movement.trailing import burst_samples, circuit, noise, step_of
from canscope.trust.remark import Links, Remark
from canscope.trust.samples.clock_alignment import MS, positive_closings

PACK, CURRENT = "pack.voltage", "pack.current"
RAD_S = 2 * np.pi / 60  # per rpm
FEWEST = 3  # readings, of which a median still leaves one out; common practice, no source
LEAST_A = 0.3  # a smaller current may be its sensor's own; likewise
STEADY = 0.1  # of the pack's voltage; likewise
KEPT = 0.015  # of it, within which a pack stays that is not loaded; likewise
# What it is compared with, how many readings stand, by how many steps it moved before; likewise
KEPT_NS, STOOD, MOVED_STEPS = 110 * SECOND_NS, 40, 3.0
CHARGED = 0.9  # of it, from which on a link takes little more; likewise
MEDIAN = 0.6745 * 2**0.5  # median distance of neighbours over the noise of one, if Gaussian
STEPS = 4.0  # of either voltage, by which one has to give way; common practice, no source
CLEAR = 6.0  # times the noise of its means; likewise
TAKEN_W, REACH_NS = 100.0, 200 * MS  # surely, and how far torque and power may lie apart; likewise
MEAN_NS, FEWEST_MEANS = 100 * MS, 20  # of readings, whose noise falls out; likewise
SURE = 4.0  # standard errors; likewise
LEVELS = 4.0  # the same of levels of a second; likewise
PART = 0.15  # of what the other gave way by; a stiff pack behind long cables; likewise


def together(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """Pack and links that do not give way together in a burst."""
    bench = window.bench
    known = circuit(window, links)
    curves = {role: _means(samples) for role, samples in known.items()}
    step = {role: step_of(known[role].value, bench.bindings[role].half_step) for role in known}
    for mine, other in permutations(curves, 2):
        fell = _moved(curves[other])
        if fell < STEPS * max(step[mine], step[other]):
            continue
        followed = _followed(curves[mine], curves[other])
        # The link lies behind the pack: it gives way by at least as much.
        part = PART if mine == PACK else 0.5
        if followed is not None and followed < part:
            key = bench.bindings[other].key
            text = f"did not follow {key} in a burst, which gave way by {fell:.1f} V: it does not "
            yield Remark(mine, "silent", text + "answer", window.span.end_ns)


def taken(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A pack that takes power in a burst in which no torque brakes: the torques are not given."""
    bench = window.bench
    shafts = [(unit.role("torque"), unit.role("speed")) for unit in bench.units]
    began = window.last("@engaged", window.span.start_ns)
    poles = [f"contactors.{pole}" for pole in MAINS]  # without them nobody knows what is idle
    if not bench.has(PACK, CURRENT, *poles, *(role for shaft in shafts for role in shaft)):
        return
    own = next(unit for unit in bench.units if unit.name == window.span.subject)
    burst = burst_samples(window, own.role("torque"))
    if burst is None or set(links) < set(bench.link_roles().values()) or not len(began):
        return
    idle_ns = int(began.time_ns[0]) - EARLY_NS
    idle = window.back(CURRENT, idle_ns - SECOND_NS).between(idle_ns - SECOND_NS, idle_ns).known
    amps = window.back(CURRENT, int(burst.time_ns[0])).between(0, int(burst.time_ns[-1])).known
    if len(idle) < 8 or len(amps) < 8:
        return
    pack_W = (amps.value - median(idle.value)) * window.at(PACK, amps.time_ns).value
    numbers, mean_W, noise_W = _means(replace(amps, value=pack_W))
    given_W = np.zeros(len(burst))
    for torque, speed in shafts:
        omega = window.at(speed, burst.time_ns).value * RAD_S
        given_W += (window.at(torque, burst.time_ns).value - bench.u(torque)) * omega
    if np.isnan(given_W).any() or np.isnan(mean_W).any():
        return
    for number, watt in zip(numbers.tolist(), mean_W.tolist(), strict=True):
        if watt > -max(TAKEN_W, CLEAR * noise_W):
            continue
        start_ns = number * MEAN_NS
        near = (burst.time_ns >= start_ns - REACH_NS) & (
            burst.time_ns <= start_ns + MEAN_NS + REACH_NS
        )
        least_W = float(given_W[near].min(initial=np.inf))
        if watt < 2 * min(least_W, 0.0) - TAKEN_W:
            keys = ", ".join(bench.bindings[torque].key for torque, _ in shafts)
            gave = f"{-least_W:.0f} W at most" if least_W < 0 else "nothing"
            text = f"does not say what its shaft gives: the pack took {-watt:.0f} W, and by {keys}"
            text += f" and their speeds the shafts gave {gave} then"
            yield from (Remark(torque, "wrong", text, start_ns) for torque, _ in shafts)
            return


def steady(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A pack that is another one before the contactors close than after, or while they do."""
    if not window.bench.has(PACK):
        return
    samples = window.around(PACK, 1.0).known
    level = median(samples.value) if len(samples) else 0.0
    if not level >= LEAST_V:
        return
    off = np.abs(samples.value - level) > STEADY * level
    if off.any():
        row = int(np.argmax(off))
        text = f"read {samples.value[row]:.0f} V while the contactors closed and {level:.0f} V "
        text += "otherwise: a pack holds its voltage"
        # What is empty before the contactors close lies behind them.
        empty = float(samples.value[0]) < STEADY * level
        code = "behind-contactors" if empty else ""
        yield Remark(PACK, "wrong", text, int(samples.time_ns[row]), code=code)
        return
    # Before anything flowed, and once the link is charged through its resistor: hardly anything.
    start_ns, closed_ns = window.span.start_ns, min(positive_closings(window), default=None)
    if closed_ns is None:
        return
    full_ns = closed_ns - LATE_NS
    if full_ns - start_ns < LATE_NS:  # then the links themselves have to say when they are
        curves = [window.back(link, start_ns).between(start_ns, closed_ns).known for link in links]
        filling = [curve.time_ns[curve.value < CHARGED * level] for curve in curves]
        if not filling or not all(len(times) for times in filling):
            return
        full_ns = max(int(times[-1]) for times in filling)
    before = samples.between(start_ns - SECOND_NS, start_ns - EARLY_NS)
    full = samples.between(full_ns, closed_ns - EARLY_NS // 2)
    if len(before) < FEW or len(full) < FEWEST or not full.time_ns[0] > before.time_ns[-1]:
        return
    fell = median(before.value) - median(full.value)
    # The way from one level to the other is no step of the sensor, though it takes no other.
    step = min(step_of(samples.value, window.bench.bindings[PACK].half_step), KEPT * level)
    rough = noise(before.value) / len(full) ** 0.5
    if abs(fell) > max(KEPT * level, STEPS * rough, 1.5 * step):
        text = f"read {median(before.value):.1f} V before the contactors closed and "
        text += f"{median(full.value):.1f} V once the link had charged: so little current leaves a "
        text += "pack its voltage"
        yield Remark(PACK, "wrong", text, closed_ns)


def stands(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A pack that stands to the bit while a link charges, where it moved by steps before.

    Noise and sag that once spread over some of its steps leave none of all later readings alike.
    """
    if not window.bench.has(PACK):
        return
    every = window.back(PACK, window.until_ns - KEPT_NS).known
    now = every.between(window.span.start_ns, window.until_ns)
    if len(now) < STOOD or np.ptp(now.raw) or not now.value[0] >= LEAST_V:
        return
    moved = np.flatnonzero(every.raw != now.raw[0])
    if len(moved) < STOOD // 4:
        return
    step = step_of(every.value, window.bench.bindings[PACK].half_step)
    moved_V = float(np.ptp(every.value))
    if moved_V < MOVED_STEPS * step:
        return
    since_ns = int(every.time_ns[moved[-1]])
    text = f"stood at {now.value[0]:.1f} V to the bit while a link charged, and for "
    text += f"{(window.until_ns - since_ns) / SECOND_NS:.0f} s in all, where it had moved by "
    yield Remark(PACK, "silent", text + f"{moved_V:.1f} V before", since_ns)


def gone(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A current that is there with the contactors closed, and stays as they open."""
    levels = three_levels(window, CURRENT)
    if levels is None:
        return
    before, closed, after, step = levels
    flowed = closed - before
    if abs(flowed) >= max(LEVELS * step, LEAST_A) and abs(after - before) > abs(flowed) / 2:
        text = f"read {closed:.2f} A before the contactors opened and {after:.2f} A after, where "
        text += f"it read {before:.2f} A before they closed: it does not answer"
        yield Remark(CURRENT, "silent", text, window.span.end_ns)


def _means(samples: Samples) -> tuple[Int64s, Floats, float]:
    """Means of tenths of a second: which tenth, its mean, and about the noise of one."""
    number = samples.time_ns // MEAN_NS
    first = np.flatnonzero(np.diff(number, prepend=-1))
    counts = np.diff(np.append(first, len(number)))
    mean = np.add.reduceat(samples.value, first) / counts
    single = median(np.abs(np.diff(samples.value))) / MEDIAN
    return number[first], mean, single / float(np.sqrt(median(counts)))


def _moved(curve: tuple[Int64s, Floats, float]) -> float:
    """How far it surely gave way; 0 where that may be its noise."""
    _, mean, noise_V = curve
    way = percentile(mean, 90) - percentile(mean, 5)
    return way if way >= CLEAR * noise_V else 0.0


def _followed(
    mine: tuple[Int64s, Floats, float], other: tuple[Int64s, Floats, float]
) -> float | None:
    """The largest share of the other's way that this one may have gone with it."""
    _, own, its = np.intersect1d(mine[0], other[0], assume_unique=True, return_indices=True)
    if len(own) < FEWEST_MEANS:
        return None
    x, y = other[1][its] - other[1][its].mean(), mine[1][own] - mine[1][own].mean()
    xx = float(x @ x)
    slope = float(x @ y) / xx
    left = y - slope * x
    power = float(left @ left)
    # What is left may swing: neighbours that are alike are fewer than they seem.
    alike = min(max(float(left[1:] @ left[:-1]) / power, 0.0), 0.9) if power else 0.0
    return slope + SURE * float(np.sqrt(power / len(x) / xx * (1 + alike) / (1 - alike)))
