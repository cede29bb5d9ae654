"""Whether the field that comes first for a reference carries the quantity it was taken from.

References are what a person would have, in the unit of the role, in these forms:

- ``logger``: a meter that logs once a second over the whole run, whatever happens, its clock set
  by hand: off by up to 0.3 s, the same for all readings.
- ``30 typed``, ``10 typed``, ``5 typed``: readings taken where the meter stands still and at
  several values if there are, each off by up to 0.3 s.
- ``16 marks``, ``8 marks``, ``3 marks``: brake and accelerator, pressed that often in a run of
  their own (``tests.benchmarks.survey_presses``), each mark off by up to 0.3 s. What is pressed
  later in that run is not marked.
- ``drive``: marks at every press of an ordinary dry spin, in which much else happens with each.

Meters are off by 0.2 % of what they show throughout, and by as much from reading to reading. A
quantity that stayed within 1 %, ten steps of its signal or twice its noise is left out.

The columns:

- ``first``: the field that comes first carries the quantity. Two tracks of one pedal carry one
  quantity, and so does the voltage of the one link that all units share, whoever measures it. The
  speeds of two axles are two quantities, and so are pack and link voltage.
- ``own``: ... and it is the very signal the reference was taken from: strictly first.
- ``group``: ... or the very signal is in the first group, which the ranking itself calls undecided;
  ``size`` is how many fields that group has in the mean, where it is one.
- ``on bus``: as ``own``, where the person says which bus it is on (``can2:units.front.speed=...``).
- ``beside``: ... where ten readings of each of its unit's other quantities are given in one go.
- ``value``: ... as ``first``, and its factor and offset give what the signal says, within 2 % of
  its range at 99 of 100 instants of the whole run. (Not asked of marks.)
- ``READ``: as ``first``, of the field of a plain READ that has the greatest correlation.
- ``told all``: as ``first``, of somebody who is told every layout, factor and offset. What he
  misses, the readings do not say. (Not asked of marks.)
- ``told own``: as ``own``, of him.
- ``clear`` and ``wrong``: how often the ranking says that the first is clear, and how often it is
  then not the very signal.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from canscope.model.definition import SignalSpec
from canscope.simulate.wiring import Encoding
from canscope.survey.counters import positions
from canscope.survey.payloads import field_values, raw_values
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
TYPED = (30, 10, 5)
BESIDE = "10 typed"
METER = 0.002  # of what it shows
HAND_S = 0.3  # how far a time lies from its instant


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
    def quantity(self) -> str:
        """What it measures: the same for all signals that measure the same thing."""
        name = self.spec.name.removesuffix("2")
        return name if name in ("Pedal", "LinkVoltage") else f"{self.key} {name}"

    @property
    def rest(self) -> float:
        """The value it has most often."""
        return float(np.bincount(self.raw - self.raw.min()).argmax() + self.raw.min())


@dataclass
class Shares:
    """Counts over references of one kind."""

    count: int = 0
    first: int = 0
    own: int = 0
    group: int = 0
    undecided: int = 0
    sizes: int = 0
    on_bus: int = 0
    beside: int = 0
    value: int = 0
    read: int = 0
    oracle: int = 0
    oracle_own: int = 0
    clear: int = 0
    clear_wrong: int = 0

    def row(self, name: str) -> str:
        marks = "marks" in name or "drive" in name
        told = (None, None, None) if marks else (self.value, self.oracle, self.oracle_own)
        size = f"{self.sizes / self.undecided:>9.1f}" if self.undecided else " " * 9
        shares = (self.on_bus, self.beside if BESIDE in name else None, *told, self.read)
        head = f"{name:26}{self.count:>5}"
        head += self._cells(self.first, self.own, self.group) + size
        return head + self._cells(*shares, self.clear) + f"{self.clear_wrong:>9}"

    def _cells(self, *counts: int | None) -> str:
        return "".join(
            " " * 9 if count is None else f"{count / max(self.count, 1):>9.3f}" for count in counts
        )


HEADINGS = ("first", "own", "group", "size", "on bus", "beside", "value")
HEADINGS += ("told all", "told own", "READ", "clear", "wrong")
HEAD = f"{'':26}{'of':>5}{''.join(f'{h:>9}' for h in HEADINGS)}"


@dataclass
class Tally:
    """The shares by form and by form and signal, and what was missed."""

    shares: dict[str, Shares] = field(default_factory=dict)
    missed: list[str] = field(default_factory=list)

    def readings(self, found, signals: Sequence[Signal], rng, seed: int) -> None:
        """Every meter that could have been read on this run, in every form."""
        asked = [(one, form, ref) for one in signals for form, ref in values_for(rng, one)]
        for signal, form, reference in asked:
            channel = signal.spec.channel
            others = [
                other
                for one, its_form, other in asked
                if form == its_form == BESIDE and one is not signal
                if one.spec.channel == channel != "can0"
            ]
            self._ask(found, signals, signal, form, [reference, *others], seed)

    def marks(self, found, signals, rng, seed: int, form: str, pressed) -> None:
        """Brake and accelerator, pressed at these seconds."""
        for signal in signals:
            at = pressed.get(signal.spec.name, [])
            if len(at) > 1:
                marks = np.sort(at + rng.uniform(-HAND_S, HAND_S, len(at)))
                reference = Reference(ROLES[signal.spec.name], tuple(marks.tolist()))
                self._ask(found, signals, signal, form, [reference], seed)

    def _ask(self, found, signals, signal, form, references, seed) -> None:
        reference = references[0]
        ranking = rank(found, [reference])[0]
        owners = owners_of(signals, ranking)
        beside = owners_of(signals, rank(found, references)[0]) if references[1:] else owners
        located = replace(reference, channel=signal.spec.channel)
        on_bus = owners_of(signals, rank(found, [located])[0])
        told = told_all(signals, reference)
        best = owners[0] if owners else None
        right = is_same(best, signal)
        for name in (form, f"{form}: {signal.spec.name}"):
            row = self.shares.setdefault(name, Shares())
            row.count += 1
            row.first += right
            row.own += best is signal
            row.group += signal in owners[: ranking.tied]
            row.undecided += ranking.tied > 1
            row.sizes += ranking.tied if ranking.tied > 1 else 0
            row.on_bus += bool(on_bus) and on_bus[0] is signal
            row.beside += bool(beside) and beside[0] is signal
            row.value += right and gives_values(found, ranking.candidates[0], best)
            row.oracle += is_same(told, signal)
            row.oracle_own += told is signal
            row.read += is_same(owner(signals, *by_read(found, reference)), signal)
            row.clear += ranking.clear
            row.clear_wrong += ranking.clear and best is not signal
        if not right:
            what = f"{best.key} {best.spec.name}" if best else "nothing"
            self.missed.append(f"{seed} {form} {signal.key} {signal.spec.name}: {what}")


def owners_of(signals, ranking) -> list[Signal | None]:
    """The true signals of its candidates."""
    return [owner(signals, c.identifier.key, positions(c.field)) for c in ranking.candidates]


def is_same(one: Signal | None, true: Signal) -> bool:
    """Whether it measures the same quantity."""
    return one is not None and one.quantity == true.quantity


def gives_values(found, candidate, true: Signal) -> bool:
    """Whether factor and offset of a candidate give what the signal says, in its role's unit."""
    [one] = [each for each in found if each.identifier.key == candidate.identifier.key]
    order = np.argsort(one.payloads.time_ns, kind="stable")
    raw = field_values(one.payloads, candidate.field)[order]
    wrong = np.abs(raw * candidate.factor + candidate.offset - true.value)
    return bool(np.mean(wrong <= 0.02 * np.ptp(true.value)) >= 0.99)


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


