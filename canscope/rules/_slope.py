"""How fast a slow quantity changes: a robust slope over a full window (Theil-Sen)."""

from __future__ import annotations

import numpy as np

from canscope.model.piece import Piece, S
from canscope.model.tables import Floats, Int64s

POINTS = 11  # readings of one window that are paired; a fifth of a window may be outliers
BLOCK = 4096  # instants looked at in one go, so that memory stays bounded
FIRST, SECOND = np.triu_indices(POINTS, 1)


def slopes(piece: Piece, role: str, window_ns: int) -> tuple[Int64s, Floats]:
    """Instants of a role's new samples and the slope over the window before each, a second.

    The slope is the median of the slopes between all pairs of readings, taken at ``POINTS`` evenly
    spaced instants of the window, each with the stamp it really bears. It is NaN where the
    readings do not cover the whole window, or leave a gap of more than three cycles in it.
    """
    return piece.once((slopes, role, window_ns), lambda: _slopes(piece, role, window_ns))


def _slopes(piece: Piece, role: str, window_ns: int) -> tuple[Int64s, Floats]:
    new = piece[role]
    new_ns = new.known.time_ns
    if not len(new_ns):
        return new_ns, np.zeros(0)
    ends = np.array([piece.start_ns, piece.until_ns], np.int64)
    # The reading that was last known at the window's start may be one silence older.
    reach_ns = int(piece.history.patience_ns(role, ends).max())
    samples = piece.back(role, int(new_ns[0]) - window_ns - reach_ns).known
    times = samples.time_ns
    patience = piece.history.patience_ns(role, times)
    silent = np.concatenate(([False], np.diff(times) > patience[1:]))
    gaps = np.cumsum(silent)
    grid = np.linspace(-window_ns, 0, POINTS).astype(np.int64)
    slope = np.full(len(new_ns), np.nan)
    for at in range(0, len(new_ns), BLOCK):
        now = new_ns[at : at + BLOCK]
        rows = times.searchsorted(now[:, None] + grid, "right") - 1
        first = np.maximum(rows[:, 0], 0)
        whole = rows[:, 0] >= 0
        whole &= now - window_ns - times[first] <= patience[first]
        whole &= gaps[rows[:, -1]] == gaps[first]
        last = rows[:, -1]
        # Where all readings are alike, so is every pair of them: flat.
        readings = samples.value[rows]
        flat = whole & (times[last] > times[first])
        flat &= (readings == readings[:, :1]).all(axis=1)
        slope[at + np.flatnonzero(flat)] = 0.0
        chosen = np.flatnonzero(whole & ~flat)
        if len(chosen):
            slope[at + chosen] = _median(times, samples.value, rows[chosen])
    return new_ns, slope


def _median(times: Int64s, values: Floats, rows: Int64s) -> Floats:
    """Median slope between all pairs of the readings in each row; equal stamps make no pair."""
    run_s = (times[rows[:, SECOND]] - times[rows[:, FIRST]]) / S
    rise = values[rows[:, SECOND]] - values[rows[:, FIRST]]
    pair = np.divide(rise, run_s, out=np.full(rise.shape, np.nan), where=run_s > 0)
    pair.sort(axis=1)  # NaN last; np.nanmedian does the same at a tenth of the speed
    count = np.count_nonzero(run_s > 0, axis=1)
    row = np.arange(len(pair))
    return np.asarray((pair[row, (count - 1) // 2] + pair[row, count // 2]) / 2)
