"""How long frames waited to be judged, for a whole run in a fixed number of counters."""

from __future__ import annotations

import numpy as np

MOST_MS = 60_000  # longer delays are counted as this; the longest is kept by itself
MS = 10**6


class Delays:
    """Counts delays by the millisecond; memory does not grow with the run."""

    def __init__(self) -> None:
        self._counts = np.zeros(MOST_MS + 1, np.int32)
        self._longest_ns = self.count = 0

    def add(self, delay_ns: int) -> None:
        """Count one; a delay below zero counts as none."""
        delay_ns = max(0, delay_ns)
        self._counts[min(delay_ns // MS, MOST_MS)] += 1
        self._longest_ns = max(self._longest_ns, delay_ns)
        self.count += 1

    def summary_ms(self) -> dict[str, float]:
        """Median, 99th percentile (rounded up to the millisecond) and longest, in ms."""
        longest = round(self._longest_ns / MS, 1)
        return {"median": self._at(0.5), "p99": self._at(0.99), "longest": longest}

    def _at(self, share: float) -> float:
        """The delay that so many of them do not exceed."""
        if not self.count:
            return 0.0
        place = int(self._counts.cumsum().searchsorted(share * self.count))
        return min(place + 1.0, round(self._longest_ns / MS, 1))
