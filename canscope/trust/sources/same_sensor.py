"""Do two roles show what one sensor measures? Then they are one witness, not two.

Compared are the speeds of two units, and temperatures of different parts: what drives them is not
the same, so that nothing but one sensor makes them alike down to their noise while they move
clearly. Not compared so: torques (a unit may report what it was told to give, and both are told the
same), link voltages (one link feeds all), the same part of two units (twins warm alike), and speeds
in stage rolling (the road couples the axles).

A copy that is late, in other steps or turned round is known by the noise that it carries
(``same_noise``). Torques are compared by that alone, and only while they rest: what a unit was told
to give has no noise then.

What a node sends in its first second with all poles open is left out: start-up values of two
sensors are alike, and so is the way from them to the ambient.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from canscope.model.bench import Bench
from canscope.model.differences import differences_from
from canscope.model.history import History, step_at
from canscope.model.median import median, percentile
from canscope.model.signals import NEVER, Samples
from canscope.model.tables import SECOND_NS, Floats
from canscope.trust.sources.same_noise import Noise

BLOCK_NS = 100 * SECOND_NS  # readings are compared in blocks; less than the history keeps
WAKES_NS = SECOND_NS  # in which a node may send start-up values
RESTS_RPM = 20.0
FEWEST = 30  # readings that moved, before which nothing is said
CLEAR = 12.0  # times the noise of both, by which they have to move
STAMPS_NS = 15 * 10**5  # by which two adapters' stamps of one instant may differ, beside a shift
ALIKE = 2.0  # times the noise of both, which nine readings in ten stay within
SHARE = 90  # percent
INEXACT = 0.02  # of the changes, that may come a reading early or late
ROUGH_RPM = 5.0  # noise of two speeds, as of resolvers
DITHERED = 1.3  # times the noise of rounding
MEAN, MEANS, ROUNDED = 20, 10, 0.15  # readings in a mean, in which noise and steps fall out
SELDOM = 0.01  # two sensors that are alike by more than this chance are left two
ROUGH = 1.4826 / np.sqrt(6.0)  # median absolute second difference -> standard deviation
EVEN = np.sqrt(12.0)  # a step divided by this is the standard deviation of rounding
# Share of noise in common that makes two readings one sensor's: of two units, and of one unit,
# whose converter and supply lend their noise to all that it measures.
APART, TOGETHER, PEDAL = 0.25, 0.8, 0.4  # the tracks of a pedal have supplies of their own
TRACKS = ("driver.pedal", "driver.pedal_2")
# All but the two of rounding: common practice, no source.


@dataclass
class Tracks:
    """Two readings whose changes are compared one by one.

    ``apart`` are readings of one that are the other's just before or after: stamps are not exact.
    """

    changes: int = 0
    apart: int = 0
    differ: bool = False

    def add(self, one: Samples, other: Samples) -> None:
        """Compare one block of both."""
        if self.differ or len(one) < 2 or not len(other):
            return
        last = (one.time_ns.searchsorted(other.time_ns, "right") - 1).clip(0)
        # At the edges of a block the reading beside it lies in another one.
        inside = (last > 0) & (last < len(one) - 1)
        apart = np.flatnonzero(inside & (one.value[last] != other.value))
        beside = np.stack([last[apart] - 1, last[apart] + 1])
        self.differ = bool((one.value[beside] != other.value[apart]).all(axis=0).any())
        self.apart += len(apart)
        self.changes += int(np.count_nonzero(np.diff(other.value)))

    @property
    def alike(self) -> bool:
        """Whether they are one, to the bit."""
        few = self.apart <= INEXACT * self.changes
        return few and not self.differ and self.changes >= FEWEST


class Sensors:
    """Follows every two roles that could be one sensor's, over one segment."""

    def __init__(self, bench: Bench, start_ns: int) -> None:
        self._bench, self._start_ns = bench, start_ns
        # Pair -> the chance that two sensors agree so; None once they differed.
        self._chance: dict[tuple[str, str], float | None] = dict.fromkeys(_pairs(bench), 1.0)
        self._tracks = {pair: Tracks() for pair in _tracked(bench)}
        self._noise = {
            (one, other): Noise(
                (2 * bench.bindings[one].half_step, 2 * bench.bindings[other].half_step),
                _share(one, other),
                one.endswith(".torque"),
            )
            for one, other in _noisy_pairs(bench)
        }
        self._roles = sorted(
            {role for pair in (*self._chance, *self._noise, *self._tracks) for role in pair}
        )
        # When each role was last heard, and when its node last woke.
        self._heard: dict[str, tuple[int, int]] = {}

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
        for pair, tracks in self._tracks.items():
            if not tracks.alike or set(pair) <= found.keys():
                continue
            keys = self._bench.keys(pair)
            text = (
                f"{keys[1]} changed {tracks.changes} times, each time with {keys[0]} and by "
                "as much, to the bit: one sensor, so one witness, not two"
            )
            found.update(dict.fromkeys(pair, text))
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
        shown = {r: self._awake(history, r, start_ns, end_ns) for r in self._roles}
        for pair, known in self._chance.items():
            if known is None:
                continue
            one, other = (shown[role] for role in pair)
            if len(one) < FEWEST or len(other) < FEWEST:
                continue
            steps = [2 * self._bench.bindings[role].half_step for role in pair]
            chance = _chance(one, other, *steps, slow=".temperatures." in pair[0])
            self._chance[pair] = None if chance is None else known * chance
        for pair, tracks in self._tracks.items():
            tracks.add(*(shown[role] for role in pair))
        for (role, twin), noise in self._noise.items():
            noise.add(shown[role], shown[twin])

    def _awake(self, history: History, role: str, start_ns: int, end_ns: int) -> Samples:
        """What a role showed in a block, less what may be start-up values."""
        samples = history.samples(role).between(start_ns, end_ns)
        times = samples.time_ns
        if not len(times):
            return samples
        heard_ns, woke_ns = self._heard.get(role, (int(NEVER), int(NEVER)))
        woke = differences_from(heard_ns, times) > history.patience_ns(role, times)
        since_ns = np.maximum.accumulate(np.where(woke, times, np.int64(woke_ns)))
        self._heard[role] = int(times[-1]), int(since_ns[-1])
        new = times - since_ns < WAKES_NS
        if new.any():
            new &= step_at(history.samples("@engaged"), times) != 1
        return samples[~new].known if new.any() else samples.known