def presses(signal: Signal) -> list[float]:
    """When it left its rest, of which there must be two."""
    spec, raw, at_s = signal.spec, signal.raw, signal.at_s
    if len(at_s) < 20 or spec.name not in MARKED:
        return []
    if spec.name == "Pedal" and np.ptp(raw) * abs(spec.factor) < 10:
        return []  # never pressed: noise
    away = np.abs(raw - signal.rest) > 0.2 * np.ptp(raw)
    starts = at_s[1:][away[1:] & ~away[:-1]]
    starts = starts[np.diff(starts, prepend=-9.0) > 2.0]  # a pedal that trembles was pressed once
    return starts.tolist()


def values_for(rng, signal: Signal) -> Iterator[tuple[str, Reference]]:
    """What a person would type in or log, from the signal's own values."""
    at_s, value = signal.at_s, signal.value
    if len(at_s) < 20 or signal.spec.name not in ROLES or signal.spec.name == "BrakePressed":
        return
    logged = np.arange(at_s[0] + 1, at_s[-1] - 1, 1.0)
    asked = [("logger", logged, rng.uniform(-HAND_S, HAND_S))]
    for count in TYPED:
        times = steady(rng, at_s, value, count)
        if len(times) >= min(count, 8):
            asked.append((f"{count} typed", times, rng.uniform(-HAND_S, HAND_S, len(times))))
    for form, times, off in asked:
        true = value[np.searchsorted(at_s, times) - 1]
        seen = true * (1 + rng.normal(0, METER)) * (1 + rng.normal(0, METER, len(times)))
        noise = np.median([np.ptp(value[np.abs(at_s - at) < 0.6]) for at in times])
        if np.ptp(true) >= max(10 * signal.step, 0.01 * np.abs(true).max(), 2 * noise):
            role = ROLES[signal.spec.name]
            yield form, Reference(role, tuple((times + off).tolist()), tuple(seen.tolist()))


def steady(rng, at_s, value, count: int) -> np.ndarray:
    """Up to ``count`` instants at which it stands still enough to be read, over its whole range."""
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
    each = [rng.permutation(calm[bins == level]) for level in np.unique(bins)]
    # In turn from every level, until there are enough.
    turns = [rows[turn] for turn in range(len(calm)) for rows in each if turn < len(rows)]
    return times[np.sort(turns[:count])]


def rows(tally: Tally) -> Iterator[str]:
    """The table."""
    yield HEAD
    forms = [name for name in tally.shares if ":" not in name]
    for name in sorted(forms, key=ORDER.index):
        yield tally.shares[name].row(name)
    for name in sorted(name for name in tally.shares if ":" in name):
        yield tally.shares[name].row(name)


ORDER = ["logger", "30 typed", "10 typed", "5 typed", "16 marks", "8 marks", "3 marks", "drive"]
