"""Whether the field that comes first for a reference is the one it was taken from.

References are what a person would have, in the unit of the role: up to ten readings of a meter,
taken where it stands still and at several values if there are, off by 0.2 % and by up to 0.3 s;
a mark at each of up to eight presses, off by up to 0.3 s. A quantity whose readings stayed within
1 %, ten steps of its signal or twice its noise is left out.

Some signals move alike: the speeds of two axles turned at once, two links of one pack, two tracks
of a pedal. Several shares therefore stand side by side:

- ``first``: the true field comes first. Nothing is granted.
- ``together``: ... where speed and link voltage of a unit are given in one run, as one file.
- ``READ``: the field of a plain READ that has the greatest correlation with the reference.
- ``or image``: ... or a field that gave every reading as well, told its true factor and offset, so
  that no method could tell the two apart; of marks: one that began to move within 0.1 s of the
  true one at every mark.
- ``all tied``: the true field is among those that the ranking itself calls equally good.
- ``told all``: how often somebody is right who is told every layout, factor and offset. What he
  misses, the readings do not say. (Not asked of marks.)
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from canscope.model.definition import SignalSpec
from canscope.simulate.wiring import Encoding
from canscope.survey.counters import positions
from canscope.survey.payloads import raw_values
from canscope.survey.ranking import rank
from canscope.survey.reference import Reference
from tests.benchmarks.survey_truth import bits_of, read_plain

ROLES = {
    "PackVoltage": "pack.voltage",
    "PackCurrent": "pack.current",
    "MotorSpeed": "units.front.speed",
    "LinkVoltage": "units.front.link_voltage",
    "ControlVoltage": "supply.voltage",
    "Pedal": "driver.pedal",
    "BrakePressed": "driver.brake",
}
MARKED = ("BrakePressed", "Pedal")
METER = 0.002  # of what it shows
NATS = 3.0  # log odds below which readings do not tell two signals apart
SAME_S = 0.1


@dataclass(frozen=True, eq=False)
class Signal:
    """One true signal: seconds from the first frame, raw codes, and values in its role's unit."""

    spec: SignalSpec
    key: str
    at_s: np.ndarray
    raw: np.ndarray
    value: np.ndarray
    step: float

    @property
    def rest(self) -> float:
        """The value it has most often."""
        return float(np.bincount(self.raw - self.raw.min()).argmax() + self.raw.min())


@dataclass
class Shares:
    """Counts over references of one kind."""

    count: int = 0
    first: int = 0
    together: int = 0
    image: int = 0
    tied: int = 0
    ties: int = 0  # references for which the ranking says that several are equally good
    oracle: int = 0
    read: int = 0
    clear: int = 0
    clear_wrong: int = 0  # neither the true field nor an image

    def row(self, name: str) -> str:
        shares = (self.first, self.together, self.read, self.oracle, self.image, self.tied)
        cells = "".join(f"{share / max(self.count, 1):>10.3f}" for share in shares)
        return f"{name:24}{self.count:>5}{cells}{self.ties:>6}{self.clear:>7}{self.clear_wrong:>7}"


HEADINGS = ("first", "together", "READ", "told all", "or image", "all tied")
HEAD = f"{'':24}{'of':>5}{''.join(f'{h:>10}' for h in HEADINGS)}{'ties':>6}{'clear':>7}{'wrong':>7}"


