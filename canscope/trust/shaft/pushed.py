"""Does a shaft turn that is pushed with the brake released?

A strong torque would turn the heaviest shaft. One that has turned a shaft from standstill, with the
pedal pressed, turns it again: where it then stands, or creeps, for far longer, something holds it,
or torque or speed are not what they are called.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from canscope.model.history import History
from canscope.model.tables import SECOND_NS, Floats
from canscope.trust.remark import Remark
from canscope.trust.samples.clock_alignment import Alignment
from canscope.trust.samples.tenths import REACH, TENTH_NS, Tenths

BRAKE, PEDAL = "driver.brake", "driver.pedal"
# All common practice, no source.
STANDS_RPM, TURNS_RPM = 30.0, 50.0
LASTS, PUSH_NMS = 3, 10.0  # tenths: 1 kg m2, which no shaft on stands has, gains 95 rpm by it
IDLE_NM = 2.0  # of a unit that does not push
PRESSED = 5.0  # percent of pedal
STRONG = 0.85  # of the torque by which it started
TIMES, CREPT_TIMES, LEAST_NMS = 1.8, 3.0, 2.0  # as much as it needed to start
FOR_THE_MOST = 0.5  # of the readings of the pedal
LONGEST, KEPT = 100, 16  # tenths of one push, and pushes
HELD = 3  # tenths for which a reading holds that comes more seldom


# A push under which the shaft stood or crept: its first instant, whether it crept, and its tenths.
Stood = tuple[int, bool, tuple[float, ...]]


@dataclass
class Pushes:
    """One shaft: how it started, and how it was pushed at most while it stood.

    ``starts`` are the largest torque of a start, and the push that it took in Nms; ``now`` are the
    tenths of the push that goes on, in Nm, by which it ``moved`` a little; ``stood`` are the
    strongest ones under which it stood or crept.
    """

    starts_Nm: float = 0.0
    starts_Nms: float = 0.0
    now: tuple[float, ...] = ()
    moved: bool = False
    stood: tuple[Stood, ...] = ()


class Pushed:
    """Follows torque and speed of each shaft of one segment, on stands, tenth by tenth."""

    def __init__(self, tenths: Tenths) -> None:
        self._tenths = tenths
        stands = tenths.bench.stage != "rolling" and tenths.bench.has(BRAKE)
        self._pairs = tenths.pairs if stands else []
        self._pushes = {pair: Pushes() for pair in self._pairs if tenths.bench.has(PEDAL)}
        self._found: dict[str, Remark] = {}  # by role

    def feed(self, history: History) -> None:
        """Look at the tenths that became known."""
        for remark in self._strong(history):
            self._found.setdefault(remark.role, remark)
        for pair, pushes in self._pushes.items():
            self._follow(pair, pushes, history)

    def close(self, history: History) -> None:
        """Keep the pushes that go on as the run ends."""
        end = self._tenths.end
        for pushes in self._pushes.values():
            if pushes.now:
                first_ns = self._tenths.at_ns(end - len(pushes.now))
                self._file(pushes, (first_ns, self._tenths.at_ns(end - 1) + TENTH_NS), history)

    def finish(self, alignment: Alignment) -> Iterator[Remark]:
        """What was wrong first with each shaft, unless clocks that differ make it look so."""
        for pair, pushes in self._pushes.items():
            for remark in _stood(pair, pushes):
                self._found.setdefault(remark.role, remark)
        for remark in self._found.values():
            inputs = [role for role in (BRAKE, PEDAL) if self._tenths.bench.has(role)]
            if alignment.between(self._tenths.bench, (remark.role, *inputs)) is None:
                yield remark

    def _strong(self, history: History) -> Iterator[Remark]:
        """A torque that would turn the heaviest shaft, and turns none, with the brake released."""
        rows = self._tenths.rows(LASTS + REACH)
        if not len(rows):
            return
        for torque, speed in self._pairs:
            means = self._tenths.of[torque].mean
            for row in rows[np.abs(means[rows]) * LASTS / 10 > PUSH_NMS].tolist():  # seldom
                now, near = slice(row - LASTS + 1, row + 1), slice(row - LASTS, row + 1 + REACH)
                low, high = self._tenths.of[speed].low[near], self._tenths.of[speed].high[near]
                stands = max(-float(np.min(low)), float(np.max(high))) < STANDS_RPM
                push_Nms = abs(float(np.sum(means[now]))) / 10
                if not (stands and push_Nms > PUSH_NMS and self._tenths.closed[near].all()):
                    continue
                since_ns = self._tenths.at_ns(near.start)
                if self._released(history, since_ns, self._tenths.at_ns(row) + TENTH_NS):
                    text = f"pushed with {10 * push_Nms / LASTS:.0f} Nm for {LASTS / 10:g} s with "
                    text += "the brake released, and its shaft stood: something holds it, or the "
                    text += "torque is not what it gives"
                    yield from (Remark(role, "wrong", text, since_ns) for role in (torque, speed))
                    break

    def _follow(self, pair: tuple[str, str], pushes: Pushes, history: History) -> None:
        """Take in the new tenths of one shaft: pushes, and whether it started by them."""
        torque, speed = (self._tenths.of[role] for role in pair)
        rows = self._tenths.rows(HELD + 1)
        near = np.abs(torque.mean[rows[:, None] - np.arange(HELD + 1)])
        loud = (near >= IDLE_NM).any(axis=1)  # seldom
        for row, may_push in zip(rows.tolist(), loud.tolist(), strict=True):
            if not may_push and not pushes.now:
                continue
            newton_m = _held(torque.mean, row)
            rpm = max(-_held(speed.low, row), _held(speed.high, row))
            pushes_on = abs(newton_m) >= IDLE_NM and self._tenths.both[row]
            if pushes_on and rpm < TURNS_RPM:
                pushes.now = (*pushes.now, newton_m)[-LONGEST:]
                pushes.moved |= not rpm < STANDS_RPM
                continue
            before = max(-_held(speed.low, row - 1), _held(speed.high, row - 1))
            ends = self._tenths.at_ns(row - len(pushes.now)), self._tenths.at_ns(row)
            if pushes_on and rpm >= TURNS_RPM and (pushes.now or before < STANDS_RPM):
                if _pressed(history, ends[1], ends[1] + TENTH_NS):
                    took = np.abs([*pushes.now, newton_m])
                    pushes.starts_Nm = max(pushes.starts_Nm, float(took.max()))
                    pushes.starts_Nms = max(pushes.starts_Nms, float(took.sum()) / 10)
            else:
                self._file(pushes, ends, history)
            pushes.now, pushes.moved = (), False

    def _file(self, pushes: Pushes, ends: tuple[int, int], history: History) -> None:
        """Keep a push that turned nothing, if the driver asked for it."""
        if sum(map(abs, pushes.now)) / 10 < LEAST_NMS:
            return
        if _pressed(history, *ends) and self._released(history, *ends):
            stood = [*pushes.stood, (ends[0], pushes.moved, pushes.now)]
            pushes.stood = tuple(sorted(stood, key=_strength)[-KEPT:])

    def _released(self, history: History, since_ns: int, until_ns: int) -> bool:
        """Whether the brake is known to have been released all the while, and a second before."""
        brake = history.samples(BRAKE).known.between(since_ns - SECOND_NS, until_ns)
        return len(brake) > 0 and not (brake.value != 0).any()


def _held(column: Floats, row: int) -> float:
    """What was read in a tenth, or last in those just before it; NaN if in none."""
    near = column[max(row - HELD, 0) : row + 1]
    known = near[~np.isnan(near)]
    return float(known[-1]) if len(known) else float("nan")


def _pressed(history: History, since_ns: int, until_ns: int) -> bool:
    """Whether the pedal was pressed for the most of that time."""
    pedal = history.samples(PEDAL).known.between(since_ns, until_ns).value
    return len(pedal) > 0 and float(np.mean(pedal >= PRESSED)) >= FOR_THE_MOST


def _strength(stood: Stood) -> float:
    return sum(map(abs, stood[-1]))


def _stood(pair: tuple[str, str], pushes: Pushes) -> Iterator[Remark]:
    """That a shaft stood under more than what had turned it."""
    for since_ns, crept, push in sorted(pushes.stood) if pushes.starts_Nms else ():
        strong = [abs(each) for each in push if abs(each) >= STRONG * pushes.starts_Nm]
        push_Nms = sum(strong) / 10
        times = CREPT_TIMES if crept else TIMES
        if len(strong) >= LASTS and push_Nms >= max(times * pushes.starts_Nms, LEAST_NMS):
            text = "crept" if crept else "stood"
            text += f" under {push_Nms:.1f} Nms, {max(strong):.0f} Nm for {len(strong) / 10:g} s, "
            text += "with the pedal pressed and the brake released, though it had turned by "
            text += f"{pushes.starts_Nms:.1f} Nms: something holds it, or torque or speed are wrong"
            yield from (Remark(role, "wrong", text, since_ns) for role in pair)
            return