def _pairs(bench: Bench) -> list[tuple[str, str]]:
    speeds = [unit.role("speed") for unit in bench.units if bench.stage != "rolling"]
    pairs = list(combinations(speeds, 2))
    parts = [
        (word, role) for unit in bench.units for word, role in unit.temperature_roles().items()
    ]
    words = {unit.name: set(unit.temperature_roles()) for unit in bench.units}
    for (a, one), (b, other) in combinations(parts, 2):
        units = [words[role.split(".")[1]] for role in (one, other)]
        # A part may have one name in this unit and another one in that: they have to share one.
        if a != b and (b in units[0] or a in units[1]):
            pairs.append((one, other))
    return [pair for pair in pairs if bench.has(*pair)]


def _tracked(bench: Bench) -> list[tuple[str, str]]:
    """Pairs whose changes are compared one by one; two sensors never change as one.

    In rolling the road couples the axles, and two speeds in coarse steps may.
    """
    speeds = [unit.role("speed") for unit in bench.units if bench.stage != "rolling"]
    groups = (speeds, list(bench.link_roles().values()), TRACKS)
    return [pair for group in groups for pair in combinations(group, 2) if bench.has(*pair)]


def _noisy_pairs(bench: Bench) -> list[tuple[str, str]]:
    speeds = [unit.role("speed") for unit in bench.units]
    parts = [role for unit in bench.units for role in unit.temperature_roles().values()]
    torques = [unit.role("torque") for unit in bench.units]
    groups = (speeds, torques, list(bench.link_roles().values()), parts, TRACKS)
    return [pair for group in groups for pair in combinations(group, 2) if bench.has(*pair)]


