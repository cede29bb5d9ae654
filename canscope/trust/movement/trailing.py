"""Do pack current and pack voltage come when what they measure happens, or long after it?

Current flows from the instant at which pre-charge and negative are both closed. Pack and link are
one circuit while both poles are closed, so they give way together.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from canscope.model.history import LOOK_BACK_NS
from canscope.model.median import median, percentile
from canscope.model.piece import ClosedWindow
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Floats
from canscope.trust.high_voltage.switching_load import switched_A
from canscope.trust.remark import Links, Remark
from canscope.trust.samples.clock_alignment import MS, begins, positive_closings

LATE_NS = 30 * MS  # surely; a filter of the current takes as long. Common practice, no source
BEFORE_NS = SECOND_NS  # of rest before a burst, and after it
LONGEST_NS = 12 * SECOND_NS  # of a burst
GRID_MS, FARTHEST_MS = 10, 800  # the lags tried
STEPS = 8.0  # of both voltages, by which they have to give way; common practice, no source
LATE_MS = 50.0  # by which they lie apart, surely by 40; likewise
SURE_MS = 40.0
# The same of a current against shafts, whose losses come before their power.
POWER_MS, SURE_POWER_MS, LIKE_POWER, UNLIKE_POWER = 100.0, 80.0, 0.7, 0.55
STEPS_POWER = 5.0
# The same of a torque against the acceleration of its shaft, taken over twice this time.
TORQUE_MS, SURE_TORQUE_MS, LIKE_TORQUE, STEPS_TORQUE = 100.0, 70.0, 0.7, 4.0
SLOPE_NS, STEADY = 40 * MS, 0.1  # of the fastest way, below which a speed is steady
MISFIT = 2.5  # times the misfit at the best lag: surely not the lag; likewise
SWITCHED = 0.25  # of a current's way in a burst: a load that goes on and off hides its course
RESTS = 8  # readings before a burst, and after it, that tell whether a load went on or off in it
FEW_CHANGES = 4  # up to which nobody knows how often it is measured
SLOW = 0.1  # of its highest speed, below which a unit is about at rest
GAUSSIAN = 1.5 * 0.6745 * 2**0.5  # ``noise`` of readings whose own is 1
ALIKE, UNLIKE = 0.9, 0.6  # share of the variance explained at the best lag; likewise

PACK, CURRENT, BRAKE = "pack.voltage", "pack.current", "driver.brake"


def current(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A current that begins after the contacts closed, by a state and, where seen, the links."""
    begin = begins(window)
    if begin.closed is None or begin.current is None or begin.current_counts:
        return
    late_ns = begin.current.after_ns - begin.closed.time_ns
    # What begins as positive closes is a converter's, and the pre-charge was too small to see.
    if begin.current.time_ns >= min(positive_closings(window), default=window.until_ns):
        return
    if late_ns > LATE_NS:
        key = window.bench.bindings[f"contactors.{begin.closed.subject}"].key
        text = f"began to flow at least {late_ns / MS:.0f} ms after {key} said closed: it is late"
        yield Remark(CURRENT, "late", text, begin.current.time_ns, late_ns / MS)


