"""Plots: the curves that a report shows, kept in bounded memory while the run goes by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from canscope.curves.thinning import buckets, extreme_rows
from canscope.model.bench import Bench, Kind
from canscope.model.history import History
from canscope.model.median import distinct
from canscope.model.report import Plot, Trace
from canscope.model.rule import Worst
from canscope.model.signals import Samples
from canscope.model.tables import Floats, Int64s
from canscope.trust.samples.staleness import gaps

S = 10**9
STEP_NS = S // 10**4  # of the times in a trace
MONTHS_NS = 2**51  # below it, a quotient in seconds is right to less than a nanosecond
AROUND_NS = 3 * S  # shown before and after the window of the worst instant
EDGE_NS = 10 * S  # before that a state's last change is shown as well, if it is no further away
LONGEST_NS = 60 * S
POINTS = 500  # of one trace
BUCKETS = 1024  # of one role's overview


class Overview:
    """One role over the whole run: the lowest and highest value of each bucket, and when they came.

    When the run outgrows the buckets, neighbours are merged and each covers twice the time. A state
    is kept as its changes instead, as long as there are at most BUCKETS of them.
    """

    def __init__(self, origin_ns: int, *, states: bool = False) -> None:
        self._origin = origin_ns
        self._width = 50 * 10**6
        self._low = np.full(BUCKETS, np.nan)
        self._high = np.full(BUCKETS, np.nan)
        self._low_ns = np.zeros(BUCKETS, np.int64)
        self._high_ns = np.zeros(BUCKETS, np.int64)
        self._count, self._from_ns, self._until_ns = 0, 0, 0
        self._changes: Changes | None = Changes() if states else None

    def add(self, samples: Samples) -> None:
        """Take in new samples; absent ones leave a bucket empty if nothing else is in it."""
        known = samples.known
        begun = int(known.time_ns.searchsorted(self._origin))
        times, values = known.time_ns[begun:], known.value[begun:]
        if not len(times):
            return
        self._from_ns = self._from_ns if self._count else int(times[0])
        self._count, self._until_ns = self._count + len(times), int(times[-1])
        if self._changes is not None:
            self._changes = self._changes.joined(times, values)
        while (int(times[-1]) - self._origin) // self._width >= BUCKETS:
            self._widen()
        at, first = buckets(times, self._origin, self._width)
        for pick, rows, chosen, stamps in zip(
            (np.less, np.greater),
            extreme_rows(values, first),
            (self._low, self._high),
            (self._low_ns, self._high_ns),
            strict=True,
        ):
            beyond = np.isnan(chosen[at]) | pick(values[rows], chosen[at])
            chosen[at[beyond]] = values[rows[beyond]]
            stamps[at[beyond]] = times[rows[beyond]]

    def _widen(self) -> None:
        rows = np.arange(0, BUCKETS, 2)
        for values, stamps, pick in (
            (self._low, self._low_ns, np.less),
            (self._high, self._high_ns, np.greater),
        ):
            left, right = values[::2], values[1::2]
            of = rows + (np.isnan(left) | pick(right, left))
            merged, when = values[of], stamps[of]
            values[:] = np.nan
            values[: BUCKETS // 2], stamps[: BUCKETS // 2] = merged, when
        self._width *= 2

    def thinned(self) -> tuple[Int64s, Floats]:
        """Times and values in their order of time, so that no spike is lost; NaN is a gap."""
        if self._changes is not None and self._changes.few:
            return self._changes.time_ns, self._changes.value
        used = np.flatnonzero(~np.isnan(self._low))
        times = np.stack((self._low_ns[used], self._high_ns[used]), axis=1)
        values = np.stack((self._low[used], self._high[used]), axis=1)
        order = np.argsort(times, axis=1, kind="stable")
        times, values = (np.take_along_axis(of, order, axis=1) for of in (times, values))
        silent = times[1:, 0] - times[:-1, 1] > self._longest_silence_ns()
        keep = times[:, 1] > times[:, 0]  # else one sample is both
        keep = np.stack((np.ones_like(keep), keep), axis=1)
        times, values = times[keep], values[keep]
        after = np.cumsum(keep.sum(axis=1))[:-1][silent]
        times = np.insert(times, after, times[after - 1] + 1)
        return times, np.insert(values, after, np.nan)

    def _longest_silence_ns(self) -> int:
        """What is longer than this is drawn as a gap."""
        interval = (self._until_ns - self._from_ns) // max(1, self._count - 1)
        return max(4 * interval, 3 * self._width)


@dataclass(frozen=True, eq=False)
class Changes:
    """A state's first sample, its changes and its last sample."""

    time_ns: Int64s = field(default_factory=lambda: np.zeros(0, np.int64))
    value: Floats = field(default_factory=lambda: np.zeros(0))

    @property
    def few(self) -> bool:
        """Whether they were kept: of a state that changes all the time nothing is."""
        return len(self.time_ns) <= BUCKETS

    def joined(self, times: Int64s, values: Floats) -> Changes:
        """With samples that follow; what there are too many of is not kept any longer."""
        if not self.few:
            return self
        times = np.concatenate((self.time_ns, times))
        values = np.concatenate((self.value, values))
        rows = changes(values)
        return Changes(times[rows], values[rows])


