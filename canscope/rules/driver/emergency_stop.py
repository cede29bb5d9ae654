"""Rule ``emergency-stop``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import MAINS, POLES, Bench
from canscope.model.outcome import Doubt, Margins, Outcome, Subject, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import CardStep, Rule, limit, unjudged
from canscope.model.signals import NO_SAMPLES, Samples
from canscope.model.tables import Bools, Floats, Int64s
from canscope.rules import RULES
from canscope.rules.shared.persistence import NO_LABEL, LastLabel, Stretches, follow
from canscope.rules.shared.poles import MAIN_ROLES
from canscope.rules.shared.resting_noise import MOST, in_a_row, kept
from canscope.trust.samples.missing_value import absence_at
from canscope.trust.samples.staleness import stale_after_ns
from canscope.trust.shaft.torque_zero import NO_ZERO, TorqueZero, follow_zero

NAME, STOP = "emergency stop", "driver.emergency_stop"
WORDS = {"precharge": "pre-charge"}


@dataclass(frozen=True)
class Press:
    """A press of the button, between ``after_ns`` and ``time_ns``."""

    after_ns: int
    time_ns: int


@dataclass(frozen=True)
class State:
    """What is known of the button, and the press whose deadline has not passed."""

    value: float = float("nan")
    time_ns: int = 0
    press: Press | None = None
    pressed: bool = False  # ever
    button: LastLabel = NO_LABEL  # and since when it has read so
    first_ns: int | None = None  # when it was first read
    zeros: Mapping[str, TorqueZero] = field(default_factory=dict)  # of each torque


@dataclass(frozen=True)
class Ended:
    """When one role came to rest after a press: in (``after_ns``, ``time_ns``], or not by then."""

    role: str
    after_ns: int
    time_ns: int
    rested: bool = True


@RULES.add("emergency-stop")
@dataclass(frozen=True, kw_only=True)
class EmergencyStop(Rule):
    """The emergency stop takes the torque away and opens every contactor, at once.

    Judged
        At every pressing of the emergency stop with a contactor closed or torque given: the time
        until every contactor reads open and every unit's torque is at most ``torque_Nm``, and
        stays so until ``limit_s`` after the pressing. A torque is an estimate: what its first 32
        readings with all poles open lie around, up to 3 Nm, is its zero, and where they spread
        so far that noise alone could read more, as many in a row of one sign count as it cannot
        (up to 12). If no torque was given, the sentence says
        that its cutting was not shown. And for as long as the button reads pressed, be it from the
        first frame on: a contactor that reads closed, a torque, and a unit that begins to turn
        ``limit_s`` or more after it first read pressed fail (a unit may coast to rest). CAN tells
        what the nodes report; it cannot prove that the
        loop would also open with the software dead.
    Margin
        ``limit_s`` minus that time, in s. Both instants lie between two samples: the middle, give
        or take half the interval, and the clock.
    Unproven
        It was never pressed, or only without both main contactors closed (not-exercised: their
        opening was not shown, though one pole that stays closed fails); a contactor or a torque
        was not known at the deadline (stale, not-available).
    """

    limit_s: float = limit(1.0, "s", high=5.0, looser="higher")
    torque_Nm: float = limit(2.0, "Nm", high=20.0, note="taken as none", looser="higher")

    unit: ClassVar[str] = "s"
    timed: ClassVar[bool] = True
    required_in: ClassVar[frozenset[str]] = frozenset({"power-up"})
    limit_parameter: ClassVar[str] = "limit_s"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.EMERGENCY_STOP})
    cross_checks: ClassVar[tuple[str, ...]] = ("driver.emergency_stop",)
    codes: ClassVar[tuple[str, ...]] = ("ignored", "never-released")
    says: ClassVar[dict[str, str]] = {
        "pass": "after pressing, all contactors read open and torque none in time, "
        "{what} last{told}; CAN cannot prove that the loop opens without software",
        "fail": "{late} this long after pressing",
    }
    exercise: ClassVar[str] = (
        "press the emergency stop once with the contactors closed and nothing turning, and keep "
        "recording"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "the emergency stop is not in the contactors' coil circuit, only a wish to the controller",
        "a contactor is welded or its feedback contact is stuck",
        "the controller ramps the torque down slowly instead of cutting it",
    )
    next: ClassVar[str] = (
        "trace the stop loop with a meter: it must break the coils' supply without any software"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The emergency stop, with every role that it must bring to rest."""
        return [Subject(NAME, (STOP, *_poles(bench), *_torques(bench)))]

    def start(self, bench: Bench) -> State:
        return State()

    def fold(self, state: State, piece: Piece) -> tuple[State, Sequence[Outcome]]:
        """Find new presses, and judge those whose deadline has passed."""
        found: list[Outcome] = []
        state = replace(state, zeros=_zeros(state.zeros, piece))
        value, time_ns, pressings = _pressings(state, piece)
        press, pressed = state.press, state.pressed or bool(pressings)
        for new in [*pressings, None]:
            if press is not None:
                answer = self._judge(piece, press, state.zeros)
                # A press before the answer to the last one is known belongs to it.
                if answer is None or (new is not None and answer[0] >= new.time_ns):
                    continue
                found += answer[1]
            press = new
        button = follow(piece, STOP, state.button)
        first_ns = state.first_ns
        if first_ns is None and len(piece[STOP]):
            first_ns = int(piece[STOP].time_ns[0])
        found += self._while_pressed(piece, button, first_ns or 0, state.zeros)
        return State(value, time_ns, press, pressed, button.last, first_ns, state.zeros), found

    def close(self, state: State, piece: Piece) -> Sequence[Outcome]:
        """Unproven if it was never pressed, or pressed too shortly before the end."""
        if state.press is not None:
            after_s = (piece.until_ns - state.press.time_ns) / S
            text = f"the recording ended {after_s:.2f} s after it was pressed, before all was open"
            return [unjudged(NAME, "not-exercised", text, state.press.time_ns)]
        if not state.pressed and piece.bench.has(STOP):
            text = "it was never pressed"
            if state.value == 1:
                text = (
                    "it read pressed from the first, whatever the vehicle did: its signal is the "
                )
                text += "other way round, or the stop does nothing"
            return [unjudged(NAME, "not-exercised", text)]
        return ()

    def _while_pressed(
        self, piece: Piece, button: Stretches, first_ns: int, zeros: Mapping[str, TorqueZero]
    ) -> list[Margins]:
        """What is active, or begins to turn, long after the button first read pressed.

        ``first_ns``: when it was first read.
        """
        found: list[Margins] = []
        if not (button.label == 1).any():  # nearly always
            return found
        for role in (*_poles(piece.bench), *_torques(piece.bench)):
            new = piece[role].known if piece.bench.has(role) else NO_SAMPLES
            if not len(new):
                continue
            states = _known(piece, role)
            active = self._active(role, states.value, zeros)
            rows = np.arange(len(states) - len(new), len(states))
            took = self._pressed_s(piece, button, states.time_ns[rows])
            over = active[rows] & (took > self.limit_s)
            # Once for each time that it became active, or still was when the time was up.
            step_s = (states.time_ns[rows] - states.time_ns[np.maximum(rows - 1, 0)]) / S
            over &= ~(active[np.maximum(rows - 1, 0)] & (took - step_s > self.limit_s))
            what = f"{_words(role)} was {'there' if role.endswith('torque') else 'closed'}"
            found.append(self._held(piece, new.time_ns[over], took[over], what, first_ns))
        for event in piece.events_of("burst-start"):
            at_ns = np.array([event.known_ns], np.int64)
            took = self._pressed_s(piece, button, at_ns)
            over = took - (event.known_ns - event.time_ns) / S > self.limit_s
            what = f"the {event.subject} unit began to turn"
            found.append(self._held(piece, at_ns[over], took[over], what, first_ns))
        return [rows for rows in found if len(rows.time_ns)]

    def _pressed_s(self, piece: Piece, button: Stretches, times_ns: Int64s) -> Floats:
        """For how long the button has been read as pressed at these instants; 0 if it is not."""
        at = button.at(piece, times_ns)
        return np.where(at.label == 1, (times_ns - at.since_ns) / S, 0.0)

    def _held(
        self, piece: Piece, times_ns: Int64s, took_s: Floats, what: str, first_ns: int
    ) -> Margins:
        start_ns = times_ns - np.round(took_s * S).astype(np.int64)
        return margins(
            NAME,
            times_ns,
            self.limit_s - took_s,
            measured=took_s,
            limit=self.limit_s,
            uncertainty=piece.bench.clock_s,
            start_ns=start_ns,
            code=np.where(start_ns <= first_ns, "never-released", "ignored"),
            what=what,
            late=f"{what} although the button had read pressed all the while,",
            told="",
        )

    def _judge(
        self, piece: Piece, press: Press, zeros: Mapping[str, TorqueZero]
    ) -> tuple[int, list[Outcome]] | None:
        """When a press can be judged, and the outcomes; None while it cannot."""
        roles = [r for r in (*_poles(piece.bench), *_torques(piece.bench)) if piece.bench.has(r)]
        deadline = press.time_ns + round(self.limit_s * S)
        if piece.until_ns <= deadline:
            return None
        ends: list[Ended] = []
        doubts: list[Outcome] = []
        known_ns = deadline
        for role in roles:
            ended = self._ended(piece, role, press, deadline, zeros)
            if ended is None:
                return None
            if isinstance(ended, Doubt):
                doubts.append(ended)
                known_ns = max(known_ns, ended.at_ns or 0)
            else:
                ends.append(ended)
                known_ns = max(known_ns, ended.time_ns)
        if not doubts and not any(self._busy(piece, role, press, zeros) for role in roles):
            text = "it was pressed with all contactors open and no torque"
            return known_ns, [unjudged(NAME, "not-exercised", text, press.time_ns)]
        rows = self._rows(piece, press, ends, zeros)
        if all(self._busy(piece, role, press, zeros) for role in MAIN_ROLES if role in roles):
            return known_ns, [*rows, *doubts]
        # Pressed half-way through closing it can fail, but proves nothing of the other pole.
        late = [row for row in rows if (row.margin < 0).any()]
        text = "it was pressed without both main contactors closed, whose opening it has to show"
        return known_ns, [*late, unjudged(NAME, "not-exercised", text, press.time_ns)]

    def _busy(self, piece: Piece, role: str, press: Press, zeros: Mapping[str, TorqueZero]) -> bool:
        """Whether this role was active when the button was pressed."""
        if np.isnan(piece.at(role, press.after_ns).value[0]):
            return False
        last = _known(piece, role).between(0, press.after_ns + 1)[-MOST:]
        return bool(self._active(role, last.value, zeros)[-1])

    def _active(self, role: str, values: Floats, zeros: Mapping[str, TorqueZero]) -> Bools:
        """Where a torque is given, or a contactor is closed."""
        if not role.endswith("torque"):
            return np.asarray(values == 1)
        known = zeros.get(role, NO_ZERO)
        # A smaller zero is within what is allowed.
        zero_Nm = known.zero_Nm if abs(known.zero_Nm) > self.torque_Nm / 2 else 0.0
        beside = values - zero_Nm
        count = in_a_row(min(known.scatter_Nm, self.torque_Nm), self.torque_Nm, 1)
        return np.asarray(kept(beside, np.zeros(count - 1), count) > self.torque_Nm)

    def _ended(
        self,
        piece: Piece,
        role: str,
        press: Press,
        deadline: int,
        zeros: Mapping[str, TorqueZero],
    ) -> Ended | Doubt | None:
        """When a role came to rest for good; None while its next sample is not there yet."""
        samples = _known(piece, role)
        until = int(np.searchsorted(samples.time_ns, deadline, "right"))
        active = self._active(role, samples.value[: until + 1], zeros)
        heard_ns = int(samples.time_ns[until - 1]) if until else press.after_ns
        fresh = not np.isnan(piece.at(role, deadline).value[0])
        if until and not active[until - 1] and (heard_ns >= press.time_ns or fresh):
            busy = np.flatnonzero(active[:until])
            row = int(busy[-1]) if len(busy) else -1
            after_ns = int(samples.time_ns[row]) if row >= 0 else press.after_ns
            rest_ns = int(samples.time_ns[row + 1])
            return Ended(role, max(after_ns, press.after_ns), max(rest_ns, press.after_ns))
        waited_ns = stale_after_ns(piece.history, role, deadline)
        if until < len(samples) and samples.time_ns[until] <= waited_ns:
            return Ended(role, heard_ns, int(samples.time_ns[until]), not active[until])
        if piece.until_ns <= waited_ns:
            return None
        text = f"{_words(role)} was not known {self.limit_s:g} s after pressing"
        return Doubt(NAME, absence_at(piece, role, deadline), text, waited_ns)

    def _rows(
        self, piece: Piece, press: Press, ends: Sequence[Ended], zeros: Mapping[str, TorqueZero]
    ) -> list[Margins]:
        """One margin a role."""
        half = (press.time_ns - press.after_ns) / S / 2
        torques = [e.role for e in ends if e.role.endswith("torque")]
        shown = any(self._busy(piece, role, press, zeros) for role in torques)
        told = "" if shown else " (no torque was given, so that cutting it was not shown)"
        found: list[Margins] = []
        for end in ends:
            width = (end.time_ns - end.after_ns) / S / 2 if end.rested else 0.0
            took = (end.time_ns - press.time_ns) / S - width + half
            found.append(
                margins(
                    NAME,
                    end.time_ns,
                    self.limit_s - max(took, 0.0),
                    measured=max(took, 0.0),
                    limit=self.limit_s,
                    uncertainty=half + width + piece.bench.clock_s,
                    start_ns=press.after_ns,
                    what=_words(end.role),
                    late=_late(end),
                    told=told,
                )
            )
        return found