@dataclass
class Tally:
    """The shares by kind and by kind and signal, and what was missed."""

    shares: dict[str, Shares] = field(default_factory=dict)
    missed: list[str] = field(default_factory=list)

    def ask(self, found, signals: Sequence[Signal], rng, seed: int) -> None:
        """Every reference that this vehicle offers."""
        asked = [
            (signal, reference)
            for signal in signals
            for reference in (values_for(rng, signal), marks_for(rng, signal))
            if reference is not None
        ]
        for signal, reference in asked:
            of_its_unit = [
                other
                for one, other in asked
                if one is not signal and one.spec.channel == signal.spec.channel != "can0"
            ]
            self._ask(found, signals, signal, [reference, *of_its_unit], seed)

    def _ask(self, found, signals, signal, references, seed) -> None:
        reference = references[0]
        ranking = rank(found, [reference])[0]
        together = rank(found, references)[0] if len(references) > 1 else ranking
        owners = [owner(signals, c.identifier.key, positions(c.field)) for c in ranking.candidates]
        best = owners[0] if owners else None
        alike = best is not None and images(signal, best, reference)
        tied = owners[: ranking.tied]
        for name in (reference.kind, f"{reference.kind}: {signal.spec.name}"):
            row = self.shares.setdefault(name, Shares())
            row.count += 1
            row.first += best is signal
            row.together += bool(together.candidates) and signal is owner(
                signals,
                together.candidates[0].identifier.key,
                positions(together.candidates[0].field),
            )
            row.image += best is signal or alike
            row.tied += signal in tied
            row.ties += ranking.tied > 1
            row.oracle += told_all(signals, reference) is signal
            row.read += owner(signals, *by_read(found, reference)) is signal
            row.clear += ranking.clear
            row.clear_wrong += ranking.clear and best is not signal and not alike
        if best is not signal:
            what = best.spec.key if best else "nothing"
            how = "an image" if alike else "WRONG"
            self.missed.append(f"{seed} {reference.kind} {signal.spec.key}: {what}, {how}")


def signal_of(spec: SignalSpec, key: str, at_s, data, encoding: Encoding | None) -> Signal:
    """Its values in the unit of the role, as a meter would show them."""
    low = bits_of(spec)[0]
    bits = {"big_endian": spec.big_endian, "signed": spec.signed}
    raw = raw_values(data, low, spec.length_bits, **bits)
    own = encoding if encoding and not encoding.codes else Encoding()
    value = (raw * spec.factor + spec.offset - own.offset) / own.scale
    return Signal(spec, key, at_s, raw, value, abs(spec.factor / own.scale))


def owner(signals: Sequence[Signal], key: str, bits) -> Signal | None:
    """The signal most of whose bits these are."""
    mine = set(bits)
    shared = [(len(mine & set(bits_of(s.spec))), s) for s in signals if s.key == key]
    most, best = max(shared, key=lambda pair: pair[0], default=(0, None))
    return best if most else None


def evidence(signal: Signal, reference: Reference) -> float:
    """Log likelihood of the readings, told factor and offset."""
    total, y = 0.0, np.array(reference.value)
    fine = METER * np.abs(y) + 0.001 * np.abs(y).max()
    for at, value, sd in zip(reference.at_s, y, fine, strict=True):
        a, b = np.searchsorted(signal.at_s, (at - 0.3, at + 0.3))
        near = signal.value[max(a - 1, 0) : b + 1]
        if not len(near):
            return -np.inf
        known = sd**2 + (signal.step / 2) ** 2 / 3 + (np.ptp(near) / 2) ** 2
        total += max(-0.5 * ((value - near.mean()) ** 2 / known + np.log(known)), -30.0)
    return total


def onsets(signal: Signal, reference: Reference) -> np.ndarray:
    """When it begins to move around each mark; NaN where it does not."""
    out = np.full(len(reference.at_s), np.nan)
    far = 0.2 * np.ptp(signal.raw)
    for i, at in enumerate(reference.at_s):
        a, b = np.searchsorted(signal.at_s, (at - 0.7, at + 1.3))
        part = signal.raw[max(a - 1, 0) : b].astype(float)
        moved = np.flatnonzero(np.abs(part - part[:1]) > far) if far else []
        if len(moved):
            out[i] = signal.at_s[max(a - 1, 0) + moved[0]]
    return out


def images(true: Signal, other: Signal, reference: Reference) -> bool:
    """Whether the reference does not tell the two signals apart."""
    if other is true:
        return True
    if reference.value is None:
        return bool(np.all(np.abs(onsets(true, reference) - onsets(other, reference)) <= SAME_S))
    return evidence(other, reference) > evidence(true, reference) - NATS


def told_all(signals: Sequence[Signal], reference: Reference) -> Signal | None:
    """The signal that a judge takes who knows all of them; none for marks."""
    if reference.value is None:
        return None
    return max(signals, key=lambda s: evidence(s, reference))