def changes(values: Floats) -> Int64s:
    """The rows at which a state changes, and the first and the last; NaN is a state of its own."""
    before, after = values[:-1], values[1:]
    kept = np.ones(len(values), np.bool_)
    kept[1:-1] = ((before != after) & ~(np.isnan(before) & np.isnan(after)))[:-1]
    return kept.nonzero()[0]


@dataclass(frozen=True)
class Excerpt:
    """A stretch around a worst instant, to be copied from the history once it has gone by."""

    worst: Worst
    roles: tuple[str, ...]
    from_ns: int
    until_ns: int

    @property
    def needed_ns(self) -> int:
        """From when on its samples are needed; a long stretch has no room in history for more."""
        return self.from_ns - (EDGE_NS if self.until_ns - self.from_ns < LONGEST_NS else 0)


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
    judged: tuple[int, float] | None  # of the first role, the sample that the worst instant shows


def copied(stretch: Excerpt, history: History, bench: Bench) -> Picture:
    """The excerpt, as far as the history still holds it."""
    judged = None
    lines: list[tuple[str, Int64s, Floats]] = []
    states = {role: bench.bindings[role].kind is not Kind.NUMBER for role in stretch.roles}
    edges = [_last_change(history.samples(r), stretch) for r in stretch.roles if states[r]]
    stretch = replace(stretch, from_ns=min([stretch.from_ns, *edges]))
    for role in stretch.roles:
        samples = history.samples(role).between(stretch.from_ns, stretch.until_ns)
        row = int(samples.time_ns.searchsorted(stretch.worst.time_ns, "right")) - 1
        if not lines and row >= 0 and np.isfinite(samples.value[row]):
            judged = int(samples.time_ns[row]), float(samples.value[row])
        lines.append((role, *_line(role, samples, history, row, states=states[role])))
    return Picture(stretch, tuple(lines), judged)


def _last_change(samples: Samples, stretch: Excerpt) -> int:
    """Half a second before a state's last change ahead of the stretch, if it is not too far away.

    What was requested is shown with the instant at which it was requested.
    """
    before = samples.between(stretch.needed_ns, stretch.from_ns)
    changed = np.flatnonzero(before.value[1:] != before.value[:-1])
    return int(before.time_ns[changed[-1] + 1]) - S // 2 if len(changed) else stretch.from_ns


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
    judged = None
    if shown.judged is not None:
        time_ns, value = shown.judged
        judged = round((time_ns - origin_ns) / S, 4), float(f"{value:.7g}")
    return Plot(
        tuple(traces),
        (stretch.from_ns - origin_ns) / S,
        (stretch.until_ns - origin_ns) / S,
        worst.at_s,
        worst.limit if own else None,
        ((worst.start_ns - origin_ns) / S, (worst.end_ns - origin_ns) / S),
        judged,
    )


def _line(
    role: str, samples: Samples, history: History, judged: int, *, states: bool
) -> tuple[Int64s, Floats]:
    """A role's samples, thinned but for one row, with a NaN in each gap.

    Copies: the history goes on.
    """
    times, values = samples.time_ns, samples.value
    if len(times) > 1:
        rows = gaps(history, role, times)
        if len(rows):
            times = np.insert(times, rows + 1, times[rows] + 1)
            values = np.insert(values, rows + 1, np.nan)
            judged += int(np.count_nonzero(rows < judged))
    keep = changes(values) if states else thin(values)
    if judged >= 0:
        keep = distinct(np.append(keep, judged))
    return times[keep].copy(), values[keep].copy()


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
    """Each value with seven digits, NaN as None."""
    # Signals have raw steps: most are a few thousandths but for the last bits, and the quotient is
    # the number nearest to those, as reading their digits gives it.
    with np.errstate(over="ignore", invalid="ignore"):
        thousandths = np.rint(values * 1000)
        short = thousandths / 1000
        few = (np.abs(short - values) <= 1e-9 * np.abs(values)) & (np.abs(thousandths) < 1e7)
    found: list[float | None] = short.tolist()
    for row in np.flatnonzero(~few).tolist():
        value = float(values[row])
        found[row] = None if value != value else float(f"{value:.7g}")
    return found


def thin(values: Floats, points: int = POINTS) -> Int64s:
    """Rows of about so many points: the lowest and the highest of each bucket, and its gaps."""
    if len(values) <= points:
        return np.arange(len(values))
    size = -(-len(values) // (points // 2))
    rows = np.arange(len(values) + -len(values) % size).reshape(-1, size)
    padded = np.full(rows.shape, np.nan)
    padded.ravel()[: len(values)] = values
    gap = np.isnan(padded)
    lowest = np.where(gap, np.inf, padded).argmin(axis=1)
    highest = np.where(gap, -np.inf, padded).argmax(axis=1)
    chosen = np.stack((lowest, highest, gap.argmax(axis=1)), axis=1) + rows[:, :1]
    keep = distinct(chosen)
    # A bucket without gap names its first row as one: no harm, it is a point like others.
    return keep[keep < len(values)]


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
