"""Is a sensor stuck? It stood still where it should move, or began too late to show that it moves.

What must move by one raw step, and when (common practice, no source):

- in every spell in which a unit turns under power: pack and link voltage, pack current, the unit's
  torque; the brake must be seen released in it;
- each time that the poles close: pack current, which charges the link, and the 12 V, which pulls in
  the coils;
- once while a pole is closed: the insulation monitor;
- once in a run in which a unit turned: the driver's inputs, torque;
- once in a run in which a pole was closed or a unit turned: pack voltage and current, 12 V, and
  speed (not in stage power-up).

A voltage of coarse steps need not move while the others in its circuit show that it moved by less
than one and a half of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from canscope.model.bench import MAINS, Bench
from canscope.model.differences import differences_from
from canscope.model.history import LOOK_BACK_NS, History, step_at
from canscope.model.signals import NEVER, Samples
from canscope.model.tables import SECOND_NS, Floats, Int64s

MUST_MOVE = ("pack.voltage", "pack.current", "pack.insulation", "supply.voltage")
MUST_MOVE_CLOSED = "pack.insulation"
CLOSING_MOVES = ("pack.current", "supply.voltage")
MUST_MOVE_TO_TURN = ("driver.brake", "driver.pedal", "driver.direction")
BRAKE = "driver.brake"
BEGINS_NS = 1_200_000_000  # turning is known 0.2 s after it began; the load may come 1 s before it
SPELL_NS = SECOND_NS  # a shorter spell need not show anything
COARSE = 1.5  # steps of its own, by which others of its circuit may move while it stands
FEW = 5  # readings in a mean; common practice, no source
WHOLE = 1.0  # V: a reading that never changes and is whole may resolve no more
OPENS_NS = 3 * SECOND_NS // 10  # before a pole reads open a link may have let go; likewise


@dataclass
class Signs:
    """One role's signs of life so far: its raw code changed, or the brake was seen released."""

    raw: int | None = None  # the last raw code
    moved: bool = False
    moved_engaged: bool = False  # while a pole was closed or a unit turned
    last_ns: int = int(NEVER)  # the latest sign
    late: tuple[int, str] | None = None  # its first value came too late: since when, in words
    step: int = 0  # the smallest of its changes
    swing: float = 0.0  # how far others of its circuit moved while both poles were closed
    still: str = ""  # the first spell in which it gave no sign, in words


