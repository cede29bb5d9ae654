"""Do two roles show what one sensor measures? Then they are one witness, not two.

Compared are the speeds of two units, and temperatures of different parts: what drives them is not
the same, so that nothing but one sensor makes them alike down to their noise while they move
clearly. Not compared so: torques (a unit may report what it was told to give, and both are told the
same), link voltages (one link feeds all), the same part of two units (twins warm alike), and speeds
in stage rolling (the road couples the axles).

A copy that is late, in other steps or turned round is known by the noise that it carries
(``same_noise``): all but torques are compared by that.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from canscope.model.bench import Bench
from canscope.model.history import History
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Floats
from canscope.trust.same_noise import Noise

BLOCK_NS = 100 * SECOND_NS  # readings are compared in blocks; less than the history keeps
FEWEST = 30  # readings that moved, before which nothing is said
CLEAR = 12.0  # times the noise of both, by which they have to move
ALIKE = 2.0  # times the noise of both, which nine readings in ten stay within
SHARE = 90  # percent
SELDOM = 0.01  # two sensors that are alike by more than this chance are left two
ROUGH = 1.4826 / np.sqrt(6.0)  # median absolute second difference -> standard deviation
EVEN = np.sqrt(12.0)  # a step divided by this is the standard deviation of rounding
# Share of noise in common that makes two readings one sensor's: of two units, and of one unit,
# whose converter and supply lend their noise to all that it measures.
APART, TOGETHER = 0.25, 0.8
# All but the two of rounding: common practice, no source.


class Sensors:
    """Follows every two roles that could be one sensor's, over one segment."""

    def __init__(self, bench: Bench, start_ns: int) -> None:
        self._bench, self._start_ns = bench, start_ns
        # Pair -> the chance that two sensors agree so; None once they differed.
        self._chance: dict[tuple[str, str], float | None] = dict.fromkeys(_pairs(bench), 1.0)
        self._noise = {
            (one, other): Noise(
                (2 * bench.bindings[one].half_step, 2 * bench.bindings[other].half_step),
                TOGETHER if one.split(".")[1] == other.split(".")[1] else APART,
            )
            for one, other in _noisy_pairs(bench)
        }

    def feed(self, history: History, until_ns: int) -> None:
        """Compare every block that is over."""
        while until_ns >= self._start_ns + BLOCK_NS:
            self._block(history, self._start_ns + BLOCK_NS)

    def finish(self, history: History, until_ns: int) -> None:
        """Compare what is left."""
        self.feed(history, until_ns)
        self._block(history, until_ns)

    def doubted(self) -> dict[str, str]:
        """Roles that show what another one shows, and why they prove nothing of their own."""
        found: dict[str, str] = {}
        for (one, other), chance in self._chance.items():
            if chance is None or chance > SELDOM:
                continue
            keys = self._bench.keys((one, other))
            text = (
                f"{keys[1]} and {keys[0]} are alike down to their noise while they moved (two"
                f" sensors are so in about one of {1 / chance:.0f} cases): one sensor, so one"
                " witness, not two"
            )
            found.update({one: text, other: text})
        for (one, other), noise in self._noise.items():
            alike = noise.alike()
            if alike is None or (one in found and other in found):
                continue
            keys, (share, late_ms) = self._bench.keys((one, other)), alike
            when = "at the same time" if not late_ms else f"{abs(late_ms):.0f} ms "
            when += "" if not late_ms else "later" if late_ms > 0 else "earlier"
            text = (
                f"{keys[1]} shows the noise of {keys[0]} {when}, sample by sample "
                f"({100 * share:.0f} % of it beyond chance): one sensor, so one witness, not two"
            )
            found.update({one: text, other: text})
        return found

    def _block(self, history: History, end_ns: int) -> None:
        start_ns, self._start_ns = self._start_ns, end_ns
        for pair, known in self._chance.items():
            if known is None:
                continue
            one, other = (history.samples(role).between(start_ns, end_ns).known for role in pair)
            if len(one) < FEWEST or len(other) < FEWEST:
                continue
            steps = [2 * self._bench.bindings[role].half_step for role in pair]
            chance = _chance(one, other, *steps)
            self._chance[pair] = None if chance is None else known * chance
        for (role, twin), noise in self._noise.items():
            noise.add(*(history.samples(r).between(start_ns, end_ns).known for r in (role, twin)))


def _pairs(bench: Bench) -> list[tuple[str, str]]:
    words = () if bench.stage == "rolling" else ("speed",)
    pairs = [
        (one.role(word), other.role(word))
        for word in words
        for one, other in combinations(bench.units, 2)
    ]
    parts = [
        (word, role) for unit in bench.units for word, role in unit.temperature_roles().items()
    ]
    pairs += [(one, other) for (a, one), (b, other) in combinations(parts, 2) if a != b]
    return [pair for pair in pairs if bench.has(*pair)]


def _noisy_pairs(bench: Bench) -> list[tuple[str, str]]:
    speeds = [unit.role("speed") for unit in bench.units]
    parts = [role for unit in bench.units for role in unit.temperature_roles().values()]
    groups = (speeds, list(bench.link_roles().values()), parts)
    return [pair for group in groups for pair in combinations(group, 2) if bench.has(*pair)]


def _chance(one: Samples, other: Samples, one_step: float, other_step: float) -> float | None:
    """How likely two sensors are as alike as these; 1 where neither moved, None if they differ."""
    inside = (other.time_ns >= one.time_ns[0]) & (other.time_ns <= one.time_ns[-1])
    at, shown = other.time_ns[inside], other.value[inside]
    if len(at) < FEWEST:
        return 1.0
    since = one.time_ns[0]
    theirs = np.interp((at - since).astype(float), (one.time_ns - since).astype(float), one.value)
    noise = float(np.hypot(_noise(one.value, one_step), _noise(shown, other_step)))
    if not noise:
        return 1.0
    moved = np.maximum(np.abs(shown - shown[0]), np.abs(theirs - theirs[0]))
    rows = moved > CLEAR / 3 * noise
    span = float(moved.max())
    if span < CLEAR * noise or rows.sum() < FEWEST:
        return 1.0
    apart = [np.percentile(np.abs(shown[rows] - way * theirs[rows]), SHARE) for way in (1, -1)]
    allowed = max(ALIKE * noise, one_step, other_step)
    if min(apart) > allowed * 1.001:
        return None
    # Where each half of the way leads is up to the sensor; it could be anywhere within the span.
    halves = np.array_split(shown[rows], 2)
    return float(np.prod([min(1.0, 2 * allowed / max(np.ptp(h), noise)) for h in halves]))


def _noise(value: Floats, step: float) -> float:
    """Standard deviation of the noise of a reading, not less than that of rounding."""
    rough = float(np.median(np.abs(np.diff(value, 2)))) * ROUGH if len(value) > 2 else 0.0
    return max(float(rough), step / float(EVEN))
