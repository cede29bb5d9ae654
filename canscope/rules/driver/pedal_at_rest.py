"""Rule ``pedal-at-rest``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench, DriveUnit
from canscope.model.findings import Verdict
from canscope.model.outcome import Doubt, Margins, Outcome, Subject, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import SPINNING, CardStep, Rule, Worst, limit
from canscope.model.signals import NEVER, Samples
from canscope.model.tables import Bools, Floats, Int64s
from canscope.rules import RULES
from canscope.rules.driver._pedal_rest import Level, held_levels, settle
from canscope.rules.shared.driving import driving_Nm
from canscope.rules.shared.persistence import (
    NO_LABEL,
    LastLabel,
    Stretches,
    at_most,
    below,
    follow,
    fresh,
    kept_up,
    patience,
    present,
    recent,
    stretches,
    to_ns,
)
from canscope.rules.shared.powered import powered

PEDAL, REQUEST = "driver.pedal", "driver.direction"


@dataclass(frozen=True)
class Watched:
    """What is carried from piece to piece for one unit."""

    speed: LastLabel = NO_LABEL  # since when it has been known
    still: LastLabel = NO_LABEL  # since when the unit has stood still
    armed_ns: int = int(NEVER)  # the last instant at which it stood still long enough, at rest
    torque: LastLabel = NO_LABEL  # since when driving torque has been known


@dataclass(frozen=True)
class State:
    """What is carried over from piece to piece."""

    request: LastLabel = NO_LABEL
    pedal: LastLabel = NO_LABEL  # since when it has been known
    rest: LastLabel = NO_LABEL  # since when it has been at rest
    level: Level | None = None
    units: Mapping[str, Watched] = field(default_factory=dict)


# Times the torque allowed, for so long: a free shaft moves by it, a heavy one by 20 rpm and more.
# Common practice, no source.
STANDING_KICK, STANDING_NS = 1.8, S // 4
KICK, KICK_NS = 5.0, 7 * S // 100
BLOW, BLOW_NS = 20.0, 2 * S // 100
HOLDS = 2.4  # likewise, for ``held_s`` while a direction is chosen: more is not known to hold only


@RULES.add("pedal-at-rest")
@dataclass(frozen=True, kw_only=True)
class PedalAtRest(Rule):
    """The pedal comes back to rest, and a vehicle whose pedal is at rest does not drive.

    Judged
        ``pedal``: in each stretch with direction neutral, when it ends, the lowest reading that was
        held for ``held_s``. Each unit, unless the plan declares ``creep``, while the pedal is at
        rest (at or below ``rest_percent``), from ``release_s`` after its release: the speed that it
        kept up for ``turning_s`` after it had stood still (below ``still_rpm`` for ``standing_s``),
        not with all poles open, where it is turned by hand; and as ``UNIT torque`` the driving
        torque that it kept up for ``held_s``, and 1.8 times as much at standstill for 0.25 s, or
        five times for 0.07 s, or twenty times for 0.02 s, which is a kick (common practice, no
        source). Driving torque is torque along the motion; coasting and braking torque are allowed,
        and so is torque that holds a unit at standstill (below ``still_rpm``) while a direction is
        chosen (on stands, only below the limits of a kick): whether it moves then is judged from
        its motion. Whether 2.4 times that torque for ``held_s`` holds or pushes against the brake
        is not known (inferred). In neutral, ``release_s`` after it was chosen, any torque drives.
    Margin
        ``rest_percent`` minus that reading, in %; ``turning_rpm`` minus that speed, in rpm;
        ``torque_Nm`` minus that torque, in Nm.
    Unproven
        Direction was never neutral long enough, or the pedal never at rest while the unit stood
        (not-exercised); pedal, speed or torque stale or not available.
    """

    rest_percent: float = limit(3.0, "%", high=20.0, note="of travel", looser="higher")
    held_s: float = limit(0.5, "s", high=5.0, looser="higher")
    release_s: float = limit(1.0, "s", high=5.0, looser="higher")
    torque_Nm: float = limit(5.0, "Nm", high=50.0, looser="higher")
    still_rpm: float = limit(30.0, "rpm", low=1.0, high=200.0, looser="lower")
    standing_s: float = limit(1.0, "s", high=10.0, looser="higher")
    turning_rpm: float = limit(50.0, "rpm", low=1.0, high=200.0, looser="higher")
    turning_s: float = limit(0.2, "s", high=2.0, looser="higher")

    unit: ClassVar[str] = "%"
    order: ClassVar[bool] = True
    required_in: ClassVar[frozenset[str]] = SPINNING
    stops: ClassVar[bool] = True
    limit_parameter: ClassVar[str] = "rest_percent"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.POWER_UP, CardStep.SPIN})
    says: ClassVar[dict[str, str]] = {
        "pass": "the pedal came to rest in each stretch with direction neutral",
        "fail": "the pedal did not come back to rest while direction was neutral",
        "close": "the pedal's rest is about at the limit",
        "pass moves": "the {unit} unit stayed where it was with the pedal at rest",
        "fail moves": "the {unit} unit started turning with the pedal at rest",
        "close moves": "the {unit} unit crept at about the limit with the pedal at rest",
        "pass drives": "the {unit} unit did not drive with the pedal at rest",
        "fail drives": "the {unit} unit drove with the pedal at rest",
        "pass kicks": "the {unit} unit did not kick with the pedal at rest",
        "fail kicks": "the {unit} unit kicked with the pedal at rest",
        "close kicks": "the {unit} unit's kick with the pedal at rest is at the limit",
        "close drives": "the {unit} unit's driving torque with the pedal at rest is at the limit",
    }
    missed: ClassVar[str] = "the pedal was not seen at rest for long enough"
    exercise: ClassVar[str] = "stand still in neutral with the foot off the pedal for three seconds"
    causes: ClassVar[tuple[str, ...]] = (
        "the pedal's rest is not taught to the controller, or the pedal sticks",
        "the controller creeps by itself: declare creep in the plan if it is meant to",
        "the two pedal tracks are exchanged, or the pedal signal's factor is wrong",
    )
    next: ClassVar[str] = "read the pedal's value with the foot off, then press and release it"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The pedal, and each unit by its speed and by its torque."""
        found = [Subject("pedal", needs=(PEDAL, REQUEST))]
        if bench.creep:
            return found
        if not bench.units:
            return [*found, Subject("axles", needs=("units.*.speed",), unit="rpm")]
        for unit in bench.units:
            speed, torque = unit.role("speed"), unit.role("torque")
            found.append(Subject(unit.name, (speed, PEDAL), unit="rpm"))
            found.append(Subject(_torque(unit), (torque, PEDAL, speed), unit="Nm"))
        return found

    def start(self, bench: Bench) -> State:
        return State()

    def fold(self, state: State, piece: Piece) -> tuple[State, Sequence[Outcome]]:
        """Judge neutral stretches that ended in this piece, and every new speed and torque."""
        request = follow(piece, REQUEST, state.request)
        pedal = follow(piece, PEDAL, state.pedal, present)
        rest = follow(piece, PEDAL, state.rest, at_most(self.rest_percent))
        levels = held_levels(piece, pedal, request, to_ns(self.held_s))
        still_open, over = settle(levels, state.level, request)
        found: list[Outcome] = [self._rested(piece, level, at_ns) for level, at_ns in over]
        units: dict[str, Watched] = {}
        for unit in () if piece.bench.creep else piece.bench.units:
            watched = state.units.get(unit.name, Watched())
            moved, armed_ns, moves = self._moves(piece, unit, watched, rest)
            torque, drives = self._drives(piece, unit, watched.torque, rest)
            units[unit.name] = Watched(*moved, armed_ns, torque)
            found += [*moves, *drives]
        return State(request.last, pedal.last, rest.last, still_open, units), found

    def close(self, state: State, piece: Piece) -> Sequence[Outcome]:
        """The end of the run also ends a stretch with direction neutral."""
        return [self._rested(piece, state.level, piece.until_ns)] if state.level else []

    def _rested(self, piece: Piece, level: Level, at_ns: int) -> Margins:
        return margins(
            "pedal",
            at_ns,
            self.rest_percent - level.percent,
            measured=level.percent,
            limit=self.rest_percent,
            uncertainty=piece.bench.u(PEDAL),
            start_ns=level.time_ns - to_ns(self.held_s),
            end_ns=level.time_ns,
        )

    def _moves(
        self, piece: Piece, unit: DriveUnit, watched: Watched, rest: Stretches
    ) -> tuple[tuple[LastLabel, LastLabel], int, list[Outcome]]:
        """Speeds that the unit kept up after a standstill, while the pedal is at rest."""
        role, width_ns = unit.role("speed"), to_ns(self.turning_s)
        speed = follow(piece, role, watched.speed, present)
        still = follow(piece, role, watched.still, below(self.still_rpm))
        times, lasts = speed.new.sampled_ns, (speed.last, still.last)
        if not len(times):
            return lasts, watched.armed_ns, []
        pedal, release_ns = rest.at(piece, times), to_ns(self.release_s)
        armed = pedal.held(times, 1.0, release_ns)
        armed &= still.new.held(times, 1.0, to_ns(self.standing_s))
        armed_ns = np.where(armed, times, np.int64(watched.armed_ns))
        armed_ns = np.maximum.accumulate(armed_ns)
        # Only with the pedal read again since: it may have been pressed between two readings.
        judged = (pedal.label == 1) & (pedal.sampled_ns >= times - width_ns)
        judged &= armed_ns - release_ns >= pedal.since_ns
        judged &= speed.new.held(times, 0.0, width_ns) & powered(piece, unit, times)
        samples = recent(piece, role, width_ns)
        kept_rpm = kept_up(samples.time_ns, np.abs(samples.value), judged, width_ns)
        found = margins(
            unit.name,
            times[judged],
            self.turning_rpm - kept_rpm,
            measured=kept_rpm,
            limit=self.turning_rpm,
            uncertainty=piece.bench.u(role),
            start_ns=times[judged] - width_ns,
            about="moves",
        )
        return lasts, int(armed_ns[-1]), [found]

    def _drives(
        self, piece: Piece, unit: DriveUnit, carried: LastLabel, rest: Stretches
    ) -> tuple[LastLabel, list[Outcome]]:
        """Driving torque that the unit kept up while the pedal is at rest."""
        role, width_ns = unit.role("torque"), to_ns(self.held_s)
        if not len(piece[role]):
            return carried, []
        samples = recent(piece, role, width_ns)
        times, drive_Nm = samples.time_ns, self._driving_Nm(piece, unit, samples)
        kick_Nm = self._kicking_Nm(piece, unit, samples, drive_Nm)
        new_ns, new = fresh(piece, role, samples)
        known = stretches(
            role, carried, new_ns, present(drive_Nm[new]), patience(piece, role, new_ns)
        )
        absent = np.isnan(drive_Nm)
        if absent.any():
            samples, times = samples[~absent], times[~absent]
            drive_Nm, kick_Nm = drive_Nm[~absent], kick_Nm[~absent]
        at_ns = known.new.sampled_ns
        pedal = rest.at(piece, at_ns)
        judged = pedal.held(at_ns, 1.0, to_ns(self.release_s) + width_ns)
        judged &= pedal.sampled_ns >= at_ns - width_ns
        judged &= known.new.held(at_ns, 0.0, width_ns)
        stands = judged & (np.abs(piece.at(unit.role("speed"), at_ns).value) < self.still_rpm)
        found: list[Outcome] = []
        for about, pushed_Nm, times_as_much, long_ns, rows in (
            ("drives", drive_Nm, 1.0, width_ns, judged),
            ("kicks", drive_Nm, STANDING_KICK, STANDING_NS, stands),
            # One way: torque that swings to and fro turns nothing.
            ("kicks", kick_Nm, KICK, KICK_NS, judged),
            ("kicks", -kick_Nm, KICK, KICK_NS, stands),
            ("kicks", kick_Nm, BLOW, BLOW_NS, judged),
            ("kicks", -kick_Nm, BLOW, BLOW_NS, stands),
        ):
            limit_Nm = times_as_much * self.torque_Nm
            kept_Nm = kept_up(times, pushed_Nm, rows, long_ns)
            found.append(
                margins(
                    _torque(unit),
                    at_ns[rows],
                    limit_Nm - kept_Nm,
                    measured=kept_Nm,
                    limit=limit_Nm,
                    uncertainty=piece.bench.u(role),
                    start_ns=at_ns[rows] - long_ns,
                    about=about,
                )
            )
        found += self._holds(piece, unit, samples, at_ns, stands)
        return known.last, found

    def _holds(
        self, piece: Piece, unit: DriveUnit, samples: Samples, at_ns: Int64s, stands: Bools
    ) -> list[Outcome]:
        """A torque at standstill, with a direction chosen, that is more than holds a shaft."""
        least_Nm = HOLDS * self.torque_Nm + piece.bench.u(unit.role("torque"))
        if not stands.any() or np.abs(samples.value).max() <= least_Nm:
            return []
        width_ns = to_ns(self.held_s)
        asked = piece.at(REQUEST, at_ns).value
        rows = stands & (asked != 0) & (piece.at(REQUEST, at_ns - width_ns).value == asked)
        speed_rpm = piece.at(unit.role("speed"), at_ns - width_ns).value
        rows &= np.abs(speed_rpm) < self.still_rpm
        kept_Nm = np.maximum(
            *(kept_up(samples.time_ns, way * samples.value, rows, width_ns) for way in (1, -1))
        )
        over = np.flatnonzero(kept_Nm > least_Nm)
        if not len(over):
            return []
        measured, time_ns = float(kept_Nm[over[0]]), int(at_ns[rows][over[0]])
        text = f"it gave {measured:.0f} Nm for {self.held_s:g} s at standstill with a direction "
        text += "chosen and the pedal at rest: whether it holds its shaft, as on a slope with "
        text += "creep, or pushes against the brake, is not known"
        return [Doubt(_torque(unit), "inferred", text, time_ns, measured=measured)]

    def _driving_Nm(self, piece: Piece, unit: DriveUnit, torque: Samples) -> Floats:
        """Torque along the motion, in neutral also at standstill; 0 where it can only hold."""
        times = torque.time_ns
        still = np.abs(piece.at(unit.role("speed"), times).value) < self.still_rpm
        neutral = piece.at(REQUEST, times).value == 0
        neutral &= piece.at(REQUEST, times - to_ns(self.release_s)).value == 0
        holds = still & ~neutral
        return np.where(holds, 0.0 * torque.value, driving_Nm(piece, unit, torque, self.still_rpm))

    def _kicking_Nm(
        self, piece: Piece, unit: DriveUnit, torque: Samples, drive_Nm: Floats
    ) -> Floats:
        """The same, and on stands, where nothing has to be held, what a unit stands against."""
        if piece.bench.stage == "rolling":
            return drive_Nm
        stood = np.ones(len(torque), np.bool_)  # not just come to rest: what slowed it may be on
        for before_ns in (0, to_ns(self.held_s)):
            speed = piece.at(unit.role("speed"), torque.time_ns - before_ns).value
            stood &= np.abs(speed) < self.still_rpm
        return np.where(stood, torque.value, drive_Nm)

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """The clause for the pedal, for a unit's motion or for its torque."""
        about = worst.facts.get("about")
        unit = worst.subject.removesuffix(" torque")
        return self.says[f"{verdict} {about}" if about else str(verdict)].format(unit=unit)


def _torque(unit: DriveUnit) -> str:
    return f"{unit.name} torque"