class Stuck:
    """Follows every bound role of one segment."""

    def __init__(self, bench: Bench) -> None:
        self.signs = {role: Signs() for role in bench.bindings}
        self.engaged = False  # whether a pole was ever closed or a unit turned
        self._bench = bench
        self._whole: dict[str, bool] = {}  # voltages that only ever read whole V
        self._turning: dict[str, int] = {}  # unit -> since when
        self._turned: dict[str, int] = {}  # unit -> when it first turned
        self._poles = bench.has(*(f"contactors.{pole}" for pole in MAINS))
        self._engaged_ns: int | None = None  # while both poles are closed: when the first did
        self._circuit = [
            role for role in ("pack.voltage", *bench.link_roles().values()) if bench.has(role)
        ]
        self._must_show = {unit.name: tuple(_must_show(bench, unit.name)) for unit in bench.units}

    def feed(
        self, new: Mapping[str, Samples], history: History, mattering: Samples, from_ns: int
    ) -> None:
        """Follow one piece: its new samples (already in ``history``), none before ``from_ns``.

        ``mattering``: steps, 1 while the vehicle is engaged and its nodes must speak.
        """
        self.engaged = self.engaged or bool((mattering.value == 1).any())
        turned = list(switches(self._bench, history, from_ns))
        for time_ns, unit, on in turned:
            if on:
                self._turned.setdefault(unit, time_ns)
        engaged = history.samples("@engaged")
        seen = {
            role: self._signs(role, samples, engaged)
            for role, samples in new.items()
            if len(samples)
        }
        for time_ns, unit, on in turned:
            if on:
                self._turning[unit] = time_ns
            elif unit in self._turning:
                self._spell(unit, self._turning.pop(unit), time_ns, history, seen)
        self._closings(history, from_ns, seen)
        for role, times in seen.items():
            if len(times):
                self.signs[role].last_ns = int(times[-1])

    def finish(self, history: History, until_ns: int) -> None:
        """Judge the spells that the end of the segment cuts off."""
        for unit, since_ns in self._turning.items():
            self._spell(unit, since_ns, until_ns, history, {})
        self._closed(until_ns, {}, history)

    def text(self, role: str) -> str:
        """How a reading stood still where it should have moved, in words; empty if it did not."""
        signs = self.signs[role]
        if signs.raw is None:
            return ""
        turned = bool(self._turned)
        speed = role.endswith(".speed") and self._bench.stage != "power-up"
        torque = role.endswith(".torque") and role.split(".")[1] in self._turned
        needed = self.engaged and (role in MUST_MOVE or speed or torque)
        if (needed or (turned and role in MUST_MOVE_TO_TURN)) and not signs.moved:
            if role in self._circuit and signs.swing < COARSE * self._resolves(role):
                return ""
            return "never changed in the whole run"
        if role == MUST_MOVE_CLOSED and self._poles and self.engaged and not signs.moved_engaged:
            return "never changed while a contactor was closed"
        return signs.still

    def _closings(self, history: History, from_ns: int, seen: Mapping[str, Int64s]) -> None:
        """Follow the closings of both poles in this piece."""
        closed, engaged = history.samples("@closed"), history.samples("@engaged")
        for row in range(int(np.searchsorted(closed.time_ns, from_ns)), len(closed)):
            time_ns = int(closed.time_ns[row])
            if closed.value[row] != 1:
                self._closed(time_ns, seen, history)
                continue
            since = np.flatnonzero((engaged.time_ns <= time_ns) & (engaged.value == 1))
            self._engaged_ns = int(engaged.time_ns[since[-1]]) if len(since) else time_ns

    def _closed(self, until_ns: int, seen: Mapping[str, Int64s], history: History) -> None:
        """Both poles were closed until now: note what has not moved since the first one closed."""
        since_ns, self._engaged_ns = self._engaged_ns, None
        if since_ns is None or until_ns - since_ns < SPELL_NS:
            return
        settled_ns = max(since_ns + 2 * SECOND_NS, until_ns - LOOK_BACK_NS)
        for role in self._circuit:
            swing = self._swing(role, settled_ns, until_ns - OPENS_NS, history)
            self.signs[role].swing = max(self.signs[role].swing, swing)
        text = f"never changed in {(until_ns - since_ns) / SECOND_NS:.1f} s with poles closed"
        for role in CLOSING_MOVES:
            signs = self.signs.get(role)
            if signs is None or signs.raw is None or signs.still:
                continue
            if _last(signs, seen, role, until_ns) < since_ns:
                signs.still = text

    def _signs(self, role: str, samples: Samples, engaged: Samples) -> Int64s:
        """When a role gave a sign of life in this piece."""
        signs = self.signs[role]
        first = signs.raw is None
        before = int(samples.raw[0]) if signs.raw is None else signs.raw
        changed = np.empty(len(samples), np.bool_)
        changed[0] = samples.raw[0] != before
        np.not_equal(samples.raw[1:], samples.raw[:-1], out=changed[1:])
        times: Int64s = samples.time_ns[changed.nonzero()]
        if len(times) and role in self._circuit:
            steps = np.abs(differences_from(before, samples.raw))[changed]
            signs.step = int(steps.min(initial=signs.step or steps[0]))
        signs.moved = signs.moved or len(times) > 0
        if not signs.moved_engaged and len(times):
            signs.moved_engaged = bool((step_at(engaged, times) == 1).any())
        signs.raw = int(samples.raw[-1])
        if role in self._circuit and (first or not samples.value[-1].is_integer()):
            self._whole[role] = bool(samples.value[-1].is_integer())
        if first:
            signs.late = self._late(role, int(samples.time_ns[0]))
        return samples.time_ns[samples.value == 0] if role == BRAKE else times

    def _late(self, role: str, first_ns: int) -> tuple[int, str] | None:
        """Since when a role should have had values; a unit's role need not know of other units."""
        words = role.split(".")
        units = (words[1],) if words[0] == "units" else tuple(self._turned)
        since = [self._turned[unit] for unit in units if unit in self._turned]
        if not since or min(since) >= first_ns:
            return None
        after_s = (first_ns - min(since)) / SECOND_NS
        return min(since), f"gave its first value {after_s:.2f} s after a unit began to turn"

    def _spell(
        self,
        unit: str,
        since_ns: int,
        until_ns: int,
        history: History,
        seen: Mapping[str, Int64s],
    ) -> None:
        """A unit turned in this time: note what gave no sign of life meanwhile."""
        if until_ns - since_ns < SPELL_NS or not self._powered(history, since_ns):
            return
        for role in self._must_show[unit]:
            signs = self.signs[role]
            if signs.raw is None or signs.still:
                continue
            last_ns = _last(signs, seen, role, until_ns)
            if last_ns <= since_ns - (0 if role == BRAKE else BEGINS_NS):
                if self._coarse(role, since_ns, until_ns, history):
                    continue
                word = "read pressed all the time" if role == BRAKE else "never changed"
                turned_s = (until_ns - since_ns) / SECOND_NS
                signs.still = f"{word} while {unit} turned for {turned_s:.1f} s"

    def _coarse(self, role: str, since_ns: int, until_ns: int, history: History) -> bool:
        """Whether a voltage need not move in a spell, as the others of its circuit show."""
        if role not in self._circuit:
            return False
        swing = self._swing(role, since_ns - BEGINS_NS, until_ns, history)
        self.signs[role].swing = max(self.signs[role].swing, swing)
        return swing < COARSE * self._resolves(role)

    def _resolves(self, role: str) -> float:
        """The step that a voltage moves by, in V: the smallest seen, or a whole V if all it is."""
        least_V = 2 * self._bench.bindings[role].half_step
        raw = self.signs[role].raw
        if self.signs[role].step or raw is None:
            return least_V * max(self.signs[role].step, 1)
        return max(least_V, WHOLE) if self._whole.get(role) else least_V

    def _swing(self, role: str, from_ns: int, until_ns: int, history: History) -> float:
        """How far the others of a voltage's circuit moved; infinite where none of them tells."""
        since_ns = max(from_ns, until_ns - LOOK_BACK_NS)
        ways = [
            float(np.ptp(_means(samples.value)))
            for other in self._circuit
            if other != role
            and len(samples := history.samples(other).between(since_ns, until_ns).known) > 1
        ]
        return max(ways, default=float("inf"))

    def _powered(self, history: History, time_ns: int) -> bool:
        """Whether high voltage was on; a wheel turned by hand loads nothing."""
        closed = step_at(history.samples("@closed"), np.array([time_ns]))
        return not self._poles or closed[0] == 1


