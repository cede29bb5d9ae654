"""Readings that jump to and fro, as one does that is not there in every second frame.

A foot, a shaft and a warm part take their time. One that leaves its value by much from one
reading to the next, comes back as fast, and does so again and again shows something else: another
value of a multiplexed message, a gateway's zeros, a loose contact.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from canscope.model.bench import Bench
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS
from canscope.trust.remark import Remark

# By which a reading has to jump, in its role's unit: far more than noise.
JUMPS = {"driver.pedal": 10.0, "driver.pedal_2": 10.0, "torque": 5.0, "temperatures": 4.0}
BACK_NS, BACK_READINGS = SECOND_NS // 4, 2.5  # in which it comes back: the longer of the two
AT_ONCE_NS = 150 * 10**6  # a pedal that is read more seldom may have been pressed in between
TIMES = 6  # in a row
# A temperature jumps by less between two parts of one unit, and as far by noise of its last step.
SMALL_K, OFTEN = 1.5, 24
# All of them: common practice, no source.


@dataclass
class Jumping:
    """One role: its last reading and jump, and how often in a row it has come back at once."""

    last: tuple[int, float] | None = None
    jump: tuple[int, float] = (0, 0.0)
    times: int = 0
    told: bool = False


class ToAndFro:
    """Follows pedals, torques and temperatures over one segment."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        sizes = {role: _least(role) for role in bench.bindings}
        self._large = {role: least for role, least in sizes.items() if least}
        self._least = {r: SMALL_K if ".temperatures." in r else n for r, n in self._large.items()}
        self._jumping = {role: Jumping() for role in self._least}

    def feed(self, new: Mapping[str, Samples]) -> Iterator[Remark]:
        """What jumps to and fro in the new samples."""
        for role, seen in self._jumping.items():
            samples = new[role].known if role in new else None
            if samples is not None and len(samples) and not seen.told:
                yield from self._follow(role, seen, samples)

    def _follow(self, role: str, seen: Jumping, samples: Samples) -> Iterator[Remark]:
        times, values = samples.time_ns, samples.value
        if seen.last is not None:
            times = np.concatenate(([seen.last[0]], times))
            values = np.concatenate(([seen.last[1]], values))
        seen.last = int(times[-1]), float(values[-1])
        ways, passed = np.diff(values), np.diff(times)
        rows = np.abs(ways) >= self._least[role]
        if role.startswith("driver."):
            rows &= passed <= AT_ONCE_NS
        for row in np.flatnonzero(rows).tolist():
            at_ns, way = int(times[row + 1]), float(ways[row])
            since_ns, before = seen.jump
            soon = at_ns - since_ns <= max(BACK_NS, BACK_READINGS * float(passed[row]))
            back = soon and -2.0 <= way / before <= -0.5 if before else False
            seen.jump, seen.times = (at_ns, way), seen.times + 1 if back else 0
            often = TIMES if abs(way) >= self._large[role] else OFTEN
            if seen.times >= often:
                seen.told = True
                unit = self._bench.bindings[role].unit
                text = f"jumped to and fro by {abs(way):.3g} {unit} from one reading to the next, "
                text += f"{often} times in a row: every other one shows something else"
                yield Remark(role, "wrong", text, at_ns)
                return


def _least(role: str) -> float:
    """By how much a role has to jump; 0 if it is not followed."""
    parts = role.split(".")
    word = parts[2] if parts[0] == "units" and len(parts) > 2 else role
    return JUMPS.get(word, 0.0)
