"""Plots: the curves that a report shows, kept in bounded memory while the run goes by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from canscope.model.bench import Bench, Kind
from canscope.model.history import History
from canscope.model.report import Plot, Trace
from canscope.model.rule import Worst
from canscope.model.signals import Samples
from canscope.model.tables import Floats, Int64s
from canscope.trust.staleness import gaps

S = 10**9
STEP_NS = S // 10**4  # of the times in a trace
MONTHS_NS = 2**51  # below it, a quotient in seconds is right to less than a nanosecond
AROUND_NS = 3 * S  # shown before and after the window of the worst instant
LONGEST_NS = 60 * S
POINTS = 500  # of one trace
BUCKETS = 1024  # of one role's overview


class Overview:
    """One role over the whole run: lowest and highest value of each of at most BUCKETS buckets.

    When the run outgrows the buckets, neighbours are merged and each covers twice the time.
    """

    def __init__(self, origin_ns: int) -> None:
        self._origin = origin_ns
        self._width = 50 * 10**6
        self._low = np.full(BUCKETS, np.nan)
        self._high = np.full(BUCKETS, np.nan)

    def add(self, samples: Samples) -> None:
        """Take in new samples; absent ones leave a bucket empty if nothing else is in it."""
        known = samples.known
        begun = int(known.time_ns.searchsorted(self._origin))
        times, values = known.time_ns[begun:], known.value[begun:]
        if not len(times):
            return
        while (int(times[-1]) - self._origin) // self._width >= BUCKETS:
            self._widen()
        at, first = self._buckets(times)
        self._low[at] = np.fmin(self._low[at], np.minimum.reduceat(values, first))
        self._high[at] = np.fmax(self._high[at], np.maximum.reduceat(values, first))

    def _buckets(self, times: Int64s) -> tuple[Int64s, Int64s]:
        """The buckets that have samples, and the first row of each."""
        lowest, highest = (int(time) - self._origin for time in (times[0], times[-1]))
        at = np.arange(lowest // self._width, highest // self._width + 1)
        edges = times.searchsorted(self._origin + at * self._width)
        filled = np.flatnonzero(np.diff(edges, append=len(times)))
        return at[filled], edges[filled]

    def _widen(self) -> None:
        spare = np.full(BUCKETS // 2, np.nan)
        self._low = np.concatenate((np.fmin(self._low[::2], self._low[1::2]), spare))
        self._high = np.concatenate((np.fmax(self._high[::2], self._high[1::2]), spare))
        self._width *= 2

    def thinned(self) -> tuple[Int64s, Floats]:
        """Times and values: two points a bucket, so that no spike is lost; NaN is a gap."""
        used = np.flatnonzero(~np.isnan(self._low))
        if not len(used):
            return np.zeros(0, np.int64), np.zeros(0)
        rows = np.arange(used[0], used[-1] + 1)
        times = self._origin + rows * self._width
        both = np.stack((times + self._width // 4, times + 3 * self._width // 4), axis=1)
        return both.ravel(), np.stack((self._low[rows], self._high[rows]), axis=1).ravel()


@dataclass(frozen=True)
class Excerpt:
    """A stretch around a worst instant, to be copied from the history once it has gone by."""

    worst: Worst
    roles: tuple[str, ...]
    from_ns: int
    until_ns: int


def excerpt(worst: Worst, roles: tuple[str, ...]) -> Excerpt:
    """What to show of a worst instant: its window and a little around it."""
    start = max(worst.start_ns, worst.time_ns - LONGEST_NS)
    end = min(max(worst.end_ns, worst.time_ns), worst.time_ns + LONGEST_NS)
    return Excerpt(worst, roles, start - AROUND_NS, end + AROUND_NS)


@dataclass(frozen=True, eq=False)
class Picture:
    """What was copied for one finding: by role, stamps and values, few enough to be drawn."""

    excerpt: Excerpt
    lines: tuple[tuple[str, Int64s, Floats], ...]


def copied(stretch: Excerpt, history: History) -> Picture:
    """The excerpt, as far as the history still holds it."""
    return Picture(stretch, tuple((role, *_line(role, stretch, history)) for role in stretch.roles))


def plot_of(shown: Picture, bench: Bench, origin_ns: int, unit: str) -> Plot:
    """The plot of one finding, whose numbers have this unit."""
    stretch, worst = shown.excerpt, shown.excerpt.worst
    traces = []
    for role, times, values in shown.lines:
        binding = bench.bindings[role]
        states = binding.kind is not Kind.NUMBER
        of = (role, binding.key, binding.unit)
        traces.append(trace(*of, times, values, origin_ns, states=states))
    own = bool(traces) and traces[0].unit == unit and np.isfinite(worst.limit)
    return Plot(
        tuple(traces),
        (stretch.from_ns - origin_ns) / S,
        (stretch.until_ns - origin_ns) / S,
        worst.at_s,
        worst.limit if own else None,
        ((worst.start_ns - origin_ns) / S, (worst.end_ns - origin_ns) / S),
    )


def _line(role: str, stretch: Excerpt, history: History) -> tuple[Int64s, Floats]:
    """A role's samples, thinned, with a NaN in each gap. Copies: the history goes on."""
    samples = history.samples(role).between(stretch.from_ns, stretch.until_ns)
    times, values = samples.time_ns, samples.value
    if len(times) > 1:
        rows = gaps(history, role, times)
        times = np.insert(times, rows + 1, times[rows] + 1)
        values = np.insert(values, rows + 1, np.nan)
    times, values = thin(times, values)
    return times.copy(), values.copy()


