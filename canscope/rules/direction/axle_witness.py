"""Rule ``axle-witness``."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench, Mark
from canscope.model.findings import COMMON_PRACTICE
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import CardStep, Rule, limit, unjudged
from canscope.rules import RULES
from canscope.rules.shared.asked import CODES, NOTHING_ASKED, Asked
from canscope.rules.shared.direction_changes import SENSES, WORDS
from canscope.rules.shared.links import CLOCKS_NS
from canscope.rules.shared.persistence import NO_LABEL, sense, stretches, to_ns
from canscope.rules.shared.powered import powered

DIRECTIONS = ("forward", "reverse")
BACK_S = 60.0  # far enough to see a burst that ended in time, and its slow end

SOON_NS = CLOCKS_NS  # by which marks may differ as well
AFTER_NS = SOON_NS // 2  # in which a lever that goes to neutral shows; likewise
FEWEST = 6  # readings that show whether it slows down; likewise
KEEPS, DRIVES_NM = 0.97, 3.0  # of its speed, and a torque: so it does not coast; likewise
REMEMBERED = 64  # sightings kept for a wheel of the same axle that was seen still


@dataclass(frozen=True)
class Burst:
    """A stretch of turning by CAN that a mark belongs to."""

    sense: float  # 1 forward, -1 reverse
    begin_ns: int  # it was last known to stand; tells one burst from another
    turned_ns: int  # it last turned, by the time of the mark
    over_ns: int | None = None  # since when it stood again by then

    @property
    def over(self) -> bool:
        """Whether it stood again when it was marked."""
        return self.over_ns is not None


@dataclass(frozen=True)
class State:
    """What is carried over from piece to piece."""

    waiting: tuple[Mark, ...] = ()  # marks that cannot be judged yet
    asked: Asked = NOTHING_ASKED
    turned: tuple[tuple[str, int], ...] = ()  # axle and burst in which a wheel was seen to turn
    against: frozenset[Mark] = frozenset()  # waiting marks that contradict the burst before them


@RULES.add("axle-witness")
@dataclass(frozen=True, kw_only=True)
class AxleWitness(Rule):
    """A person saw each axle turn the way CAN says, in both directions.

    CAN cannot see a wheel: speed signs, mounting and phase order are all predictions until somebody
    has looked. One wheel of the axle is enough.

    Judged
        At every mark that names an axle and what was seen (forward, reverse, still), ``turning_s``
        after it, so that a burst that has just begun is known. It belongs to the burst running or
        ended at most ``within_s`` before the mark on that axle, and is compared with the sense in
        which the axle then turned, or last turned (at or above ``turning_rpm`` for ``turning_s``;
        the burst ends below ``still_rpm``). One that contradicts a burst which is over is judged
        1.2 s later: if the axle begins to turn as it was seen within that time, clocks may differ
        and it is not known to which burst it belongs (capture-damaged). Where marks say what was
        asked, a wheel seen to turn is compared with that as well, which shows a controller and a
        plan that are wrong together. A wheel seen still is judged ``within_s`` after the mark: if
        the other wheel of the axle was seen to turn in the same burst, that is an open differential
        and no contradiction. One seen to turn while neutral was asked, with the contactors closed,
        did not coast if there was no burst in the ``within_s`` before, or if it did not slow down
        from 1.2 s* before the mark to 0.6 s* after it (in rolling: if its unit gave 3 Nm* and more
        all the while). A wheel that a hand turned with all poles open, and that was seen still
        later, is no contradiction either.
    Margin
        +1 where the person saw what CAN says, -1 where not; a state, no unit. Measured and limit
        are the sense seen and the sense by CAN, or asked for: 1 forward, -1 reverse, 0 still.
    Unproven
        No mark for that axle and direction (not-exercised); a person saw the axle turn when CAN
        knew of no motion (sensor-suspect), or when nothing was known of its speed (stale).
    """

    within_s: float = limit(30.0, "s", low=1.0, high=50.0, looser="higher")
    turning_rpm: float = limit(50.0, "rpm", low=1.0, high=200.0, looser="higher")
    turning_s: float = limit(0.2, "s", high=2.0, looser="higher")
    still_rpm: float = limit(30.0, "rpm", low=1.0, high=200.0, looser="higher")

    unit: ClassVar[str] = "state"
    whole_run: ClassVar[bool] = True
    required_in: ClassVar[frozenset[str]] = frozenset({"dry-spin", "wet-spin"})
    absent_in: ClassVar[frozenset[str]] = frozenset({"power-up"})
    limit_source: ClassVar[str] = COMMON_PRACTICE
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.SPIN})
    cross_checks: ClassVar[tuple[str, ...]] = ("units.*.speed", "driver.direction")
    says: ClassVar[dict[str, str]] = {
        "pass": "a person saw the {axle} axle turn {direction}, as {against} says{late}",
        "fail": "a person saw the {axle} axle {seen} while {against} says {direction}",
    }
    codes: ClassVar[tuple[str, ...]] = (
        "wheel-turned-other-way",
        "wheel-stood-still",
        "wheel-against-request",
    )
    missed: ClassVar[str] = "no mark says what a person saw of it"
    exercise: ClassVar[str] = (
        "let a second person watch one wheel and mark which way it turns; CAN cannot see a wheel"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "the unit's mounting or phase order in the plan is not how it is built",
        "the speed signal is bound with the wrong sign",
        "the controller turns the request round, and the plan turns it round again",
        "the mark names the wrong axle, or was made too late",
    )
    next: ClassVar[str] = "repeat at creeping speed with the mark made while the wheel turns"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Each unit in each direction."""
        return [
            Subject(f"{unit.name} {word}", needs=(unit.role("speed"),))
            for unit in bench.units
            for word in DIRECTIONS
        ] or [Subject("axles", needs=("units.*.speed",))]

    def start(self, bench: Bench) -> State:
        return State()

    def fold(self, state: State, piece: Piece) -> tuple[State, Sequence[Outcome]]:
        """Judge the marks whose burst is known by now."""
        axles = {unit.name for unit in piece.bench.units}
        new = tuple(m for m in piece.marks if m.axle in axles and m.seen in SENSES)
        waiting = (*state.waiting, *new)
        now = replace(state, waiting=waiting, asked=state.asked.after(piece.marks))
        return self._judge(now, piece, closing=False)

    def close(self, state: State, piece: Piece) -> Sequence[Outcome]:
        """Judge marks made just before the end by what is known then."""
        return self._judge(state, piece, closing=True)[1]

    def _due_ns(self, mark: Mark, against: Collection[Mark]) -> int:
        """When a mark is judged: a wheel seen still waits for a mark of the other one."""
        waits_ns = to_ns(self.within_s) if mark.seen == "still" else 0
        waits_ns = SOON_NS if mark in against else waits_ns
        waits_ns = max(waits_ns, AFTER_NS) if _in_neutral(mark) else waits_ns
        return mark.time_ns + waits_ns + to_ns(self.turning_s)

    def _judge(
        self, state: State, piece: Piece, *, closing: bool
    ) -> tuple[State, Sequence[Outcome]]:
        """Judge marks in the order in which they fall due, so that cutting does not matter."""
        turned, waiting, against = state.turned, list(state.waiting), set(state.against)
        found: list[Outcome] = []
        while waiting:
            mark = min(waiting, key=lambda one: self._due_ns(one, against))
            at_ns = self._due_ns(mark, against)
            if at_ns >= piece.until_ns and not closing:
                break
            at_ns = min(at_ns, piece.until_ns)
            waiting.remove(mark)
            burst = self._burst(piece, mark, min(mark.time_ns + to_ns(self.turning_s), at_ns))
            axle = str(mark.axle)
            if isinstance(burst, Burst) and mark.seen == "still" and _by_hand(piece, axle, burst):
                burst = 0.0
            if isinstance(burst, Burst):
                begun = (axle, burst.begin_ns)
                if mark.seen == "still" and begun in turned:
                    text = "one wheel was seen still and the other turning: an open differential"
                    name = f"{axle} {WORDS[burst.sense]}"
                    found.append(unjudged(name, "not-exercised", text, mark.time_ns))
                    continue
                if mark.seen in DIRECTIONS and burst.over and SENSES[mark.seen] != burst.sense:
                    if mark not in against:
                        against.add(mark)
                        waiting.append(mark)
                        continue
                    if self._begins_soon(piece, mark, at_ns):
                        found += _between(mark, burst)
                        continue
                if mark.seen in DIRECTIONS:
                    turned = (*turned, begun)[-REMEMBERED:]
            asked = self._asked(state, piece, mark, burst)
            if _in_neutral(mark) and self._did_not_coast(piece, mark, burst):
                found.append(_unasked(mark, at_ns))
                continue
            found += [*self._by_can(mark, burst, at_ns), *self._by_request(mark, asked, at_ns)]
        still = frozenset(against & set(waiting))
        return replace(state, waiting=tuple(waiting), turned=turned, against=still), found

    def _by_can(self, mark: Mark, burst: Burst | float, at_ns: int) -> list[Outcome]:
        """The sighting against the sense in which the unit turned."""
        seen, axle = str(mark.seen), str(mark.axle)
        if isinstance(burst, Burst):
            code = "wheel-stood-still" if seen == "still" else "wheel-turned-other-way"
            return [_compared(mark, burst.sense, at_ns, code, "CAN", burst.over_ns)]
        if np.isnan(burst):
            return [Doubt(f"{axle} {word}", "stale", NO_SPEED) for word in DIRECTIONS]
        if seen in DIRECTIONS:
            text = f"a person saw it turn {seen} when CAN knew of no motion"
            return [Doubt(f"{axle} {seen}", "sensor-suspect", text, mark.time_ns)]
        text = "seen still when CAN knew of no motion either, which proves no direction"
        subjects = [f"{axle} {word}" for word in DIRECTIONS]
        return [unjudged(name, "not-exercised", text, mark.time_ns) for name in subjects]

    def _by_request(self, mark: Mark, asked: float, at_ns: int) -> list[Outcome]:
        """The sighting against what the person had asked for, if a contradiction can be told."""
        if mark.seen not in DIRECTIONS or asked not in (1.0, -1.0):
            return []  # a wheel may coast on in neutral
        if SENSES[mark.seen] == asked:
            return []  # nothing that the comparison with CAN does not tell
        return [_compared(mark, asked, at_ns, "wheel-against-request", "the request as marked")]

    def _did_not_coast(self, piece: Piece, mark: Mark, burst: Burst | float) -> bool:
        """Whether a wheel that turned in neutral was driven, by its burst or without any."""
        closed = piece.at("@closed", [mark.time_ns - mark.u_ns, mark.time_ns]).value
        if not (closed == 1).all():
            return False  # a hand may have turned it
        return burst == 0.0 if isinstance(burst, float) else self._driven(piece, mark, burst)

    def _driven(self, piece: Piece, mark: Mark, burst: Burst) -> bool:
        """Whether the axle was driven long before it was marked and long after: it did not coast.

        A lever may be put to neutral at about that time. On stands a wheel that coasts slows down
        at once; on the road its unit's torque tells.
        """
        from_ns, to_ns = mark.time_ns - SOON_NS, mark.time_ns + AFTER_NS
        if burst.over or from_ns < burst.begin_ns or to_ns > piece.until_ns:
            return False
        unit = piece.bench.unit(str(mark.axle))
        speed, torque = (
            piece.back(unit.role(of), from_ns).between(from_ns, to_ns).known
            for of in ("speed", "torque")
        )
        if len(speed) < FEWEST or not np.abs(speed.value).min() >= self.turning_rpm:
            return False
        if piece.bench.stage == "rolling":
            sign = np.sign(speed.value[-1])
            return len(torque) >= FEWEST and bool((sign * torque.value >= DRIVES_NM).all())
        parts = [float(np.mean(np.abs(part))) for part in np.array_split(speed.value, 3)]
        return min(parts[1:]) >= KEEPS * parts[0]

    def _asked(self, state: State, piece: Piece, mark: Mark, burst: Burst | float) -> float:
        """What was asked in the burst that a mark belongs to; NaN where no mark tells."""
        if mark.asked is not None:
            return CODES[mark.asked]
        if not isinstance(burst, Burst):
            return float("nan")
        turned = np.array([burst.turned_ns], np.int64)
        return float(state.asked.of(str(mark.axle)).at(piece, turned).label[0])

    def _burst(self, piece: Piece, mark: Mark, at_ns: int) -> Burst | float:
        """The burst by CAN that a mark belongs to; 0 if none, NaN if no speed was known."""
        role = piece.bench.unit(str(mark.axle)).role("speed")
        samples = piece.back(role, mark.time_ns - to_ns(BACK_S)).between(0, at_ns + 1)
        if np.isnan(samples.value).all():
            return float("nan")
        patience_ns = piece.history.patience_ns(role, samples.time_ns)
        label = sense(self.turning_rpm)(samples.value)
        known = stretches(role, NO_LABEL, samples.time_ns, label, patience_ns).new
        turning = (known.label != 0) & (known.sampled_ns - known.since_ns >= to_ns(self.turning_s))
        rows = np.flatnonzero(turning & (known.since_ns <= mark.time_ns))
        if not len(rows):
            return 0.0
        rpm = np.abs(samples.known.value)
        last = rows[-1]
        stopped = last + np.flatnonzero(rpm[last:] < self.still_rpm)
        end_ns = known.sampled_ns[stopped[0] if len(stopped) else -1]
        if not len(stopped) and mark.time_ns - end_ns > patience_ns[-1]:
            return float("nan")  # it fell silent while it turned
        if end_ns < mark.time_ns - to_ns(self.within_s):
            return 0.0
        stood = np.flatnonzero(rpm[:last] < self.still_rpm)
        begin_ns = known.sampled_ns[stood[-1] if len(stood) else 0]
        turned_ns = min(int(known.sampled_ns[last]), mark.time_ns)
        over_ns = int(end_ns) if len(stopped) and end_ns <= mark.time_ns else None
        return Burst(float(known.label[last]), int(begin_ns), turned_ns, over_ns)

    def _begins_soon(self, piece: Piece, mark: Mark, at_ns: int) -> bool:
        """Whether the axle begins to turn as it was seen just after a mark."""
        role = piece.bench.unit(str(mark.axle)).role("speed")
        rpm = piece.back(role, mark.time_ns).between(mark.time_ns, at_ns + 1).known.value
        return bool((rpm * SENSES[str(mark.seen)] >= self.turning_rpm).any())