def _share(one: str, other: str) -> float:
    """The share of noise in common that makes two roles one sensor's."""
    if one in TRACKS:
        return PEDAL
    return TOGETHER if one.split(".")[1] == other.split(".")[1] else APART


def _chance(
    one: Samples, other: Samples, one_step: float, other_step: float, *, slow: bool
) -> float | None:
    """How likely two sensors are as alike as these; 1 where neither moved, None if they differ.

    ``slow``: what they measure moves so slowly that means of their readings tell as well.
    """
    inside = (other.time_ns >= one.time_ns[0]) & (other.time_ns <= one.time_ns[-1])
    at, shown = other.time_ns[inside], other.value[inside]
    if len(at) < FEWEST:
        return 1.0
    since = one.time_ns[0]
    theirs = np.interp((at - since).astype(float), (one.time_ns - since).astype(float), one.value)
    noise = float(np.hypot(_noise(one.value, one_step), _noise(shown, other_step)))
    if not noise or (noise > ROUGH_RPM and not slow):
        return 1.0  # so rough, two units that are asked alike are alike; the noise itself tells
    # Stamps are not exact: while it moves fast, one sensor's readings differ by that much more.
    rate = np.abs(differences_from(float(theirs[0]), theirs))
    rate /= np.maximum(differences_from(int(at[0]) - 1, at), 1)
    loose = STAMPS_NS * np.maximum(rate, np.append(rate[1:], 0.0))
    off = [shown - way * theirs for way in (1, -1)]
    apart = [np.maximum(np.abs(one) - loose, 0.0) for one in off]
    step = max(one_step, other_step)
    rest = (float(shown[0]), float(theirs[0])) if slow else (_rest(shown), _rest(theirs))
    # Each reading by itself, and means of twenty, in which noise and steps fall out.
    single = _alike(shown, theirs, apart, rest, noise, max(ALIKE * noise, step), 2)
    count = len(shown) // MEAN * MEAN
    rounding = float(np.hypot(one_step, other_step) / EVEN)
    # Twins in coarse steps step at the same times; only noise across steps lets means tell more.
    if not slow or count < MEANS * MEAN or noise < DITHERED * rounding:
        return single
    means = [_means_of(values[:count]) for values in (shown, theirs, *off)]
    fine, closer = noise / MEAN**0.5, max(ALIKE * noise / MEAN**0.5, ROUNDED * step)
    several = _alike(means[0], means[1], means[2:], rest, fine, closer, 4)
    known = [chance for chance in (single, several) if chance is not None]
    return None if single is None and several in (None, 1.0) else min(known)


def _rest(rpm: Floats) -> float:
    """What a speed reads at standstill: what it read most of the time, if that is nearly 0.

    A wheel may have been turned by hand at first, and a resolver may read some rpm too many.
    """
    level = float(median(rpm))
    return level if abs(level) <= RESTS_RPM else 0.0


def _means_of(values: Floats) -> Floats:
    mean: Floats = values.reshape(-1, MEAN).mean(axis=1)
    return mean


def _alike(
    shown: Floats,
    theirs: Floats,
    apart: list[Floats],
    rest: tuple[float, float],
    noise: float,
    allowed: float,
    parts: int,
) -> float | None:
    """How likely two sensors are as alike as these readings; None if they differ."""
    moved = np.maximum(np.abs(shown - rest[0]), np.abs(theirs - rest[1]))
    rows = moved > CLEAR / 3 * noise
    if moved.max() < CLEAR * noise or rows.sum() < min(FEWEST, len(shown) // 3):
        return 1.0
    if min(percentile(np.abs(one[rows]), SHARE) for one in apart) > allowed * 1.001:
        return None
    # Where each part of the way leads is up to the sensor; it could be anywhere within the span.
    ways = np.array_split(shown[rows], parts)
    return float(np.prod([min(1.0, 2 * allowed / max(np.ptp(way), noise)) for way in ways]))


def _noise(value: Floats, step: float) -> float:
    """Standard deviation of the noise of a reading, not less than that of rounding."""
    rough = median(np.abs(np.diff(value, 2))) * ROUGH if len(value) > 2 else 0.0
    return max(float(rough), step / float(EVEN))