def trace(
    role: str,
    signal: str,
    unit: str,
    times: Int64s,
    values: Floats,
    origin_ns: int,
    *,
    states: bool = False,
) -> Trace:
    """A trace in seconds since the capture's first frame; NaN becomes a gap."""
    at_s, value = _four_decimals(times - origin_ns), _seven_digits(values)
    return Trace(role, signal, unit, tuple(at_s), tuple(value), states)


def _four_decimals(since_ns: Int64s) -> list[float]:
    """``round(ns / S, 4)`` of each, worked out in whole numbers for all at once."""
    steps, rest = np.divmod(since_ns + STEP_NS // 2, STEP_NS)
    rounded: list[float] = np.copysign(steps / (S // STEP_NS), since_ns).tolist()
    # Halfway between two steps, and after months, the quotient's last bit decides.
    for row in np.flatnonzero((rest == 0) | (np.abs(since_ns) > MONTHS_NS)).tolist():
        rounded[row] = round(int(since_ns[row]) / S, 4)
    return rounded


def _seven_digits(values: Floats) -> list[float | None]:
    """Each value with seven digits, NaN as None; many are the same, as signals have raw steps."""
    distinct, place = np.unique(values.view(np.int64), return_inverse=True)  # tells 0 from -0
    short = [None if v != v else float(f"{v:.7g}") for v in distinct.view(np.float64).tolist()]
    return [short[at] for at in place.tolist()]


def thin(times: Int64s, values: Floats, points: int = POINTS) -> tuple[Int64s, Floats]:
    """At most about ``points`` points, keeping the lowest and highest of each bucket and gaps."""
    if len(times) <= points:
        return times, values
    size = -(-len(values) // (points // 2))
    rows = np.arange(len(values) + -len(values) % size).reshape(-1, size)
    padded = np.full(rows.shape, np.nan)
    padded.ravel()[: len(values)] = values
    gap = np.isnan(padded)
    lowest = np.where(gap, np.inf, padded).argmin(axis=1)
    highest = np.where(gap, -np.inf, padded).argmax(axis=1)
    chosen = np.stack((lowest, highest, gap.argmax(axis=1)), axis=1) + rows[:, :1]
    keep = np.unique(chosen)
    # A bucket without gap names its first row as one: no harm, it is a point like others.
    keep = keep[keep < len(values)]
    return times[keep], values[keep]


def overview_plot(
    roles: Sequence[str],
    overviews: dict[str, Overview],
    bench: Bench,
    origin_ns: int,
    until_ns: int,
) -> Plot | None:
    """The whole run, for findings that nothing decided."""
    traces = []
    for role in roles:
        if role in overviews and role in bench.bindings:
            binding = bench.bindings[role]
            times, values = overviews[role].thinned()
            states = binding.kind is not Kind.NUMBER
            traces.append(
                trace(role, binding.key, binding.unit, times, values, origin_ns, states=states)
            )
    if not any(len(t.at_s) for t in traces):
        return None
    return Plot(tuple(traces), 0.0, (until_ns - origin_ns) / S)
