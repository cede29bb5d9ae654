"""Do pedal, torque and speed of a unit answer to each other, in every burst under power?

A signal that never moved is stuck (``standing_still``). One that moves may still be another one's,
late, clipped, or of a wrong factor. What excludes that, on stands, where nothing else turns a unit:

- torque speeds a rotor up: what it gives over a time is at least the smallest rotor's inertia
  times the speed gained;
- an axle does not turn before its pedal is pressed (unless it creeps), nor slow down by braking
  torque with the pedal held and the brake released;
- no unit comes up to speed under a pressed brake, nor with the ignition off;
- at every instant its speed is what torque, inertia and friction make it (``shaft_balance``), in
  rolling what the torques of all units make it; and its inertia is the same in every burst;
- what turns freely has no more inertia than wheels and a large rotor;
- torque ends within moments of the pedal's release;
- a speed that rises does not stop rising at once while the torque stays;
- a speed does not rise in steps far wider than those of its signal, standing still in between.

A speed that jumps is ``unasked-motion``'s matter, and is not looked at here.

All thresholds are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from canscope.model.bench import MAINS, SAFE_V, Bench, DriveUnit
from canscope.model.history import LOOK_BACK_NS, History, step_at
from canscope.model.median import median
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Bools, Floats, Int64s
from canscope.trust.movement.standing_still import switches
from canscope.trust.remark import suspect_code
from canscope.trust.shaft.shaft_balance import LEFT, balance
from canscope.trust.shaft.torque_zero import NO_ZERO, TorqueZero, follow_zero

RAD_S = 2 * np.pi / 60  # per rpm
LEAST_KGM2 = 0.02  # a bare rotor
GAINED_RPM = 100.0  # from standstill, before torque has to explain it
BRAKED_RPM = 200.0  # from standstill under a pressed brake, which may drag at first
BRAKED = 0.4  # the same as a part of the highest speed, where that is less
STILL_RPM = 30.0
DEAD_V = SAFE_V  # where no pole is bound
BEFORE_NS = 3 * SECOND_NS // 2  # before a burst is known to begin, in which it begins from rest
MOVED_RPM = 50.0  # at which a pedal has to have been pressed
REST_PERCENT = 3.0
HIGH, LOST = 0.95, (0.3, 0.7)  # of its highest speed, from which it falls by so much: one of them
HELD = 0.9  # of the pedal's reading, above which it is still held
SLOPE_NS = SECOND_NS // 10  # at least, over which a slope is taken
FLAT, STAYS, PUSHES_NM = 0.1, 0.8, 5.0  # of the slope before; of the torque before; that torque
ROTOR_KGM2, WHEELS_KGM2 = 0.3, 6.0  # the most that turns freely; the wheels by the ratio squared
TURNS_RPM = 50.0  # that it comes to before its inertia says anything
DRAG_NS = SECOND_NS // 5  # before a release, over which a torque is averaged
RELEASED_NS, DRIVES_NM = 6 * SECOND_NS // 10, 1.0  # a controller's ramp has begun long before that
ROLLS = 0.10  # of the speed gained, that slopes and bumps may leave over
ALIKE = 1.5  # times the inertia of another burst
CLEAR_RPM = 100.0  # that a speed gains before it says anything
STAIR_RPM, STAIR_STEPS, STAIRS = 16.0, 6.0, 4  # of the signal's own steps; so many of them
STAIR_PART, LANDINGS = 0.9, 2.0  # of the whole way; readings that stand for each that jumps
GRADUAL = 0.5  # of its highest speed: a wider step is a jump
PEDAL, BRAKE, STOP = "driver.pedal", "driver.brake", "driver.emergency_stop"
IGNITION = "driver.ignition"
REQUEST = "driver.direction"
INPUTS = (PEDAL, BRAKE, STOP, IGNITION, REQUEST)


@dataclass(frozen=True, eq=False)
class Course:
    """The speed of one burst along its own sense, and where it rises from rest to its highest."""

    time_ns: Int64s
    rpm: Floats
    sense: float
    first: int  # the last row at rest before it rises
    top: int

    @property
    def every_ns(self) -> int:
        """The longest way between two readings of the rise."""
        return int(np.diff(self.time_ns[self.first : self.top + 1]).max(initial=0))


@dataclass(frozen=True)
class Why:
    """How a role did not answer, in words, and the roles that were compared."""

    text: str
    roles: tuple[str, ...]
    code: str = ""  # of the doubt, where there is a check of its own for it


@dataclass(frozen=True)
class Hidden:
    """How much of a speed is not shown for a moment, and why."""

    rpm: float
    text: str


class Answers:
    """Follows every unit of one segment, burst by burst."""

    def __init__(self, bench: Bench) -> None:
        self.whys: dict[str, Why] = {}  # role -> the first time it did not answer
        self._bench = bench
        self._turning: dict[str, int] = {}
        self._zeros: dict[str, TorqueZero] = {}
        self.hidden: dict[str, Hidden] = {}  # speed -> the most that a low-pass hides of it
        self._gains: dict[str, float] = {}  # unit -> rpm that it gains by 1 Nm in 1 s, at first

    def feed(self, history: History, from_ns: int, until_ns: int) -> None:
        """Judge the bursts that ended since then."""
        for unit in self._bench.units if self._poles else ():
            role = unit.role("torque")
            known = self._zeros.get(role, NO_ZERO)
            self._zeros[role] = follow_zero(known, history, role, from_ns, until_ns)
        for time_ns, name, on in switches(self._bench, history, from_ns):
            if on:
                self._turning[name] = time_ns
            elif name in self._turning:
                self._burst(history, self._bench.unit(name), self._turning.pop(name), time_ns)

    def finish(self, history: History, until_ns: int) -> None:
        """Judge the bursts that the end of the segment cuts off."""
        for unit, since_ns in self._turning.items():
            self._burst(history, self._bench.unit(unit), since_ns, until_ns)

    def _burst(self, history: History, unit: DriveUnit, since_ns: int, until_ns: int) -> None:
        if until_ns - since_ns > LOOK_BACK_NS:
            return
        if not self._powered(history, unit, since_ns):
            return
        role, torque = unit.role("speed"), unit.role("torque")
        course = _course(history.samples(role).between(since_ns - BEFORE_NS, until_ns + 1).known)
        if course is None:
            return
        if self._bench.stage == "rolling":  # the road moves it too, but not at once
            apart = self._balance(history, unit, course)
            found = {role: self._clipped(history, torque, course) or apart, torque: apart}
            found[PEDAL] = self._late_release(history, torque, course)
            # A foot may hold it at first.
            top_rpm = max(HIGH * float(course.rpm[course.top]), BRAKED_RPM)
            if self._all_along(history, course, BRAKE, 1, top_rpm):
                found[BRAKE] = f"read pressed while the unit came to {top_rpm:.0f} rpm"
            self._keep(found, unit, {apart: "apart"})
            return
        braked_rpm = min(BRAKED_RPM, max(GAINED_RPM, BRAKED * float(course.rpm[course.top])))
        came = f"while the unit came to {braked_rpm:.0f} rpm"
        all_along = partial(self._all_along, history, course, least_rpm=braked_rpm)
        found = {
            torque: self._unexplained(history, torque, course),
            PEDAL: self._before_pedal(history, course)
            or self._against_pedal(history, unit, course),
            role: self._clipped(history, torque, course) or self._stairs(role, course),
            BRAKE: f"read pressed {came}" if all_along(BRAKE, 1) else "",
            IGNITION: f"read off {came}" if all_along(IGNITION, 0) else "",
        }
        heavy = apart = ""
        if not found[torque]:
            heavy = self._too_heavy(history, unit, course)
            apart = "" if heavy else self._balance(history, unit, course)
            found[torque], found[role] = heavy or apart, found[role] or heavy or apart
        found[PEDAL] = found[PEDAL] or self._late_release(history, torque, course)
        self._keep(found, unit, {heavy: "wrong-factor", apart: "apart"})

    def _keep(self, found: dict[str, str], unit: DriveUnit, codes: Mapping[str, str]) -> None:
        """Keep of each role why it did not answer; ``codes`` of what is said of two of them."""
        roles = (unit.role("speed"), unit.role("torque"), *INPUTS)
        for name, why in found.items():
            if why and name in self._bench.bindings:
                code = codes.get(why) or suspect_code(name)
                self.whys.setdefault(name, Why(f"{why} ({unit.name})", roles, code))

    def _unexplained(self, history: History, role: str, course: Course) -> str:
        """Whether the torque is too small for the speed that the unit gained."""
        rows = slice(course.first, course.top + 1)
        times, gained = course.time_ns[rows], course.rpm[rows] - course.rpm[course.first]
        torque = self._torque(history, role, course)
        if torque is None:
            return ""
        at_ns, along_Nm = torque
        slack_ns = 2 * max(course.every_ns, int(np.diff(at_ns).max()))
        pushes = np.maximum(along_Nm, 0.0) + self._bench.u(role)
        pushes[at_ns < times[0] - slack_ns] = 0.0
        given = np.concatenate(([0.0], np.cumsum(pushes[:-1] * np.diff(at_ns) / SECOND_NS)))
        by_then = np.interp((times + slack_ns - at_ns[0]).astype(float), at_ns - at_ns[0], given)
        # Beyond the last reading it went on as it was.
        by_then += pushes[-1] * np.maximum(times + slack_ns - at_ns[-1], 0) / SECOND_NS
        short = (gained >= GAINED_RPM) & (by_then < LEAST_KGM2 * gained * RAD_S)
        if not short.any():
            return ""
        row = int(np.argmax(short))
        return (
            f"gave {by_then[row]:.2g} Nm s until the unit had sped up by {gained[row]:.0f} rpm, "
            f"less than a bare rotor of {LEAST_KGM2:g} kgm^2 takes"
        )

    def _before_pedal(self, history: History, course: Course) -> str:
        """Whether the unit turned before the pedal was pressed."""
        if self._bench.creep:
            return ""
        moving = course.rpm[course.first : course.top + 1] >= MOVED_RPM
        if not moving.any():
            return ""
        at_ns = int(course.time_ns[course.first + int(np.argmax(moving))])
        pedal = history.samples(PEDAL)
        later = pedal.between(at_ns, int(course.time_ns[-1]) + 1)
        if not len(later):
            return ""
        read = pedal.between(at_ns - 2 * SECOND_NS, int(later.time_ns[0]) + 1).value
        if not len(read) or not (read <= REST_PERCENT + self._bench.u(PEDAL)).all():
            return ""
        after_s = (int(later.time_ns[0]) - at_ns) / SECOND_NS
        return f"was at rest {after_s:.2f} s after the unit had come to {MOVED_RPM:g} rpm"

    def _against_pedal(self, history: History, unit: DriveUnit, course: Course) -> str:
        """Whether the unit slowed down by braking torque, or far without any, with pedal held."""
        torque = self._torque(history, unit.role("torque"), course)
        if torque is None:
            return ""
        found = (self._held_on(history, unit, course, torque, lost) for lost in LOST)
        return next(filter(None, found), "")

    def _held_on(
        self,
        history: History,
        unit: DriveUnit,
        course: Course,
        torque: tuple[Int64s, Floats],
        part: float,
    ) -> str:
        """The same of the time in which it lost that part of its highest speed."""
        top_rpm = float(course.rpm[course.top])
        lost = course.rpm[course.top :] <= (1 - part) * top_rpm
        if not lost.any() or top_rpm < CLEAR_RPM:
            return ""
        end = course.top + int(np.argmax(lost))
        high = np.flatnonzero(course.rpm[course.top : end] >= HIGH * top_rpm)[-1]
        from_ns, end_ns = int(course.time_ns[course.top + high]), int(course.time_ns[end])
        pedal = history.samples(PEDAL)
        held = pedal.between(from_ns, end_ns + 1)
        before = pedal.between(from_ns - SECOND_NS, from_ns + 1)
        if not len(before) or len(held) < 2 or held.time_ns[-1] < (from_ns + end_ns) // 2:
            return ""
        least = float(held.value.min())
        if not least > max(HELD * float(before.value[-1]), 2 * REST_PERCENT):
            return ""
        if not self._left_alone(history, from_ns, end_ns):
            return ""
        at_ns, along_Nm = torque
        some = (at_ns >= from_ns) & (at_ns <= end_ns)
        drove = (at_ns >= from_ns - DRAG_NS) & (at_ns < from_ns)
        if not some.any() or not drove.any():
            return ""
        brakes, u = float(along_Nm[some].mean()), self._bench.u(unit.role("torque"))
        ended = part == max(LOST) and brakes <= u
        ended = ended and float(along_Nm[drove].mean()) > max(DRIVES_NM, 2 * u)
        if not (brakes < -u or ended):
            return ""
        return (
            f"read {least:.0f} % and more while the unit slowed down from {top_rpm:.0f} rpm by"
            f" {part:.0%} with the brake released"
        )

    def _all_along(
        self, history: History, course: Course, role: str, held: int, least_rpm: float
    ) -> bool:
        """Whether a driver's input read one state all the time in which the unit sped up so far."""
        rows = slice(course.first, course.top + 1)
        fast = course.rpm[rows] >= least_rpm
        if not self._bench.has(role) or not fast.any():
            return False
        end_ns = int(course.time_ns[rows][int(np.argmax(fast))])
        read = _held(history, role, int(course.time_ns[course.first]), end_ns)
        return bool((read == held).all())

    def _too_heavy(self, history: History, unit: DriveUnit, course: Course) -> str:
        """Whether speed and torque amount to more inertia than anything that turns on stands.

        What the torque mostly is near the highest speed is drag; until it first falls to that, it
        speeds the shaft up, also where the speed stays at some value meanwhile.
        """
        torque = self._torque(history, unit.role("torque"), course)
        omega = float(course.rpm[course.top] - course.rpm[course.first]) * RAD_S
        if torque is None or course.rpm[course.top] < TURNS_RPM:
            return ""
        start_ns = int(course.time_ns[course.first])
        at_ns, along_Nm = torque
        fast_ns = course.time_ns[course.rpm >= HIGH * course.rpm[course.top]]
        last = (at_ns >= fast_ns[0]) & (at_ns <= fast_ns[-1])
        some = (at_ns >= start_ns) & (at_ns <= fast_ns[-1])
        if not last.any() or some.sum() < 4:
            return ""
        spare = along_Nm[some] - median(along_Nm[last]) - self._bench.u(unit.role("torque"))
        pushes = spare > 0
        first = int(np.argmax(pushes))
        pushed = first + int(np.argmin(np.append(pushes[first:], False)))  # it no longer does
        if not self._left_alone(history, start_ns, int(at_ns[some][max(pushed - 1, 0)])):
            return ""
        spare, seconds = spare[first:pushed], np.diff(at_ns[some][first:pushed]) / SECOND_NS
        given = float(np.sum((spare[1:] + spare[:-1]) / 2 * seconds))
        ratio = unit.gear_ratio or 1.0
        most = ROTOR_KGM2 + WHEELS_KGM2 / ratio**2
        if given <= most * omega:
            return ""
        return (
            f"and the other one of torque and speed amount to {given / omega:.2g} kgm^2, more than "
            f"the {most:.2g} kgm^2 of wheels and a large rotor: a wrong factor, or a wheel's speed"
        )

    def _balance(self, history: History, unit: DriveUnit, course: Course) -> str:
        """Whether the shaft sped up or slowed down otherwise than by its torque."""
        role, torque = unit.role("speed"), unit.role("torque")
        begin_ns, top_ns, end_ns = (int(course.time_ns[row]) for row in (0, course.top, -1))
        brake = history.samples(BRAKE).between(top_ns, end_ns) if self._bench.has(BRAKE) else None
        if brake is None:  # whatever slowed it down may have been a brake
            end_ns = top_ns
        elif (brake.value != 0).any():
            end_ns = int(brake.time_ns[np.argmax(brake.value != 0)])
        turns, pushes = (
            self._read(history, name, begin_ns - SECOND_NS // 4, end_ns) for name in (role, torque)
        )
        if not len(turns) or len(pushes) < 2:
            return ""
        turns, pushes = (replace(one, value=one.value * course.sense) for one in (turns, pushes))
        rolls = self._bench.stage == "rolling"
        if rolls:
            helped = self._helped(history, unit, pushes)
            if helped is None:
                return ""
            pushes = helped
        part = ROLLS if rolls else LEFT
        found = balance(turns, pushes, 2 * self._bench.u(role), part)
        if found is None:
            return ""
        if rolls and not found.rpm_per_Nms:
            return ""  # the road moved it, or somebody pushed
        if found.speed_late_s:
            self._hide(role, course, found.speed_late_s)
        if not found.left_rpm:
            return "" if rolls else self._other_inertia(unit, found.rpm_per_Nms)
        at_s = (found.time_ns - int(course.time_ns[course.first])) / SECOND_NS
        return (
            f"and the other one of torque and speed do not belong together: {at_s:.1f} s into a "
            f"burst the shaft was {abs(found.left_rpm):.0f} rpm "
            f"{'above' if found.left_rpm > 0 else 'below'} what its torque explains: one may be "
            "clipped, held or smoothed"
        )

    def _hide(self, role: str, course: Course, late_s: float) -> None:
        """Note by how much the shaft may have turned faster for a moment than was shown."""
        rows = slice(course.first, course.top + 1)
        times, rpm = course.time_ns[rows], course.rpm[rows]
        before = np.interp((times - times[0] - SLOPE_NS).astype(float), times - times[0], rpm)
        rpm_s = float((rpm - before).max()) / (SLOPE_NS / SECOND_NS)
        text = f"comes through a low-pass of about {late_s:.1f} s, and so hides up to "
        text += f"{late_s * rpm_s:.0f} rpm of how fast the shaft turned for a moment"
        hidden = Hidden(late_s * rpm_s, text)
        known = self.hidden.setdefault(role, hidden)
        if hidden.rpm > known.rpm:
            self.hidden[role] = hidden

    def _helped(self, history: History, unit: DriveUnit, pushes: Samples) -> Samples | None:
        """A unit's torque with what the others push the vehicle by; None if that is not known."""
        total = pushes.value
        for other in self._bench.units:
            if other is unit:
                continue
            ends = int(pushes.time_ns[0]), int(pushes.time_ns[-1]) + 1
            names = other.role("torque"), other.role("speed")
            torque, speed = (self._read(history, name, *ends) for name in names)
            if len(torque) < 2 or not len(speed):
                return None
            way = float(np.sign(speed.value[np.argmax(np.abs(speed.value))]))
            way *= (other.gear_ratio or 1.0) / (unit.gear_ratio or 1.0)
            since = torque.time_ns[0]
            at = (pushes.time_ns - since).astype(float)
            total = total + way * np.interp(
                at, (torque.time_ns - since).astype(float), torque.value
            )
        return replace(pushes, value=total)

    def _other_inertia(self, unit: DriveUnit, rpm_per_Nms: float) -> str:
        """Whether the shaft has another inertia in this burst than in one before."""
        if not rpm_per_Nms:
            return ""
        before = self._gains.setdefault(unit.name, rpm_per_Nms)
        if 1 / ALIKE <= rpm_per_Nms / before <= ALIKE:
            return ""
        own, other = (1 / (each * RAD_S) for each in (rpm_per_Nms, before))
        return (
            f"and the other one of torque and speed amount to {own:.2g} kgm^2 in one burst and to "
            f"{other:.2g} kgm^2 in another: a factor changed between them"
        )

    def _late_release(self, history: History, role: str, course: Course) -> str:
        """Whether torque and speed went on as before long after the pedal had been released."""
        torque = self._torque(history, role, course)
        if self._bench.creep or torque is None:
            return ""
        begin_ns, end_ns = (int(course.time_ns[row]) for row in (course.first, -1))
        pedal = history.samples(PEDAL).between(begin_ns, end_ns).known
        rests = pedal.value <= REST_PERCENT
        rows = np.flatnonzero(~rests[:-1] & rests[1:]) + 1
        at_ns, along_Nm = torque
        for row in rows.tolist():
            released_ns = int(pedal.time_ns[row])
            before = (at_ns > released_ns - DRAG_NS) & (at_ns <= released_ns)
            after = (at_ns > released_ns) & (at_ns <= released_ns + RELEASED_NS)
            known = pedal.between(released_ns, released_ns + RELEASED_NS).value
            if not before.any() or not after.any() or (known > REST_PERCENT).any():
                continue
            ends = course.time_ns.searchsorted([released_ns, released_ns + RELEASED_NS])
            rpm = course.rpm[ends[0] : ends[1]]
            # A shaft that slows down at once is not driven, whatever its torque says.
            if at_ns[-1] < released_ns + RELEASED_NS or len(rpm) < 4 or rpm.min() < HELD * rpm[0]:
                continue
            level = float(along_Nm[before].mean())
            u = self._bench.u(role)
            if level >= max(DRIVES_NM, 4 * u) and along_Nm[after].min() + u >= STAYS * level:
                return (
                    f"read released {RELEASED_NS / SECOND_NS:g} s and more before the torque of "
                    f"{level:.1f} Nm fell"
                )
        return ""

    def _clipped(self, history: History, role: str, course: Course) -> str:
        """Whether the speed stopped rising at once though the torque stayed."""
        torque = self._torque(history, role, course)
        if torque is None:
            return ""
        at_ns, along_Nm = torque
        width_ns = max(SLOPE_NS, 4 * max(course.every_ns, int(np.diff(at_ns).max())))
        rows = np.arange(course.first, len(course.rpm))
        times = course.time_ns[rows]
        rows = rows[(times - width_ns >= course.time_ns[0]) & (times + width_ns <= times[-1])]
        rows = rows[course.rpm[rows] >= CLEAR_RPM]
        if not len(rows):
            return ""
        begin = float(course.time_ns[0])

        def rpm_at(ns: Int64s) -> Floats:
            return np.asarray(np.interp(ns - begin, course.time_ns - begin, course.rpm))

        now = course.time_ns[rows]
        gained, gains = (
            course.rpm[rows] - rpm_at(now - width_ns),
            rpm_at(now + width_ns) - course.rpm[rows],
        )
        pushed, pushes = (
            _mean(at_ns, along_Nm, start, end)
            for start, end in ((now - width_ns, now), (now, now + width_ns))
        )
        flat = (gained >= CLEAR_RPM) & (np.abs(gains) <= FLAT * gained)
        flat &= (pushed >= PUSHES_NM) & (pushes >= STAYS * pushed)
        if not flat.any():
            return ""
        row = int(np.argmax(flat))
        if not self._left_alone(history, int(now[row] - width_ns), int(now[row] + width_ns)):
            return ""
        return (
            f"stopped rising at {course.rpm[rows[row]]:.0f} rpm although the torque stayed at"
            f" {pushes[row]:.0f} Nm: it may be clipped"
        )

    def _stairs(self, role: str, course: Course) -> str:
        """Whether the speed rose in a few wide jumps and stood still in between."""
        ways = np.diff(course.rpm[course.first : course.top + 1])
        wide_rpm = max(STAIR_RPM, STAIR_STEPS * 2 * self._bench.bindings[role].half_step)
        jumps = np.abs(ways) >= wide_rpm
        count = int(jumps.sum())
        if count < STAIRS or count * LANDINGS > (~jumps).sum():
            return ""
        if np.abs(ways[jumps]).sum() < STAIR_PART * np.abs(ways).sum():
            return ""
        # A steady rise that is read seldom leaps with each reading, and stands nowhere.
        beside = np.append(jumps[1:], False) | np.append(False, jumps[:-1])
        if (jumps & ~beside).sum() < STAIR_PART * count:
            return ""
        return (
            f"rose in {count} jumps of {np.median(np.abs(ways[jumps])):.0f} rpm and stood still in "
            "between: it resolves less than its definition says"
        )

    def _left_alone(self, history: History, from_ns: int, end_ns: int) -> bool:
        """Whether only the pedal acted: power on, brake and stop released, the same request.

        The ignition stays on as well.
        """
        closed = history.samples("@closed").between(from_ns, end_ns + 1)
        if self._poles and (closed.value != 1).any():
            return False
        for role in (BRAKE, STOP):
            if self._bench.has(role) and not (_held(history, role, from_ns, end_ns) == 0).all():
                return False
        if self._bench.has(IGNITION) and (_held(history, IGNITION, from_ns, end_ns) == 0).any():
            return False
        if not self._bench.has(REQUEST):
            return True
        asked = _held(history, REQUEST, from_ns, end_ns)
        return bool((asked == asked[0]).all() and asked[0] != 0)

    def _read(self, history: History, role: str, from_ns: int, end_ns: int) -> Samples:
        """A role's known samples, of a torque from the zero that it has with all poles open."""
        samples = history.samples(role).between(from_ns, end_ns).known
        zero_Nm = self._zeros.get(role, NO_ZERO).zero_Nm
        return replace(samples, value=samples.value - zero_Nm) if zero_Nm else samples

    def _torque(self, history: History, role: str, course: Course) -> tuple[Int64s, Floats] | None:
        """Stamps and torque along the burst's sense, from a second before it to its end."""
        from_ns, end_ns = int(course.time_ns[0]), int(course.time_ns[-1])
        samples = self._read(history, role, from_ns - SECOND_NS, end_ns + 1)
        return (samples.time_ns, samples.value * course.sense) if len(samples) > 2 else None

    @property
    def _poles(self) -> bool:
        return self._bench.has(*(f"contactors.{pole}" for pole in MAINS))

    def _powered(self, history: History, unit: DriveUnit, time_ns: int) -> bool:
        """Whether high voltage was on; a wheel turned by hand answers to nothing."""
        at = np.array([time_ns])
        if self._poles:
            return bool(step_at(history.samples("@closed"), at)[0] == 1)
        link = unit.role("link_voltage")
        return not self._bench.has(link) or bool(step_at(history.samples(link), at)[0] >= DEAD_V)


def _course(speed: Samples) -> Course | None:
    """The speed of a burst; None if it does not begin from rest, or jumps."""
    if len(speed) < 8:
        return None
    top = int(np.argmax(np.abs(speed.value)))
    sense = float(np.sign(speed.value[top]))
    rpm = speed.value * sense
    still: Bools = rpm[:top] < STILL_RPM
    rows = np.flatnonzero(still)
    if not len(rows):
        return None
    if np.abs(np.diff(rpm[rows[-1] : top + 1])).max() > GRADUAL * rpm[top]:
        return None
    return Course(speed.time_ns, rpm, sense, int(rows[-1]), top)


def _mean(at_ns: Int64s, value: Floats, start_ns: Int64s, end_ns: Int64s) -> Floats:
    """The mean of the readings in each stretch; NaN where there is none."""
    total = np.concatenate(([0.0], np.cumsum(value)))
    first, last = at_ns.searchsorted(start_ns), at_ns.searchsorted(end_ns, "right")
    count = last - first
    mean: Floats = np.where(count > 0, (total[last] - total[first]) / np.maximum(count, 1), np.nan)
    return mean


def _held(history: History, role: str, from_ns: int, end_ns: int) -> Floats:
    """What a role read over a stretch, with what it read as it began; NaN where it was unknown."""
    samples = history.samples(role)
    before = step_at(samples, np.array([from_ns]))
    return np.concatenate((before, samples.between(from_ns, end_ns + 1).value))
