"""Does a temperature come and go with the motion itself?

Heat flows into a part while its unit turns, and out of it far more slowly. A reading that rises as
a burst begins and is back within a second of its end is made of speed, torque or current; so is one
that does so at the end of every burst, however slowly it rose.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canscope.model.events import Event
from canscope.model.piece import Past
from canscope.model.tables import SECOND_NS, Floats

# All common practice, no source.
LONG_NS = SECOND_NS  # a shorter burst says nothing
RISES_NS = SECOND_NS // 2  # as long after the start, it has risen most of its way
FALLS_NS, UNTIL_NS = SECOND_NS // 2, SECOND_NS  # it is back so long after the end, and stays so
BEFORE_NS = 2 * SECOND_NS
MOST = 0.6  # of its way; a part whose time constant is 1 s has come so far in a second
LEAST_STEPS, SURE = 3.0, 4.0  # by which it has to rise, and standard errors
ONCE_K = 1.5  # rising and falling at once by so much once is enough
OFTEN = 2  # else it has to fall at once so often, and after every burst that it rose in
FEWEST = 2  # readings that tell a level


@dataclass(frozen=True)
class AtOnce:
    """One temperature over the bursts of its unit so far."""

    rose: int = 0  # bursts in which it rose far enough
    fell: int = 0  # of these, after how many it fell at once
    both: bool = False  # in one of them it rose at once as well
    at_ns: int | None = None  # the first such fall
    fall_K: float = 0.0  # and how far

    @property
    def follows_motion(self) -> bool:
        """Whether it comes and goes with the motion."""
        return self.both or (self.fell >= OFTEN and self.fell == self.rose)


def after_burst(
    seen: AtOnce, past: Past, role: str, start_ns: int, end: Event, step_K: float
) -> AtOnce:
    """The same once the end of a burst is known; ``step_K``: its raw step."""
    if end.time_ns - start_ns < LONG_NS:
        return seen
    samples = past.back(role, start_ns - BEFORE_NS).known
    times, degC = samples.time_ns, samples.value

    def level(from_ns: int, until_ns: int) -> Floats:
        return degC[(times >= from_ns) & (times < until_ns)]

    end_ns = end.time_ns
    base, top = level(start_ns - BEFORE_NS, start_ns), level(end_ns - LONG_NS // 2, end_ns)
    early = level(start_ns + RISES_NS, start_ns + LONG_NS)
    after = level(end_ns + FALLS_NS, end_ns + UNTIL_NS)
    if min(len(base), len(top), len(after)) < FEWEST:
        return seen
    before_K, top_K = float(np.median(base)), float(np.median(top))
    rise_K, fall_K = top_K - before_K, top_K - float(np.median(after))
    # Two or three readings after it do not tell their own scatter: all three levels do.
    off = np.concatenate([part - np.mean(part) for part in (base, top, after)])
    scatter_K = float(np.sqrt(np.sum(off**2) / max(len(off) - 3, 1)))
    noise_K = scatter_K * float(np.sqrt(1 / len(base) + 1 / len(after)))
    if rise_K < max(LEAST_STEPS * step_K, SURE * noise_K):
        return seen
    fell = fall_K >= MOST * rise_K
    rose = len(early) >= FEWEST and float(np.median(early)) - before_K >= MOST * rise_K
    return AtOnce(
        seen.rose + 1,
        seen.fell + fell,
        seen.both or (fell and rose and rise_K >= ONCE_K),
        end_ns if fell and seen.at_ns is None else seen.at_ns,
        max(seen.fall_K, fall_K if fell else 0.0),
    )
