"""Rule ``unasked-motion``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import GEAR_RATIO, Bench, DriveUnit
from canscope.model.findings import Verdict
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import ALL_STAGES, CardStep, Rule, Worst, limit
from canscope.model.signals import NEVER, Samples
from canscope.model.tables import Bools, Floats, Int64s
from canscope.rules import RULES
from canscope.rules.direction._asked import Asked, asked_at, says_what_is_asked
from canscope.rules.shared.open_poles import both_open
from canscope.rules.shared.persistence import fresh, patience, recent, rolling, to_ns
from canscope.rules.shared.powered import powered, seen_to_turn

PUSHED = 0.5  # of it in rolling: 60 rpm of a wheel of 0.3 m are 7 km/h; common practice, no source
JERK = 3.0  # times what counts as moving, three readings in a row; common practice, no source
# More than a resolver's zero wanders by; torque by which a unit moves a vehicle. Common practice.
CREPT_RPM, PUSHES_NM = 16.0, 0.5
EDGE, BESIDE = 4.0, 3  # times its steps beside that one; so many of them; no source
READINGS = 3  # that a median takes at least, so that one wrong reading is no motion
BRAKE, IGNITION, STOP = "driver.brake", "driver.ignition", "driver.emergency_stop"
RPM_S = 60 / (2 * np.pi)  # rpm a second per rad/s^2
UNKNOWN_NM = 50.0  # torque allowed for where none is known; common practice, no source


@dataclass(frozen=True)
class Watched:
    """What is carried from piece to piece for one unit."""

    asked: float = float("nan")  # as in ``_code``, at its last reading
    since_ns: int = int(NEVER)  # since when that is asked
    from_ns: int = int(NEVER)  # from when on it has to have answered
    least_rpm: float = float("inf")  # the slowest that it turned unasked since then
    by_hand: bool = False  # it turns, and nothing could drive it as it began to


@dataclass(frozen=True, eq=False)
class Turning:
    """The new readings of one unit, as rows."""

    time_ns: Int64s
    width_ns: Int64s  # of the window that a median takes
    rpm: Floats  # that median; NaN where too few readings lie in it
    code: Floats
    neutral: Bools
    judged: Bools


@RULES.add("unasked-motion")
@dataclass(frozen=True, kw_only=True)
class UnaskedMotion(Rule):
    """No unit moves or speeds up unless somebody asks it to.

    It is judged from the motion and from what was asked, never from the torque that the unit claims
    to give.

    Judged
        At every speed of every unit that can drive, as the median over ``kept_s``. Nothing is asked
        while direction is neutral or the pedal is at rest (at or below ``rest_percent``); else the
        requested direction is. Where only one of the two is bound or known, it alone says what is
        asked: without a pedal a requested direction is asked all the time; without a direction a
        pressed pedal asks for either sense. Speed in a sense that is not asked must not rise: it is
        compared with the least that it was since that sense was last asked, from ``answer_s`` after
        that (the pedal's ramp, the controller's lag). On stands it must also come down, by
        ``lose_percent`` in ``lose_s``, while it is at or above ``turning_rpm``. With ``creep`` in
        the plan, a unit may turn in the requested direction with the pedal at rest, at up to
        ``creep_rpm``. In power-up nothing may be asked: any motion counts. With all poles open
        and the unit's link below 60 V (without contactors: with that alone) a wheel turned by hand
        is no motion of the unit: the report's list of events tells of it.
    Margin
        ``moving_rpm`` minus what it gained, in rpm; or what it lost minus what it had to lose.
    Unproven
        Neither pedal nor direction is bound (not-bound); no pole was ever closed (not-exercised);
        a speed jumped from one reading to the next as no rotor can: faster than the claimed torque
        and ``drag_Nm`` can turn ``least_kgm2``, with the brake known to be released if it fell, or
        down to standstill by four times its three steps before (sensor-suspect); it went to three
        times ``moving_rpm`` and back within ``kept_s``, in three readings of one sense, where
        nothing had been asked for ``answer_s`` (sensor-suspect); or it turned at 16 rpm and more
        for ``lose_s`` without slowing down (in rolling: with torque that way); it began to turn
        though nothing could drive it, and turned faster than a hand turns a wheel: ``hand_rpm``
        times the gear ratio, or 10 where the plan states none, and half of that in rolling, where
        people push it (sensor-suspect); it
        turned at up to 120 rpm of the motor (``hand_rpm``) without torque, with both main poles
        open and its link still charged (sensor-suspect: by hand, or by the link); in
        power-up a person marked that the wheel turned while the unit could drive (sensor-suspect);
        speed, pedal or direction stale or not available.
    """

    moving_rpm: float = limit(25.0, "rpm", high=200)
    kept_s: float = limit(0.3, "s", low=0.05, high=2)
    answer_s: float = limit(1.0, "s", high=5)
    rest_percent: float = limit(3.0, "%", high=100, note="of travel")
    creep_rpm: float = limit(
        500.0, "rpm", high=2000, note="of the motor, where the plan declares creep"
    )
    lose_percent: float = limit(8.0, "%", high=100, note="of its speed")
    lose_s: float = limit(2.0, "s", low=0.5, high=20)
    turning_rpm: float = limit(50.0, "rpm", high=200)
    jump_rpm: float = limit(100.0, "rpm", high=1000)
    least_kgm2: float = limit(0.02, "kgm^2", low=0.001, high=1, note="inertia of a bare rotor")
    drag_Nm: float = limit(10.0, "Nm", high=100)
    hand_rpm: float = limit(
        120.0, "rpm", high=300, looser="higher", note="of the wheel, turned by hand"
    )

    unit: ClassVar[str] = "rpm"
    order: ClassVar[bool] = True
    timeless: ClassVar[frozenset[str]] = frozenset({IGNITION, STOP})
    required_in: ClassVar[frozenset[str]] = ALL_STAGES
    limit_parameter: ClassVar[str] = "moving_rpm"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.POWER_UP, CardStep.SPIN})
    says: ClassVar[dict[str, str]] = {
        "pass": "the unit did not move or speed up unasked; most that it gained",
        "fail": "the unit moved or sped up though nobody asked for it; it gained",
        "close": "the unit moved or sped up unasked by about what is allowed",
        "pass kept-turning": "the unit slowed down where nobody asked it to turn; least that it "
        "lost in {lose_s:g} s",
        "close kept-turning": "the unit slowed down by about what it has to; lost in {lose_s:g} s",
        "in-neutral": "the unit turned at {rpm:.0f} rpm in neutral; it gained",
        "pedal-at-rest": "the unit turned at {rpm:.0f} rpm with the pedal at rest; it gained",
        "above-creep": "the unit turned at {rpm:.0f} rpm with the pedal at rest, more than creep "
        "allows; beyond that it gained",
        "against-request": "the unit turned at {rpm:.0f} rpm against the request; it gained",
        "in-power-up": "the unit turned at {rpm:.0f} rpm in a stage in which nothing turns",
        "asked-in-power-up": "the unit turned at {rpm:.0f} rpm, as pedal and direction asked it "
        "to, in a stage in which nothing turns",
        "kept-turning": "the unit went on turning at {rpm:.0f} rpm though nobody asked for it; "
        "lost in {lose_s:g} s",
    }
    codes: ClassVar[tuple[str, ...]] = (
        "in-neutral",
        "pedal-at-rest",
        "above-creep",
        "against-request",
        "in-power-up",
        "asked-in-power-up",
        "kept-turning",
        "jump",
        "jerk",
        "crept",
        "hand-or-link",
        "beyond-hand",
        "seen-to-turn",
    )
    missed: ClassVar[str] = "it was never known what was asked of a unit that can drive"
    exercise: ClassVar[str] = (
        "close the contactors, and release the pedal and wait until the axle stands before "
        "anything else is asked"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "the controller takes an input other than pedal and selector, or holds its last command",
        "the controller creeps by itself: declare creep in the plan if it is meant to",
        "the position sensor's offset is wrong, so that the unit drives itself",
        "the axle was turned from outside: by hand, by the other axle or by a slope",
    )
    next: ClassVar[str] = (
        "stop; with all power off unplug the pedal, then see whether the unit is asked for torque"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every unit; in power-up nothing may be asked, so that its speed is enough.

        With the ignition off, or the stop pressed, nobody asks for anything: an ignition that reads
        off then is doubted, and a stop whose state is not known leaves it open.
        """
        asks = tuple(role for role in (IGNITION, STOP) if bench.has(role))
        if bench.stage != "power-up":
            asks = (*says_what_is_asked(bench), *asks)
        return [Subject(u.name, needs=(u.role("speed"), *asks)) for u in bench.units] or [
            Subject("axles", needs=("units.*.speed", *asks))
        ]

    def start(self, bench: Bench) -> Mapping[str, Watched]:
        return {unit.name: Watched() for unit in bench.units}

    def fold(
        self, state: Mapping[str, Watched], piece: Piece
    ) -> tuple[Mapping[str, Watched], Sequence[Outcome]]:
        """Judge every new speed of every unit."""
        after = dict(state)
        found: list[Outcome] = []
        for unit in piece.bench.units:
            role = unit.role("speed")
            if not piece.bench.has(role):
                continue
            samples = recent(piece, role, to_ns(self.kept_s + self.lose_s), silences=2)
            new_ns, new = fresh(piece, role, samples)
            if not len(new_ns):
                continue
            rows = np.arange(len(samples))[new]
            now = self._turning(piece, unit, samples, rows)
            after[unit.name], gained = self._gained(piece, unit, now, state[unit.name])
            found += gained
            found += self._jumps(piece, unit, samples, rows)
            since_ns = _since(now, state[unit.name])
            found += self._jerks(unit, samples, rows, since_ns, now.code)
            found += self._crept(piece, unit, samples, now, since_ns)
            by_hand, doubts = self._by_hand(piece, unit, now, by_hand=state[unit.name].by_hand)
            after[unit.name] = replace(after[unit.name], by_hand=by_hand)
            found += doubts
            if piece.bench.stage not in ("rolling", "power-up"):
                found += self._lost(piece, unit, samples, now, state[unit.name])
        return after, [*found, *_seen_to_turn(piece)]

    def _by_hand(
        self, piece: Piece, unit: DriveUnit, now: Turning, *, by_hand: bool
    ) -> tuple[bool, list[Outcome]]:
        """Whether a unit that nothing could drive turns, and what no hand can have done."""
        begun = [e.time_ns for e in piece.events_of("turned-by-hand", unit.name)]
        rpm = np.abs(np.nan_to_num(now.rpm))
        new = piece[unit.role("speed")].known
        slow_ns = new.time_ns[np.abs(new.value) < self.turning_rpm]  # a median comes late
        pushed = piece.bench.stage == "rolling"
        most_rpm = self.hand_rpm * (unit.gear_ratio or GEAR_RATIO) * (PUSHED if pushed else 1.0)
        found: list[Outcome] = []
        turned = by_hand or bool(begun)
        if turned:
            from_ns = int(NEVER) if by_hand else min(begun)
            ended = slow_ns[slow_ns > (max(begun) if begun else NEVER)]
            until_ns = int(ended[0]) if len(ended) else piece.until_ns
            fast = (rpm > most_rpm) & (now.time_ns >= from_ns) & (now.time_ns < until_ns)
            fast &= ~powered(piece, unit, now.time_ns)
            if fast.any():
                row = int(np.argmax(fast))
                text = f"it turned at {rpm[row]:.0f} rpm with all poles open and its link empty, "
                word = "people push a vehicle" if pushed else "a hand turns a wheel"
                text += f"faster than {word}"
                text += f" ({most_rpm:.0f} rpm of the motor)"
                at_ns = int(now.time_ns[row])
                found.append(Doubt(unit.name, "sensor-suspect", text, at_ns, code="beyond-hand"))
            turned = not len(ended)
        return turned, found

    def _turning(self, piece: Piece, unit: DriveUnit, samples: Samples, rows: Int64s) -> Turning:
        """The new readings, what was asked then, and which of them can be judged."""
        times = samples.time_ns[rows]
        silence = patience(piece, unit.role("speed"), times)
        width_ns = np.broadcast_to(np.maximum(to_ns(self.kept_s), silence), times.shape)
        on = powered(piece, unit, times)
        rpm = _medians(samples, rows, width_ns, _powered_row(piece, unit, samples, rows, width_ns))
        if piece.bench.stage == "power-up":
            code, neutral = np.zeros(len(times)), np.zeros(len(times), np.bool_)
            judged = np.ones(len(times), np.bool_)
        else:
            asked = asked_at(piece, times, self.rest_percent)
            code, neutral = _code(asked), asked.neutral
            # It may have been asked between two readings: only if known since the motion began.
            judged = asked.age_ns <= width_ns // 2
        code = np.where(on, code, np.nan)
        judged = judged & ~np.isnan(rpm) & ~np.isnan(code)
        return Turning(times, width_ns, rpm, code, neutral, judged)

    def _gained(
        self, piece: Piece, unit: DriveUnit, now: Turning, watched: Watched
    ) -> tuple[Watched, list[Outcome]]:
        """How much each unit sped up in a sense that was not asked."""
        always = piece.bench.stage == "power-up"
        unasked = self._unasked(now.code, now.rpm)
        gained = np.full(len(now.time_ns), np.nan)
        first = _changes(now.code, watched.asked)
        for start, end in zip(first, [*first[1:], len(now.time_ns)], strict=True):
            mine, code = slice(start, end), float(now.code[start])
            if start or not _same(code, watched.asked):
                watched = self._begun(now, start, watched.asked, always=always)
            if np.isnan(code):
                continue
            due = now.judged[mine] & (now.time_ns[mine] >= watched.from_ns)
            speed = np.where(due, unasked[mine], np.inf)
            least = np.minimum.accumulate(np.minimum(speed, watched.least_rpm))
            gained[mine] = np.where(due, unasked[mine] - (0.0 if always else least), np.nan)
            watched = Watched(code, watched.since_ns, watched.from_ns, float(least[-1]))
        gained, doubts = self._moved_by_hand(piece, unit, now, gained)
        word = self._asked_anyway(piece, now) if always else self._words(now)
        rows = margins(
            unit.name,
            now.time_ns,
            self.moving_rpm - gained,
            measured=gained,
            limit=self.moving_rpm,
            uncertainty=piece.bench.u(unit.role("speed")),
            start_ns=now.time_ns - now.width_ns,
            code=word,
            rpm=now.rpm,
        )
        return watched, [rows, *doubts]

    def _moved_by_hand(
        self, piece: Piece, unit: DriveUnit, now: Turning, gained_rpm: Floats
    ) -> tuple[Floats, list[Outcome]]:
        """What was gained, without what a hand may have done beside a link that is still charged.

        With all poles open and no torque nothing says which of both it was.
        """
        maybe = gained_rpm > self.moving_rpm - piece.bench.u(unit.role("speed"))
        if not maybe.any():
            return gained_rpm, []
        torque_Nm = np.abs(piece.at(unit.role("torque"), now.time_ns).value)
        maybe &= (torque_Nm <= PUSHES_NM) & (np.abs(now.rpm) <= self.hand_rpm)
        maybe &= both_open(piece, now.time_ns, 0, 0)
        if not maybe.any():
            return gained_rpm, []
        row = int(np.argmax(maybe))
        text = f"it turned at {now.rpm[row]:.0f} rpm with all poles open and its link charged: by "
        text += "hand, or by what the link still holds"
        doubt = Doubt(unit.name, "sensor-suspect", text, int(now.time_ns[row]), code="hand-or-link")
        return np.where(maybe, np.nan, gained_rpm), [doubt]

    def _begun(self, now: Turning, row: int, before: float, *, always: bool) -> Watched:
        """Something else is asked from this reading on.

        A sense in which the unit could be driven until now may need a moment to end.
        """
        code = float(now.code[row])
        time_ns = int(now.time_ns[row])
        standing = before == 0 or (np.sign(before) == np.sign(code) and abs(before) != CREEPS)
        wait_ns = 0 if always or standing else to_ns(self.answer_s)
        return Watched(code, time_ns, time_ns + wait_ns)

    def _unasked(self, code: Floats, rpm: Floats) -> Floats:
        """The speed in a sense that is not asked."""
        along = np.sign(code) * rpm
        creeping = np.maximum(along - self.creep_rpm, -along)
        asked = np.where(np.abs(code) == CREEPS, creeping, -along)
        speed: Floats = np.where(code == 0, np.abs(rpm), np.maximum(asked, 0.0))
        return speed

    def _asked_anyway(self, piece: Piece, now: Turning) -> np.ndarray:
        """Whether pedal and direction asked for the motion now or just before, in power-up."""
        when = [now.time_ns, now.time_ns - to_ns(self.answer_s)]
        asked = [asked_at(piece, times, self.rest_percent).sense for times in when]
        turns = np.any([np.abs(sense) == 1 for sense in asked], axis=0)
        return np.where(turns, "asked-in-power-up", "in-power-up")

    def _words(self, now: Turning) -> np.ndarray:
        crept = (np.abs(now.code) == CREEPS) & (np.sign(now.code) * now.rpm > 0)
        cases = [crept, np.abs(now.code) == 1, now.neutral]
        return np.select(cases, ["above-creep", "against-request", "in-neutral"], "pedal-at-rest")

    def _lost(
        self, piece: Piece, unit: DriveUnit, samples: Samples, now: Turning, watched: Watched
    ) -> list[Outcome]:
        """How much a unit slowed down that nobody asks to turn as it does."""
        since_ns = _since(now, watched)
        unasked = self._unasked(now.code, now.rpm)
        then_ns = now.time_ns - to_ns(self.lose_s)
        some = now.judged & (unasked >= self.turning_rpm) & (then_ns >= since_ns)
        if not some.any():
            return []
        rows = samples.time_ns.searchsorted(then_ns[some], "right") - 1
        known = (rows >= 0) & (then_ns[some] - samples.time_ns[rows] <= now.width_ns[some])
        rpm = _medians(samples, np.maximum(rows, 0), now.width_ns[some])
        before = np.where(known, self._unasked(now.code[some], rpm), np.nan)
        share = self.lose_percent / 100
        lost = before - unasked[some]
        # Slow before, or faster now: it sped up, which is judged by what it gained.
        lost[(before < self.turning_rpm) | (lost < -self.moving_rpm)] = np.nan
        at_ns = now.time_ns[some]
        return [
            margins(
                unit.name,
                at_ns,
                lost - share * before,
                measured=lost,
                limit=share * before,
                uncertainty=(1 + share) * piece.bench.u(unit.role("speed")),
                start_ns=at_ns - to_ns(self.lose_s),
                code="kept-turning",
                rpm=now.rpm[some],
            )
        ]

    def _jumps(
        self, piece: Piece, unit: DriveUnit, samples: Samples, rows: Int64s
    ) -> list[Outcome]:
        """Speeds that changed from one reading to the next as no rotor's can."""
        rows = rows[rows > 0]
        moved = np.abs(samples.value[rows] - samples.value[rows - 1])
        rows = rows[moved >= self.jump_rpm]
        if not len(rows):
            return []
        times, before_ns = samples.time_ns[rows], samples.time_ns[rows - 1]
        now_rpm, then_rpm = samples.value[rows], samples.value[rows - 1]
        silence = patience(piece, unit.role("speed"), times)
        way_s = np.maximum(times - before_ns, np.asarray(silence) // 3) / 1e9
        torque = [np.abs(piece.at(unit.role("torque"), t).value) for t in (times, before_ns)]
        most_Nm = np.maximum(*(np.nan_to_num(t, nan=UNKNOWN_NM) for t in torque)) + self.drag_Nm
        jumped = np.abs(now_rpm - then_rpm) > most_Nm / self.least_kgm2 * RPM_S * way_s
        released = (piece.at(BRAKE, times).value == 0) & (piece.at(BRAKE, before_ns).value == 0)
        fell = (np.abs(now_rpm) < np.abs(then_rpm)) & (now_rpm * then_rpm >= 0)
        jumped |= released & fell & self._cut_off(samples, rows)
        jumped &= (released | ~fell) & (times - before_ns <= silence)
        jumped &= powered(piece, unit, times)
        if not jumped.any():
            return []
        row = int(np.flatnonzero(jumped)[0])
        text = (
            f"its speed went from {then_rpm[row]:.0f} to {now_rpm[row]:.0f} rpm within "
            f"{(times[row] - before_ns[row]) / 1e6:.0f} ms, which no rotor can"
        )
        return [Doubt(unit.name, "sensor-suspect", text, int(times[row]), code="jump")]

    def _jerks(
        self, unit: DriveUnit, samples: Samples, rows: Int64s, since_ns: Int64s, code: Floats
    ) -> list[Outcome]:
        """Motion that came and went in less than ``kept_s``, where nothing had long been asked.

        ``rows``: of the new readings; since when the same is asked at each, and what.
        """
        rpm, times = samples.value, samples.time_ns
        moves = np.abs(rpm) >= self.moving_rpm
        ended = moves[rows - 1] & ~moves[rows] & (rows > 0) & (code == 0)
        for at in np.flatnonzero(ended).tolist():
            row = int(rows[at])
            first = int(np.flatnonzero(~moves[:row])[-1:].max(initial=-1)) + 1
            began_ns = times[max(first - 1, 0)]
            short = times[row - 1] - times[first] <= to_ns(self.kept_s)
            if not first or not short or began_ns < since_ns[at] + to_ns(self.answer_s):
                continue
            most_rpm = float(rpm[first:row][np.argmax(np.abs(rpm[first:row]))])
            if (rpm[first:row] * np.sign(most_rpm) >= JERK * self.moving_rpm).sum() < READINGS:
                continue
            text = f"its speed went to {most_rpm:.0f} rpm and back in {row - first} readings, "
            text += "though nobody asked for it: it jerked, or its sensor is disturbed"
            return [Doubt(unit.name, "sensor-suspect", text, int(times[row]), code="jerk")]
        return []

    def _crept(
        self, piece: Piece, unit: DriveUnit, samples: Samples, now: Turning, since_ns: Int64s
    ) -> list[Outcome]:
        """Motion below ``moving_rpm`` that goes on and on, where nothing had long been asked.

        Noise and flicker have another median over so long a time; what coasts slows down. In
        rolling the road moves it, unless it gives torque.
        """
        long_ns = to_ns(self.lose_s)
        slow = (now.code == 0) & (np.abs(np.nan_to_num(now.rpm)) >= CREPT_RPM)
        slow &= now.time_ns >= since_ns + to_ns(self.answer_s) + long_ns
        if not slow.any():
            return []
        at_ns, width_ns, here = now.time_ns[slow], now.width_ns[slow], now.rpm[slow]
        before = samples.time_ns.searchsorted(at_ns - long_ns, "right") - 1
        then = _medians(samples, np.maximum(before, 0), width_ns)
        rows, long = samples.time_ns.searchsorted(at_ns), np.full(len(at_ns), long_ns)
        all_along = _medians(samples, rows, long) * np.sign(here)
        crept = (then * np.sign(here) >= CREPT_RPM) & (all_along >= CREPT_RPM) & (before >= 0)
        crept &= np.abs(here) >= (1 - self.lose_percent / 100) * np.abs(then)
        if piece.bench.stage == "rolling" and crept.any():
            torque = piece.at(unit.role("torque"), at_ns).value
            crept &= torque * np.sign(here) > PUSHES_NM
        if not crept.any():
            return []
        row = int(np.argmax(crept))
        text = f"it turned at {here[row]:.0f} rpm for {self.lose_s:g} s and more, no slower at the "
        text += "end, though nobody asked for it: it creeps, or its sensor's zero is off"
        return [Doubt(unit.name, "sensor-suspect", text, int(at_ns[row]), code="crept")]

    def _cut_off(self, samples: Samples, rows: Int64s) -> Bools:
        """Whether a speed fell to standstill at once, far beyond its steps just before."""
        found = np.zeros(len(rows), np.bool_)
        for number, row in enumerate(rows.tolist()):
            first = row - 1 - BESIDE
            if first < 0 or abs(samples.value[row]) >= self.moving_rpm:
                continue
            way_s = np.diff(samples.time_ns[first : row + 1])
            steps = np.abs(np.diff(samples.value[first : row + 1]))
            even = way_s.max() <= 2 * way_s.min()
            found[number] = even and steps[-1] > EDGE * steps[:-1].max() > 0
        return found

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """The clause for what it did, and when."""
        key = str(verdict)
        if key == "fail":
            key = worst.code or key
        elif worst.code == "kept-turning":
            key += " kept-turning"
        return self.says[key].format(lose_s=self.lose_s, **worst.facts)


def _seen_to_turn(piece: Piece) -> list[Outcome]:
    """Marks of a wheel that turned in the stage in which nothing turns."""
    found: list[Outcome] = []
    for unit, mark in seen_to_turn(piece) if piece.bench.stage == "power-up" else ():
        text = f"a person saw its wheel turn {mark.seen} in a stage in which nothing turns"
        found.append(Doubt(unit.name, "sensor-suspect", text, mark.time_ns, code="seen-to-turn"))
    return found


CREEPS = 2.0  # magnitude of a code: turning that way is allowed, but nobody asks for it


def _code(asked: Asked) -> Floats:
    """What is asked, as one number: its sense, or twice the sense in which it may creep."""
    return np.where(asked.creeps != 0, CREEPS * asked.creeps, asked.sense)


def _same(one: float, other: float) -> bool:
    return one == other or (np.isnan(one) and np.isnan(other))


def _changes(code: Floats, before: float) -> list[int]:
    """Rows at which something else begins to be asked, and row 0."""
    earlier = np.concatenate(([before], code[:-1]))
    changed = (code != earlier) & ~(np.isnan(code) & np.isnan(earlier))
    changed[0] = True
    return np.flatnonzero(changed).tolist()


def _since(now: Turning, watched: Watched) -> Int64s:
    """Since when the same is asked, at each reading."""
    first = np.array(_changes(now.code, watched.asked))
    starts = now.time_ns[first]
    if _same(float(now.code[0]), watched.asked):
        starts[0] = watched.since_ns
    since_ns: Int64s = starts.repeat(np.diff(np.append(first, len(now.code))))
    return since_ns


def _powered_row(
    piece: Piece, unit: DriveUnit, samples: Samples, rows: Int64s, width_ns: Int64s
) -> Int64s:
    """The row from which on the unit could drive all the while until each of these; else 0.

    What a hand turned just before a pole closed is no motion of the unit.
    """
    times = samples.time_ns[rows]
    closed = powered(piece, unit, times) & ~powered(piece, unit, times - width_ns)
    if not closed.any():
        return np.zeros(len(rows), np.int64)
    off = ~powered(piece, unit, samples.time_ns)
    since = np.maximum.accumulate(np.where(off, np.arange(len(off)) + 1, 0))
    return np.where(closed, np.minimum(since[rows], rows), 0)


def _medians(samples: Samples, rows: Int64s, width_ns: Int64s, begin: Int64s | int = 0) -> Floats:
    """The median over the last ``width_ns`` at each of these rows, not from before ``begin``.

    NaN with too few readings.
    """
    first = samples.time_ns.searchsorted(samples.time_ns[rows] - width_ns, "right")
    first = np.maximum(first, begin)
    median = rolling(np.median, samples.value, first, rows)
    median[rows - first + 1 < READINGS] = np.nan
    return median