def by_read(found, reference: Reference) -> tuple[str, Sequence[int]]:
    """The field of a plain READ that has the greatest correlation with the reference."""
    best, place = -1.0, ("", ())
    for one in found:
        order = np.argsort(one.payloads.time_ns, kind="stable")
        data, at_s = one.payloads.data[order], one.payloads.time_ns[order] / 1e9
        at_s = at_s - min(int(each.payloads.all_ns.min()) for each in found) / 1e9
        for part in read_plain(data):
            if part.kind != "number":
                continue
            value = sum(
                (data[:, bit // 8] >> (bit % 8) & 1).astype(float) * 2.0**i
                for i, bit in enumerate(part.bits)
            )
            if reference.value is None:
                marks = np.array(reference.at_s)
                near = np.abs(at_s[:, None] - marks - 0.5).min(axis=1) < 0.5
                x, y = value, near.astype(float)
            else:
                rows = np.searchsorted(at_s, reference.at_s) - 1
                x, y = value[rows], np.array(reference.value)
            if np.ptp(x) > 0 and np.ptp(y) > 0 and (r := abs(np.corrcoef(x, y)[0, 1])) > best:
                best, place = r, (one.identifier.key, part.bits)
    return place


def marks_for(rng, signal: Signal) -> Reference | None:
    """A mark at each press, of which there must be two."""
    spec, raw, at_s = signal.spec, signal.raw, signal.at_s
    if len(at_s) < 20 or spec.name not in MARKED:
        return None
    if spec.name == "Pedal" and np.ptp(raw) * abs(spec.factor) < 10:
        return None  # never pressed: noise
    away = np.abs(raw - signal.rest) > 0.2 * np.ptp(raw)
    starts = at_s[1:][away[1:] & ~away[:-1]]
    starts = starts[np.diff(starts, prepend=-9.0) > 2.0]  # a pedal that trembles was pressed once
    if len(starts) < 2:
        return None
    marks = starts[:8] + rng.uniform(-0.3, 0.3, len(starts[:8]))
    return Reference(ROLES[spec.name], tuple(sorted(marks.tolist())))


def values_for(rng, signal: Signal) -> Reference | None:
    """What a person would type in, from the signal's own values."""
    at_s, value = signal.at_s, signal.value
    if len(at_s) < 20 or signal.spec.name not in ROLES or signal.spec.name == "BrakePressed":
        return None
    times = steady(rng, at_s, value)
    seen = value[np.searchsorted(at_s, times) - 1] * (1 + rng.normal(0, METER, len(times)))
    if len(times) < 4:
        return None
    span = np.ptp(seen)
    noise = np.median([np.ptp(value[np.abs(at_s - at) < 0.6]) for at in times])
    if span < max(10 * signal.step, 0.01 * np.abs(seen).max(), 2 * noise):
        return None
    typed = times + rng.uniform(-0.3, 0.3, len(times))
    return Reference(ROLES[signal.spec.name], tuple(typed.tolist()), tuple(seen.tolist()))


def steady(rng, at_s, value) -> np.ndarray:
    """Up to ten instants at which it stands still enough to be read, over its whole range."""
    times = np.sort(rng.uniform(at_s[0] + 1, at_s[-1] - 1, 400))
    first, last = np.searchsorted(at_s, times - 0.6), np.searchsorted(at_s, times + 0.6)
    spans = np.array([np.ptp(value[a : b + 1]) for a, b in zip(first, last, strict=True)])
    calm = np.flatnonzero(spans < 0.03 * np.ptp(value))
    if len(calm) == 0:
        return times[:0]
    # At as many different values as there are, not ten times the same one.
    levels = value[np.searchsorted(at_s, times[calm]) - 1]
    edges = np.linspace(levels.min(), levels.max(), 6)
    bins = np.clip(np.digitize(levels, edges) - 1, 0, 4)
    chosen: list[int] = []
    for level in np.unique(bins):
        rows = calm[bins == level]
        chosen += rng.choice(rows, min(len(rows), 3), replace=False).tolist()
    return times[np.sort(rng.permutation(chosen)[:10])]


def rows(tally: Tally) -> Iterator[str]:
    """The table."""
    yield HEAD
    for name in ("values", "marks", *sorted(set(tally.shares) - {"values", "marks"})):
        yield tally.shares.get(name, Shares()).row(name)