def pack_voltage(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A pack and a link that do not give way together, as far as both give way clearly."""
    bench = window.bench
    for role in links if bench.has(PACK) else ():
        fit = _fit(burst_samples(window, PACK), burst_samples(window, role), window, (PACK, role))
        if fit is None:
            continue
        keys, end_ns = [bench.bindings[r].key for r in (PACK, role)], window.span.end_ns
        if 1 - (fit.misfit - fit.noise) < UNLIKE:
            text = f"gave way otherwise than {keys[1]} in a burst, in one circuit"
            yield Remark(PACK, "wrong", text, end_ns)
        if 1 - fit.misfit < ALIKE or not fit.beyond(LATE_MS, SURE_MS):
            continue
        later, other = (PACK, keys[1]) if fit.ms > 0 else (role, keys[0])
        text = f"gave way {abs(fit.ms):.0f} ms (+-{fit.u_ms:.0f} ms) after {other} did, in one "
        yield Remark(later, "late", text + "circuit: it is late", end_ns)


def against_shafts(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A current that does not flow when the shafts take their power."""
    bench = window.bench
    shafts = [(unit.role("torque"), unit.role("speed")) for unit in bench.units]
    roles = [role for shaft in shafts for role in shaft]
    alike = set(links) >= set(bench.link_roles().values())
    if not bench.has(CURRENT, *roles) or not alike:
        return
    own = next(unit for unit in bench.units if unit.name == window.span.subject)
    power = burst_samples(window, own.role("speed"))
    if power is None:
        return
    watt = np.zeros(len(power))
    for torque, speed in shafts:
        watt += window.at(torque, power.time_ns).value * window.at(speed, power.time_ns).value
    if np.isnan(watt).any():
        return
    flowed = burst_samples(window, CURRENT)
    fit = _fit(flowed, replace(power, value=watt), window, (CURRENT,), least=STEPS_POWER)
    if flowed is not None:
        before, after = (median(part.value) for part in (flowed[:RESTS], flowed[-RESTS:]))
        fast = np.abs(power.value)
        rested_A = abs(after - before) if fast[[0, -1]].max() <= SLOW * fast.max() else 0.0
        if max(switched_A(window), rested_A) > SWITCHED * _moved(flowed.value)[0]:
            return
    if fit is not None and 1 - fit.misfit < UNLIKE_POWER:
        text = "flowed otherwise than the shafts took their power in a burst: at no lag do their "
        text += "courses agree"
        yield Remark(CURRENT, "wrong", text, window.span.end_ns)
    if fit is None or 1 - fit.misfit < LIKE_POWER or not fit.beyond(POWER_MS, SURE_POWER_MS):
        return
    when, kind = ("after", "late") if fit.ms > 0 else ("before", "wrong")
    text = f"flowed {abs(fit.ms):.0f} ms (+-{fit.u_ms:.0f} ms) {when} the shafts took their power"
    yield Remark(CURRENT, kind, text, window.span.end_ns, abs(fit.ms))


def torque(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A torque that does not come when its shaft speeds up and slows down, where nothing else does.

    On stands a shaft's acceleration is its torque less a little friction, over its inertia.
    """
    unit = next(unit for unit in window.bench.units if unit.name == window.span.subject)
    role = unit.role("torque")
    if window.bench.stage == "rolling" or not window.bench.has(role):
        return
    turns, pushes = burst_samples(window, unit.role("speed")), burst_samples(window, role)
    brake = window.back(BRAKE, window.span.start_ns).between(0, window.span.end_ns).value
    if turns is None or pushes is None or (brake == 1).any():
        return
    every_ns = max(int(median(np.diff(turns.time_ns))), 1)
    rows = max(1, round(SLOPE_NS / every_ns))
    if len(turns) <= 2 * rows + 30:
        return
    way = turns.value[2 * rows :] - turns.value[: -2 * rows]
    middle = turns[rows : len(turns) - rows]
    # What a steady speed takes is friction; it grows with the speed, about.
    steady = np.abs(way) <= STEADY * np.abs(way).max()
    steady &= np.abs(middle.value) >= np.abs(middle.value).max() / 2
    at_ns = middle.time_ns[steady]
    per_rpm = window.at(role, at_ns).value / middle.value[steady]
    if len(per_rpm) and np.isfinite(per_rpm).all():
        drag = np.interp(pushes.time_ns, turns.time_ns, turns.value) * median(per_rpm)
        pushes = replace(pushes, value=pushes.value - drag)
    fit = _fit(replace(middle, value=way), pushes, window, (), least=STEPS_TORQUE)
    if fit is None or 1 - fit.misfit < LIKE_TORQUE or not fit.beyond(TORQUE_MS, SURE_TORQUE_MS):
        return
    when, kind = ("before", "wrong") if fit.ms > 0 else ("after", "late")
    text = f"came {abs(fit.ms):.0f} ms (+-{fit.u_ms:.0f} ms) {when} its shaft sped up and slowed "
    yield Remark(role, kind, text + "down", window.span.end_ns)


@dataclass(frozen=True)
class Fit:
    """How much later one column moves than another one, and what that leaves unexplained.

    ``noise`` is what the noise of the two alone leaves of it.
    """

    ms: float
    u_ms: float
    misfit: float
    noise: float

    def beyond(self, least_ms: float, sure_ms: float) -> bool:
        """Whether they lie apart by so much, and surely by so much."""
        return abs(self.ms) >= least_ms and abs(self.ms) - self.u_ms >= sure_ms


def _fit(
    x: Samples | None,
    y: Samples | None,
    window: ClosedWindow,
    roles: tuple[str, ...],
    least: float = STEPS,
) -> Fit | None:
    """The best lag of two columns in a burst; None where they move too little to tell.

    ``roles`` are those of the columns, of which the second may be none.
    """
    if x is None or y is None:
        return None
    for samples, role in zip((x, y), (*roles, "", ""), strict=False):
        moved = partial(_moved, samples.value)
        way, rough = window.once((_moved, role), moved) if role else moved()
        step = 2 * window.bench.bindings[role].half_step if role else 0.0
        if way <= least * max(step, rough):
            return None
    first_ns = int(max(x.time_ns[0], y.time_ns[0])) + FARTHEST_MS * MS
    last_ns = int(min(x.time_ns[-1], y.time_ns[-1])) - FARTHEST_MS * MS
    at_ns = np.arange(first_ns, last_ns, GRID_MS * MS)
    if len(at_ns) < SECOND_NS // (GRID_MS * MS):
        return None
    lags = np.arange(-FARTHEST_MS, FARTHEST_MS + 1, GRID_MS)
    left = np.interp(at_ns - first_ns, x.time_ns - first_ns, x.value)
    # A lag is a number of steps of the grid: it compares with another stretch of one column.
    wide_ns = first_ns + GRID_MS * MS * np.arange(len(at_ns) + len(lags) - 1) - FARTHEST_MS * MS
    right = np.interp(wide_ns - y.time_ns[0], y.time_ns - y.time_ns[0], y.value)
    misfit = _misfits(left, right)[::-1]  # the later the other, the earlier its stretch
    best = max(float(misfit.min()), 1e-6)
    near = lags[misfit <= MISFIT * best]
    at_once = right[len(lags) // 2 :][: len(left)]
    noisy = _noise_share(x.value, left) + _noise_share(y.value, at_once)
    u_ms = float(near[-1] - near[0]) / 2 + GRID_MS
    return Fit(float(near[-1] + near[0]) / 2, u_ms, best, noisy)


def _noise_share(values: Floats, stretch: Floats) -> float:
    """The share of the variance of a stretch that is noise of its readings, if that is Gaussian."""
    variance = float(np.var(stretch))
    return (noise(values) / GAUSSIAN) ** 2 / variance if variance else 0.0


def burst_samples(window: ClosedWindow, role: str) -> Samples | None:
    """A role over a burst and the rest around it, with both poles closed; None if it has too few.

    An opening soon after the burst cuts it off.
    """
    return window.once((burst_samples, role), lambda: _burst_samples(window, role))


def circuit(window: ClosedWindow, links: Links) -> dict[str, Samples]:
    """Pack and links over a burst, by role: those that are read often enough."""
    roles = [PACK, *links] if window.bench.has(PACK) else list(links)
    seen = {role: burst_samples(window, role) for role in roles}
    return {role: samples for role, samples in seen.items() if samples is not None}


def renewed_ns(samples: Samples) -> float:
    """How often a reading is measured, which may be more seldom than it is sent.

    The shortest that lies between changes of it, about; where it hardly changes, its cycle.
    """
    changes = samples.time_ns[1:][np.diff(samples.raw) != 0]
    times = changes if len(changes) > FEW_CHANGES else samples.time_ns
    return percentile(np.diff(times).astype(np.float64), 10)


def _burst_samples(window: ClosedWindow, role: str) -> Samples | None:
    bench, span = window.bench, window.span
    start_ns = span.start_ns - BEFORE_NS
    end_ns = min(span.end_ns + BEFORE_NS, span.start_ns + LONGEST_NS, window.until_ns)
    if start_ns < window.until_ns - LOOK_BACK_NS:
        return None  # of so long a burst nobody may know the start any more
    if bench.has("contactors.negative", "contactors.positive"):
        closed = window.at("@closed", [start_ns, end_ns])
        if closed.value[1] != 1 or closed.age_ns[1] < end_ns - start_ns:
            return None
    samples = window.back(role, start_ns).between(start_ns, end_ns).known
    return samples if len(samples) >= 30 else None


def _moved(values: Floats) -> tuple[float, float]:
    """How far a column moved in all, smoothed, and its noise."""
    return float(np.ptp(smooth(values))), noise(values)


def noise(values: Floats) -> float:
    """How far neighbouring readings lie apart, about: 1.5 times the median step."""
    return 1.5 * median(np.abs(np.diff(values)))


def step_of(values: Floats, half_step: float) -> float:
    """What a voltage resolves in V: its raw step, or the smallest step that it made, if wider.

    One that never changed and is whole may be a reading of whole V in finer raw steps.
    """
    ways = np.abs(np.diff(values))
    seen = float(ways[ways > half_step].min(initial=np.inf))
    if np.isinf(seen):
        seen = 1.0 if len(values) and float(values[-1]).is_integer() else 0.0
    return max(2 * half_step, seen)


def smooth(values: Floats) -> Floats:
    """Means of five readings."""
    return np.convolve(values, np.ones(5) / 5, "valid")


def _misfits(left: Floats, right: Floats) -> Floats:
    """The share of the variance that a stretch of ``right`` leaves unexplained, for each of them.

    All of it where the two move against each other, or one not at all.
    """
    left, right = left - left.mean(), right - right.mean()
    scale = (left * left).sum() * len(left) * sliding_window_view(right, len(left)).var(axis=1)
    together = np.correlate(right, left, "valid")
    share = np.zeros(len(scale))
    np.divide(together**2, scale, out=share, where=(scale > 0) & (together > 0))
    return 1 - share