def _in_neutral(mark: Mark) -> bool:
    """Whether a wheel was seen to turn though neutral was asked."""
    return mark.asked == "neutral" and mark.seen in DIRECTIONS


def _by_hand(piece: Piece, axle: str, burst: Burst) -> bool:
    """Whether the unit stands still again and could not drive when it last turned."""
    at_ns = np.array([burst.turned_ns], np.int64)
    return burst.over and not powered(piece, piece.bench.unit(axle), at_ns)[0]


def _between(mark: Mark, burst: Burst) -> list[Outcome]:
    """What is left open by a mark between a burst that it contradicts and one that it does not."""
    seen = str(mark.seen)
    text = f"a person saw it turn {seen} just before it did by CAN, and after it had turned "
    text += f"{WORDS[burst.sense]}: clocks may differ, and it is not known which was seen"
    return [
        Doubt(f"{mark.axle} {word}", "capture-damaged", text, mark.time_ns) for word in DIRECTIONS
    ]


def _unasked(mark: Mark, at_ns: int) -> Outcome:
    """A wheel that a person saw turn in neutral, long after any burst: it did not coast."""
    return margins(
        f"{mark.axle} {mark.seen}",
        at_ns,
        -1.0,
        measured=SENSES[str(mark.seen)],
        limit=0.0,
        start_ns=mark.time_ns,
        code="wheel-against-request",
        axle=str(mark.axle),
        direction="neutral",
        seen=f"turn {mark.seen}",
        against="the request as marked",
    )


def _compared(
    mark: Mark,
    expected: float,
    at_ns: int,
    code: str,
    against: str,
    over_ns: int | None = None,
) -> Outcome:
    """What a person saw against a sense of rotation that something else says.

    Who marks it long after the axle stood still may have seen another one: the sentence says so.
    """
    seen = str(mark.seen)
    late_ns = 0 if over_ns is None else mark.time_ns - over_ns
    late = f", marked {late_ns / S:.1f} s after it stood still" if late_ns > SOON_NS else ""
    return margins(
        f"{mark.axle} {WORDS[expected]}",
        at_ns,
        1.0 if SENSES[seen] == expected else -1.0,
        measured=SENSES[seen],
        limit=expected,
        start_ns=mark.time_ns,
        code=code,
        axle=str(mark.axle),
        direction=WORDS[expected],
        seen="stand still" if seen == "still" else f"turn {seen}",
        against=against,
        late=late,
    )


NO_SPEED = "nothing was known of its speed when a person watched it"
