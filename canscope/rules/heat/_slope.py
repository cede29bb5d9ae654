"""How fast a slow quantity changes: a robust slope over a full window (Theil-Sen)."""

from __future__ import annotations

import numpy as np

from canscope.model.outcome import Doubt
from canscope.model.piece import Piece, S
from canscope.model.rule import unjudged
from canscope.model.signals import NEVER
from canscope.model.tables import Bools, Floats, Int64s
from canscope.rules.heat._sensors import Heat, Thermometer, Watch, closing, thermometers
from canscope.rules.shared.persistence import patience
from canscope.trust.samples.range_ends import railed

POINTS = 11  # readings of one window that are paired; a fifth of a window may be outliers
BLOCK = 4096  # instants handled at once, so that memory stays bounded
FIRST, SECOND = np.triu_indices(POINTS, 1)
MIDDLE = len(FIRST) // 2  # of an odd number of pairs


def slopes(piece: Piece, role: str, window_ns: int) -> tuple[Int64s, Floats]:
    """Instants of a role's new samples and the slope over the window before each, a second.

    The slope is the median of the slopes between all pairs of readings, taken at ``POINTS`` evenly
    spaced instants of the window, each with the stamp it really bears. It is NaN where the
    readings do not cover the whole window, or leave a gap of more than three cycles in it.
    """
    return piece.once((slopes, role, window_ns), lambda: _slopes(piece, role, window_ns))


def watched_slopes(
    piece: Piece, thermometer: Thermometer, watch: Watch, window_s: float, *, awake: bool = False
) -> tuple[Int64s, Floats]:
    """Times and slopes (K/s) of a temperature; NaN once its unit's heat is no longer watched.

    With ``awake`` it is watched as long as nodes have to speak as well.
    """
    width_ns = round(window_s * S)
    times, slope = slopes(piece, thermometer.role, width_ns)
    until = watch.at(times)
    judged = (times <= until) | (until == NEVER)
    if awake and not judged.all():
        begun = piece.at("@awake", times - width_ns).value == 1
        judged |= begun & (piece.at("@awake", times).value == 1)
    return times, np.where(judged, slope, np.nan)


def slope_doubts(state: Heat, piece: Piece, watch_s: float, window_s: float) -> list[Doubt]:
    """What keeps a run from proving its slopes: the temperatures themselves, or too few values."""
    idle = piece.bench.stage == "power-up"
    text = f"it never gave values for {window_s:g} s without a gap"
    return [
        *closing(state, piece, watch_s, idle_counts=idle),
        *(unjudged(t.subject, "not-exercised", text) for t in thermometers(piece.bench)),
    ]


def _slopes(piece: Piece, role: str, window_ns: int) -> tuple[Int64s, Floats]:
    binding, new = piece.bench.bindings[role], piece[role].known
    new_ns = new.time_ns[~railed(binding, new)]
    if not len(new_ns):
        return new_ns, np.zeros(0)
    ends = np.array([piece.start_ns, piece.until_ns], np.int64)
    # The reading that was last known at the window's start may be one silence older.
    reach_ns = int(piece.history.patience_ns(role, ends).max())
    samples = piece.back(role, int(new_ns[0]) - window_ns - reach_ns).known
    samples = samples[~railed(binding, samples)]  # those are no temperatures
    times, patience_ns = samples.time_ns, patience(piece, role, samples.time_ns)
    rows, whole = _grid(times, new_ns, window_ns, patience_ns)
    slope = np.full(len(new_ns), np.nan)
    for at in range(0, len(new_ns), BLOCK):
        some = slice(at, at + BLOCK)
        readings = samples.value[rows[some]]
        # If all readings are equal, every pair is: the slope is 0.
        alike = (readings == readings[:, :1]).all(axis=1)
        flat = whole[some] & alike & (times[rows[some, -1]] > times[rows[some, 0]])
        slope[at + np.flatnonzero(flat)] = 0.0
        chosen = np.flatnonzero(whole[some] & ~flat)
        if len(chosen):
            slope[at + chosen] = _median(times[rows[at + chosen]], readings[chosen])
    return new_ns, slope


def _grid(
    times: Int64s, new_ns: Int64s, window_ns: int, patience_ns: Int64s | int
) -> tuple[Int64s, Bools]:
    """Rows of the readings in each window, and which windows are covered whole."""
    grid = np.linspace(-window_ns, 0, POINTS).astype(np.int64)
    # One instant of the grid after the other: sorted look-ups are faster.
    rows = (times.searchsorted(new_ns + grid[:, None], "right") - 1).T
    first = np.maximum(rows[:, 0], 0)
    patience_ns = np.broadcast_to(patience_ns, times.shape)
    silent = np.concatenate(([False], np.diff(times) > patience_ns[1:]))
    gaps = np.cumsum(silent)
    whole = (rows[:, 0] >= 0) & (new_ns - window_ns - times[first] <= patience_ns[first])
    return rows, whole & (gaps[rows[:, -1]] == gaps[first])


def _median(at_ns: Int64s, readings: Floats) -> Floats:
    """Median slope between all pairs of the readings in each row; equal stamps make no pair."""
    run_s = (at_ns[:, SECOND] - at_ns[:, FIRST]) / S
    pair = readings[:, SECOND] - readings[:, FIRST]
    some = run_s > 0
    if some.all():
        pair /= run_s
        pair.partition(MIDDLE, axis=1)
        return pair[:, MIDDLE]
    pair = np.divide(pair, run_s, out=np.full(pair.shape, np.nan), where=some)
    pair.sort(axis=1)  # NaN last; np.nanmedian takes ten times as long
    count = np.count_nonzero(some, axis=1)
    row = np.arange(len(pair))
    return np.asarray((pair[row, (count - 1) // 2] + pair[row, count // 2]) / 2)
