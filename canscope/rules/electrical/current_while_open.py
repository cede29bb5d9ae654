"""Rule ``current-while-open``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import SAFE_V, Bench
from canscope.model.median import median, scatter
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import CardStep, Rule, limit, unjudged
from canscope.model.signals import NEVER, Samples
from canscope.model.tables import Bools, Floats, Int64s
from canscope.rules import RULES
from canscope.rules.shared.open_poles import PRECHARGE, circuit_open
from canscope.rules.shared.poles import MAIN_ROLES
from canscope.rules.shared.resting_noise import FIRST, MOST, in_a_row, kept

NAME, CURRENT = "pack", "pack.current"
FEWEST = 2  # readings in a row that count, where there is little noise
LONE = 3.0  # times the limit: from there on one reading is enough
FAR = 6.0  # times the noise, likewise: common practice, no source
WAIT_NS = S // 4  # a closing may be told so late: by 0.2 s and a late stamp; likewise


@dataclass(frozen=True)
class Seen:
    """What is known so far."""

    next_ns: int = int(NEVER)  # readings before it are judged
    waiting: tuple[tuple[int, float], ...] = ()  # the first readings, until the zero is known
    zero_A: float | None = None
    noise_A: float = 0.0  # of the readings that told it
    last_A: tuple[float, ...] = (0.0,) * (MOST - 1)  # how far the last ones lay from the zero
    first_ns: int | None = None
    spoke: bool = False


@RULES.add("current-while-open")
@dataclass(frozen=True, kw_only=True)
class CurrentWhileOpen(Rule):
    """With a main contactor open no current flows out of the pack or into it.

    Judged
        On every reading of the pack current, from the first frame to the last, while negative, or
        positive and pre-charge, or both main contactors have read open for ``settle_s`` and none of
        them is read closed within 0.25 s (states come late): one open pole opens the circuit. Two
        readings in a row above ``limit_A`` count, and one from three times as much on. A current
        keeps its sign and noise does not: where the first 32 such readings spread so far that noise
        alone could bring two about, as many in a row of one sign count as it cannot (up to 12), and
        one from 6 times its standard deviation on. A current sensor has a zero of its own: the
        median of the first 32 such readings. Where it is more
        than half of ``limit_A`` and at most ``zero_A``, readings are judged against it, so that
        noise beside it is no current, and it is told: an offset is there before the first closing
        and after the last opening alike, a current comes and goes.
    Margin
        ``limit_A`` minus that current (or its distance from the zero), in A. The uncertainty is
        the reading's own.
    Unproven
        No pole was seen open for long enough, or no current was read then (not-exercised); the
        sensor's zero is off (sensor-suspect): then whether a small constant current flows is not
        known either.
    """

    limit_A: float = limit(1.0, "A", high=10.0)
    zero_A: float = limit(3.5, "A", high=20.0, note="taken for the sensor's offset if constant")
    settle_s: float = limit(0.5, "s", high=5.0, note="after they read open")

    unit: ClassVar[str] = "A"
    limit_parameter: ClassVar[str] = "limit_A"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.POWER_UP, CardStep.OPEN})
    cross_checks: ClassVar[tuple[str, ...]] = ("contactors.negative", "contactors.positive")
    says: ClassVar[dict[str, str]] = {
        "pass": "no current while a main contactor read open{zero}, at most",
        "fail": "a current while a main contactor read open{zero}",
    }
    codes: ClassVar[tuple[str, ...]] = ("links-empty",)
    exercise: ClassVar[str] = (
        "record for some seconds before the contactors close and after they have opened"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "a main contactor conducts although its state says open: welded, or its feedback is wrong",
        "something is connected on the pack's side of the contactors",
        "the current signal has a wrong offset or factor in the definition",
    )
    next: ClassVar[str] = (
        "isolate the pack at its disconnect; a qualified person clamps the pack cable and "
        "measures across both contactors"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The pack; one signal for both poles needs pre-charge beside it, to tell it from open."""
        more = (PRECHARGE,) if bench.poles_as_one else ()
        return [Subject(NAME, (CURRENT, *MAIN_ROLES, *more), (CURRENT,))]

    def start(self, bench: Bench) -> Seen:
        return Seen()

    def fold(self, state: Seen, piece: Piece) -> tuple[Seen, Sequence[Outcome]]:
        """Judge the readings beside which no pole closed."""
        return self._until(state, piece, piece.until_ns - WAIT_NS)

    def close(self, state: Seen, piece: Piece) -> Sequence[Outcome]:
        """Judge what waited, and say what was not exercised, or that the zero is off."""
        state, rows = self._until(state, piece, piece.until_ns)
        found = [*rows]
        if state.zero_A is None and state.waiting:
            state, rows = self._zeroed(state, piece)
            found += rows
        if not state.spoke:
            text = "the current was never read with a main contactor seen open"
            return [*found, unjudged(NAME, "not-exercised", text)]
        assert state.zero_A is not None
        if self.limit_A < abs(state.zero_A) <= self.zero_A:
            text = f"it read {state.zero_A:.1f} A with a main contactor open, from the first "
            text += "reading on: an offset of the sensor, or a small constant current"
            found.append(Doubt(NAME, "sensor-suspect", text, state.first_ns))
        return found

    def _until(self, state: Seen, piece: Piece, until_ns: int) -> tuple[Seen, list[Outcome]]:
        if not piece.bench.has(*self.subjects(piece.bench)[0].needs):
            return state, []
        samples = piece.back(CURRENT, state.next_ns).known
        samples = samples.between(state.next_ns, until_ns)
        if not len(samples):
            return state, []
        settle_ns = round(self.settle_s * S)
        state = replace(state, next_ns=int(samples.time_ns[-1]) + 1)
        samples = samples[circuit_open(piece, samples.time_ns, settle_ns, WAIT_NS)]
        if not len(samples):
            return state, []
        if state.zero_A is not None:
            return self._judge(state, piece, samples.time_ns, samples.value)
        return self._gather(state, piece, samples)

    def _gather(self, state: Seen, piece: Piece, samples: Samples) -> tuple[Seen, list[Outcome]]:
        """Keep the first readings; with the last of them the zero is known."""
        lacking = FIRST - len(state.waiting)
        new = zip(samples.time_ns[:lacking].tolist(), samples.value[:lacking].tolist(), strict=True)
        state = replace(state, waiting=(*state.waiting, *new))
        if len(state.waiting) < FIRST:
            return state, []
        state, found = self._zeroed(state, piece)
        rest = samples[lacking:]
        state, rows = self._judge(state, piece, rest.time_ns, rest.value)
        return state, [*found, *rows]

    def _zeroed(self, state: Seen, piece: Piece) -> tuple[Seen, list[Outcome]]:
        """Take the zero from the first readings, and judge them."""
        times = np.array([time for time, _ in state.waiting], np.int64)
        amps = np.array([value for _, value in state.waiting])
        first_ns = int(times[0])
        zero_A, noise_A = median(amps), min(scatter(amps), self.limit_A)
        state = replace(state, zero_A=zero_A, noise_A=noise_A, waiting=(), first_ns=first_ns)
        return self._judge(state, piece, times, amps)

    def _offset_A(self, zero_A: float) -> float:
        """The sensor's offset, if its zero is one."""
        return zero_A if self.limit_A / 2 < abs(zero_A) <= self.zero_A else 0.0

    def _judge(
        self, state: Seen, piece: Piece, times: Int64s, amps: Floats
    ) -> tuple[Seen, list[Outcome]]:
        if not len(times):
            return state, []
        assert state.zero_A is not None
        offset_A = self._offset_A(state.zero_A)
        beside = amps - offset_A
        away, before = np.abs(beside), np.array(state.last_A)
        count = in_a_row(state.noise_A, self.limit_A, FEWEST)
        if count == FEWEST:
            held = np.minimum(away, np.abs(np.concatenate((before[-1:], beside[:-1]))))
        else:
            held = kept(beside, before, count)
        lone = away > max(LONE * self.limit_A, FAR * state.noise_A)
        held = np.where(lone, away, held)
        zero = f" (beside the sensor's own zero of {offset_A:.1f} A)" if offset_A else ""
        last_A = np.concatenate((before, beside))[1 - MOST :]
        state = replace(state, last_A=tuple(last_A.tolist()), spoke=True)
        return state, [
            margins(
                NAME,
                times,
                self.limit_A - held,
                measured=held,
                limit=self.limit_A,
                uncertainty=piece.bench.u(CURRENT),
                code=np.where(_links_empty(piece, times), "links-empty", ""),
                zero=zero,
            )
        ]


def _links_empty(piece: Piece, times: Int64s) -> Bools:
    """Whether every link was empty: then no contactor fed anything behind it."""
    roles = piece.bench.link_roles().values()
    empty = np.full(len(times), len(roles) > 0)
    for role in roles:
        empty &= piece.at(role, times).value < SAFE_V
    return empty
