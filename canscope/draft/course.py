"""The course of one signal over a run of any length, in a bounded number of bins."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from canscope.model.tables import Floats, Int64s

BINS = 2048
FIRST_WIDTH_NS = 20_000_000  # of a bin, until the run is longer than all of them
LEVELS = "▁▂▃▄▅▆▇█"


class Course:
    """Last, least and greatest value in each of ``BINS`` bins; NaN where no value came.

    A run that outgrows them doubles the width of a bin: the memory stays the same.
    """

    def __init__(self) -> None:
        self.width_ns = FIRST_WIDTH_NS
        self._columns: Floats = np.full((3, BINS), np.nan)

    @property
    def last(self) -> Floats:
        """The last value of each bin."""
        return np.asarray(self._columns[0, :])

    @property
    def least(self) -> Floats:
        """The least value of each bin."""
        return np.asarray(self._columns[1, :])

    @property
    def greatest(self) -> Floats:
        """The greatest value of each bin."""
        return np.asarray(self._columns[2, :])

    def add(self, since_ns: Int64s, value: Floats) -> None:
        """Take in values, none of them NaN, in time order from the start of the run."""
        if not len(value):
            return
        while int(since_ns[-1]) >= self.width_ns * BINS:
            self._double()
        bins = np.clip(since_ns // self.width_ns, 0, BINS - 1)
        first = np.flatnonzero(np.diff(bins, prepend=-1))
        which = bins[first]
        ends = np.append(first[1:], len(bins)) - 1
        self.last[which] = value[ends]
        self.least[which] = np.fmin(self.least[which], np.minimum.reduceat(value, first))
        self.greatest[which] = np.fmax(self.greatest[which], np.maximum.reduceat(value, first))

    def _double(self) -> None:
        pairs = self._columns.reshape(3, BINS // 2, 2)
        merged = np.full((3, BINS), np.nan)
        later = pairs[0, :, 1]
        merged[0, : BINS // 2] = np.where(np.isnan(later), pairs[0, :, 0], later)
        merged[1, : BINS // 2] = np.fmin(pairs[1, :, 0], pairs[1, :, 1])
        merged[2, : BINS // 2] = np.fmax(pairs[2, :, 0], pairs[2, :, 1])
        self._columns = merged
        self.width_ns *= 2

    def held(self, end_ns: int, count: int = BINS) -> Floats:
        """The value that was last known at ``count`` instants from the start to ``end_ns``."""
        known = ~np.isnan(self.last)
        row = np.maximum.accumulate(np.where(known, np.arange(BINS), -1))
        held = np.where(row >= 0, self.last[np.maximum(row, 0)], np.nan)
        at = np.arange(count) * max(end_ns, 1) / max(count - 1, 1)
        return held[np.clip((at // self.width_ns).astype(np.int64), 0, BINS - 1)]

    def drawn(self, end_ns: int, width: int = 24) -> str:
        """A curve of block characters: spaces where nothing came, a spike never left out."""
        used = min(BINS, max(1, -(-end_ns // self.width_ns)))
        edges = np.linspace(0, used, width + 1).astype(np.int64)
        low, high = np.nanmin(self.least, initial=np.inf), np.nanmax(self.greatest, initial=-np.inf)
        text, level = "", None
        for start, end in pairwise(edges.tolist()):
            part = slice(int(start), max(int(end), int(start) + 1))
            seen = ~np.isnan(self.least[part])
            if not seen.any():
                text += " " if level is None or used >= width else level
                continue
            span = high - low or 1.0
            most = self.greatest[part][seen].max()
            least = self.least[part][seen].min()
            middle = (low + high) / 2
            shown = most if most - middle >= middle - least else least
            level = LEVELS[min(int((shown - low) / span * len(LEVELS)), len(LEVELS) - 1)]
            text += level
        return text