def _means(values: Floats) -> Floats:
    """Means of a few readings, so that noise at either end moves nothing."""
    return values if len(values) < 2 * FEW else np.convolve(values, np.ones(FEW) / FEW, "valid")


def switches(bench: Bench, history: History, from_ns: int) -> Iterator[tuple[int, str, bool]]:
    """(when, unit, turns) for each unit that began or ceased to turn since then."""
    for unit in bench.units:
        steps = history.samples(f"@turning.{unit.name}")
        first = int(np.searchsorted(steps.time_ns, from_ns))
        for time_ns, value in zip(
            steps.time_ns[first:].tolist(), steps.value[first:].tolist(), strict=True
        ):
            yield time_ns, unit.name, value == 1


def _last(signs: Signs, seen: Mapping[str, Int64s], role: str, until_ns: int) -> int:
    """The latest sign of life up to an instant, in this piece or before it."""
    mine = seen.get(role, np.zeros(0, np.int64))
    inside = mine[mine <= until_ns]
    return int(inside[-1]) if len(inside) else signs.last_ns


def _must_show(bench: Bench, unit: str) -> Iterator[str]:
    """Roles on which a unit's turning must show. A rolling vehicle may drag a unit along."""
    roles = ["pack.voltage", "pack.current", BRAKE, *bench.link_roles().values()]
    if bench.stage != "rolling":
        roles.append(f"units.{unit}.torque")
    return (role for role in roles if role in bench.bindings)
