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
# And it swings over some readings: so far, or by so many of its steps, so often, in so long.
SWINGS_K, SWING_STEPS, REVERSALS, SWINGS_NS = 3.0, 4.0, 8, 20 * SECOND_NS
# A pedal that falls for one reading alone and is where it was in the next, so often in so long.
SAME_PERCENT, DIPS, DIPS_NS = 1.0, 3, 10 * SECOND_NS
# All of them: common practice, no source.


@dataclass
class Jumping:
    """One role: its last reading and jump, and how often in a row it has come back at once.

    Of a temperature also its last extreme, towards which it went (-1 or 1), and when it last turned
    back from one; of a pedal when it came back from a dip.
    """

    last: tuple[int, float] | None = None
    jump: tuple[int, float] = (0, 0.0)
    times: int = 0
    extreme: float = float("nan")
    towards: int = 1
    turned_ns: tuple[int, ...] = ()
    dipped_ns: tuple[int, ...] = ()
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
                if ".temperatures." in role and not seen.told:
                    yield from self._swings(role, seen, samples)

    def _swings(self, role: str, seen: Jumping, samples: Samples) -> Iterator[Remark]:
        """A temperature that rises and falls by kelvins, again and again, within seconds."""
        least_K = max(SWINGS_K, SWING_STEPS * 2 * self._bench.bindings[role].half_step)
        if np.isnan(seen.extreme):
            seen.extreme = float(samples.value[0])
        ends = sorted((int(samples.value.argmin()), int(samples.value.argmax())))
        low, high = samples.value.min(), samples.value.max()
        quiet = max(high, seen.extreme) - min(low, seen.extreme) < least_K  # nearly always
        for row in ends if quiet else range(len(samples)):
            at_ns, value = int(samples.time_ns[row]), float(samples.value[row])
            if (value - seen.extreme) * seen.towards >= 0:
                seen.extreme = value
            elif abs(value - seen.extreme) >= least_K:
                seen.extreme, seen.towards = value, -seen.towards
                seen.turned_ns = (*seen.turned_ns, at_ns)[-REVERSALS:]
                if len(seen.turned_ns) == REVERSALS and at_ns - seen.turned_ns[0] <= SWINGS_NS:
                    seen.told = True
                    text = f"rose and fell by {least_K:.2g} K and more, {REVERSALS // 2} times in "
                    text += f"{(at_ns - seen.turned_ns[0]) / SECOND_NS:.0f} s: no part of a unit "
                    yield Remark(role, "wrong", text + "warms and cools so", at_ns)
                    return

    def _dips(self, seen: Jumping, before_ns: int, at_ns: int, way: float) -> bool:
        """Whether this jump ends the last of so many dips of a pedal, of one reading each."""
        since_ns, before = seen.jump
        if before < 0 < way and since_ns == before_ns and abs(way + before) <= SAME_PERCENT:
            seen.dipped_ns = (*seen.dipped_ns, at_ns)[-DIPS:]
            return len(seen.dipped_ns) == DIPS and at_ns - seen.dipped_ns[0] <= DIPS_NS
        return False

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
            if role.startswith("driver.") and self._dips(seen, int(times[row]), at_ns, way):
                seen.told = True
                text = f"fell by {way:.3g} % for one reading and was where it had been in the next "
                text += f"one, {DIPS} times in {(at_ns - seen.dipped_ns[0]) / SECOND_NS:.2g} s: it "
                yield Remark(role, "wrong", text + "is not there in every frame", at_ns)
                return
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
