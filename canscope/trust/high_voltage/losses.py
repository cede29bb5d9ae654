"""Does the pack give more as the shafts take more?

What the pack gives and the shafts do not take is lost. Losses do not fall while torque and speed
rise together: copper warms by the torque, iron by the speed. A current that does not rise with the
shafts' power is clipped, has a dead bit, or is another burst's.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from canscope.model.median import median
from canscope.model.piece import ClosedWindow
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Bools, Floats, Int64s
from canscope.trust.high_voltage.switching_load import switched_A
from canscope.trust.movement.trailing import burst_samples, noise, step_of
from canscope.trust.remark import Links, Remark

PACK, CURRENT = "pack.voltage", "pack.current"
RAD_S = 2 * np.pi / 60  # per rpm
# All common practice, no source.
GRID_NS, MEAN_NS = SECOND_NS // 20, SECOND_NS // 10  # instants, and the mean about each of them
LAGS = 4  # of the grid, by which what the pack gives may come early or late
PART = 0.6  # of what the shafts take more, that the pack gives more at least: torques may be wrong
MORE = 1.15  # times what the pack gives over its rest at most: its sensor may average
PUMP_W = 200.0  # what a 12 V pump takes, which may stop in a burst
DRIVES_W = 50.0  # of all shafts, in what is compared with less
BACK_W = 20.0  # of a shaft, which then does not drive
ALIKE_NM, ALIKE_RPM = 0.2, 10.0  # beside half a step: what means may differ by
SURE = 4.0  # standard errors
FEWEST, STEPS = 10, 1.5  # readings in a burst, and of its steps, by which a current has to move
AVERAGED, LEAST_SLOPE = 10, 0.1  # of the grid, over which a sensor may average; and what is told
SLOPE_SURE = 1.0  # standard errors: a slope that follows lies near one, far from what is told
LONGEST_NS = 60 * SECOND_NS  # in which its steps are looked for


def losses(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A current that stays behind what the shafts take, at whatever lag is likely."""
    bench = window.bench
    shafts = [(unit.role("torque"), unit.role("speed")) for unit in bench.units]
    alike = set(links) >= set(bench.link_roles().values())
    if not bench.has(PACK, CURRENT, *(role for shaft in shafts for role in shaft)) or not alike:
        return
    amps = burst_samples(window, CURRENT)
    if amps is None:
        return
    grid = np.arange(int(amps.time_ns[0]) + MEAN_NS, int(amps.time_ns[-1]) - MEAN_NS, GRID_NS)
    volt = window.at(PACK, amps.time_ns).value
    given_W = _means(amps.time_ns, amps.value * volt, grid)
    taken_W, above = np.zeros(len(grid)), np.ones((len(grid), len(grid)), np.bool_)
    for roles in shafts:
        torque, speed = (_course(burst_samples(window, role), grid) for role in roles)
        watt = torque * speed * RAD_S
        taken_W += watt
        drives = watt >= -BACK_W
        above &= drives[:, None] & drives[None, :]
        above &= _no_more(np.abs(torque), ALIKE_NM + bench.u(roles[0]))
        above &= _no_more(np.abs(speed), ALIKE_RPM + bench.u(roles[1]))
    above &= (taken_W >= DRIVES_W)[None, :]
    if len(grid) <= 4 * LAGS or np.isnan(given_W).any() or np.isnan(taken_W).any():
        return
    yield from _stands(window, amps, grid, taken_W)
    yield from _follows_not(window, amps, volt, grid, taken_W)
    best = _lag(given_W, taken_W)
    near = range(max(best - 1, -LAGS), min(best + 1, LAGS) + 1)
    lacks_W, at, from_W, to_W = min(_lacks(given_W, taken_W, above, lag) for lag in near)
    readings = max(1.0, MEAN_NS / max(median(np.diff(amps.time_ns)), 1.0))
    u_W = SURE * noise(amps.value) / readings**0.5 * median(volt)
    u_W += 2 * bench.u(CURRENT) * median(volt)
    u_W += switched_A(window) * median(volt)
    if lacks_W > PUMP_W + u_W:
        text = "stayed behind what the shafts took in a burst: as their torque and speed rose, and "
        text += f"their power from {from_W:.0f} to {to_W:.0f} W, the pack lacked {lacks_W:.0f} W "
        text += f"(+-{u_W:.0f} W) of what that takes more: it may be clipped, have a dead bit, be"
        yield Remark(CURRENT, "wrong", text + " another burst's, or a load went off", int(grid[at]))
    top, rest_W = int(taken_W.argmax()), median(given_W[: SECOND_NS // GRID_NS // 2])
    most_W = max(float(given_W.max()) - rest_W, 0.0)
    if taken_W[top] > MORE * most_W + u_W:
        text = (
            f"gave {most_W:.0f} W more at most than at rest, in a burst in which the shafts took "
        )
        text += f"{taken_W[top]:.0f} W by their torque and speed: a factor of one of them is wrong"
        yield Remark(CURRENT, "wrong", text, int(grid[top]))


def _stands(window: ClosedWindow, amps: Samples, grid: Int64s, taken_W: Floats) -> Iterator[Remark]:
    """A current that repeats one value over a whole burst in which it has to move by its steps."""
    span = window.span
    inside = amps.between(span.start_ns, span.end_ns)
    turns = taken_W[(grid >= span.start_ns) & (grid < span.end_ns)]
    if len(inside) < FEWEST or len(turns) < 2 or np.ptp(inside.value):
        return
    volt = float(window.at(PACK, span.start_ns).value[0])
    every = window.back(CURRENT, span.start_ns - LONGEST_NS).known.value
    step_A = step_of(every, window.bench.bindings[CURRENT].half_step)
    moves_A = PART * float(np.ptp(turns)) / volt if volt > 0 else 0.0
    if moves_A > STEPS * step_A:
        text = f"stood at {inside.value[0]:.2f} A in a burst in which the shafts' power changed by "
        text += f"{float(np.ptp(turns)):.0f} W, which are {moves_A:.2g} A and more: it was held"
        yield Remark(CURRENT, "stopped", text, int(inside.time_ns[0]))


def _follows_not(
    window: ClosedWindow, amps: Samples, volt: Floats, grid: Int64s, taken_W: Floats
) -> Iterator[Remark]:
    """A current that rises and falls with the shafts' power by far less than that power does.

    By a straight line through all readings of the burst, whatever the lag, and whether its sensor
    averages or not. On stands: a burst in rolling lasts, and a heater may go on and off in it.
    """
    if window.bench.stage == "rolling":
        return
    power_W = float(np.ptp(np.maximum(taken_W, 0.0)))
    unknown_W = PUMP_W + switched_A(window) * median(volt)
    least = PART - unknown_W / max(power_W, 1.0)
    if least < LEAST_SLOPE:
        return
    since_ns = grid[0]
    averaged = np.convolve(taken_W, np.ones(AVERAGED) / AVERAGED)[: len(grid)]
    slope = -np.inf
    for course in (taken_W, averaged):
        for lag in range(-LAGS, LAGS + 1):
            times = (amps.time_ns - lag * GRID_NS - since_ns).astype(np.float64)
            shafts_W = np.interp(times, (grid - since_ns).astype(np.float64), course)
            drives = shafts_W >= -BACK_W
            if np.count_nonzero(drives) >= FEWEST:
                slope = max(slope, _slope(shafts_W[drives], (amps.value * volt)[drives]))
    if np.isfinite(slope) and slope < least:
        text = f"moved by {slope:.0%} at most of what the shafts' power did in a burst, up to "
        text += f"{power_W:.0f} W: it does not follow what the shafts take, or a load went off"
        yield Remark(CURRENT, "wrong", text, window.span.start_ns)


def _slope(x: Floats, y: Floats) -> float:
    """The slope of the line through these points, and some standard errors more."""
    spread = x - x.mean()
    total = float(spread @ spread)
    if not total:
        return -np.inf
    slope = float(spread @ y) / total
    rest = y - y.mean() - slope * spread
    return slope + SLOPE_SURE * float(np.sqrt(rest @ rest / max(len(x) - 2, 1) / total))


def _course(samples: Samples | None, grid: Int64s) -> Floats:
    if samples is None:
        return np.full(len(grid), np.nan)
    return _means(samples.time_ns, samples.value, grid)


def _means(time_ns: Int64s, values: Floats, grid: Int64s) -> Floats:
    """Means about each instant of the grid; between two readings where none is near."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    first, last = (time_ns.searchsorted(grid + way * MEAN_NS // 2) for way in (-1, 1))
    mean = (total[last] - total[first]) / np.maximum(last - first, 1)
    between = np.interp(grid - time_ns[0], time_ns - time_ns[0], values)
    course: Floats = np.where(last > first, mean, between)
    return course


def _no_more(value: Floats, slack: float) -> Bools:
    """Where the value of a row is no more than that of a column."""
    return value[:, None] <= value[None, :] + slack


def _lag(given_W: Floats, taken_W: Floats) -> int:
    """By how many steps of the grid what the pack gives comes late, by the best fit."""
    taken = taken_W[LAGS:-LAGS]
    fits = []
    for lag in range(-LAGS, LAGS + 1):
        given = given_W[LAGS + lag : len(given_W) - LAGS + lag]
        spread = float(given.std())
        together = float((taken - taken.mean()) @ (given - given.mean()))
        fits.append(together / spread if spread else 0.0)
    return int(np.argmax(fits)) - LAGS


def _lacks(
    given_W: Floats, taken_W: Floats, above: Bools, lag: int
) -> tuple[float, int, float, float]:
    """What the pack lacks most, at which instant, and from and to which power of the shafts."""
    given = given_W[LAGS + lag : len(given_W) - LAGS + lag]
    taken = taken_W[LAGS:-LAGS]
    lacks = PART * (taken[None, :] - taken[:, None]) - (given[None, :] - given[:, None])
    lacks = np.where(above[LAGS:-LAGS, LAGS:-LAGS], lacks, -np.inf)
    i, j = np.unravel_index(int(lacks.argmax()), lacks.shape)
    return float(lacks[i, j]), LAGS + int(j), float(taken[i]), float(taken[j])