def _poles(bench: Bench) -> tuple[str, ...]:
    """The states of both main contactors, and of pre-charge where it is bound."""
    poles = [p for p in POLES if p in MAINS or bench.has(f"contactors.{p}")]
    return tuple(f"contactors.{pole}" for pole in poles)


def _torques(bench: Bench) -> tuple[str, ...]:
    return tuple(unit.role("torque") for unit in bench.units)


def _zeros(known: Mapping[str, TorqueZero], piece: Piece) -> Mapping[str, TorqueZero]:
    """What each torque has read of nothing after this piece."""
    after = dict(known)
    for role in _torques(piece.bench):
        if piece.bench.has(role, *MAIN_ROLES):
            before = known.get(role, NO_ZERO)
            after[role] = follow_zero(before, piece.history, role, piece.start_ns, piece.until_ns)
    return after


def _words(role: str) -> str:
    """A role in plain words."""
    section, name, *_ = role.split(".")
    return f"{name} torque" if section == "units" else f"the {WORDS.get(name, name)} contactor"


def _late(end: Ended) -> str:
    """What a role did too late, or had not done by then."""
    if end.role.endswith("torque"):
        return f"{_words(end.role)} {'was gone only' if end.rested else 'was still there'}"
    return f"{_words(end.role)} {'opened only' if end.rested else 'was still closed'}"


def _known(piece: Piece, role: str) -> Samples:
    return piece.history.samples(role).known


def _pressings(state: State, piece: Piece) -> tuple[float, int, list[Press]]:
    """The button's last known value, its stamp, and the presses in this piece."""
    samples = piece[STOP].known
    if not len(samples):
        return state.value, state.time_ns, []
    values = np.concatenate(([state.value], samples.value))
    times = np.concatenate(([state.time_ns], samples.time_ns)).astype(np.int64)
    rows = np.flatnonzero((values[:-1] == 0) & (values[1:] == 1))
    pressings = [Press(int(times[row]), int(times[row + 1])) for row in rows]
    return float(values[-1]), int(times[-1]), pressings
