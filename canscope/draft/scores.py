"""The score of every role and signal: name, unit, course, and whether any other fits."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from canscope.draft.choices import Match
from canscope.draft.evidence import Candidate, Picture, turns
from canscope.draft.role_words import SAYS, UNIT_OF, says
from canscope.draft.units import Unit, belongs, surveyed_as
from canscope.draft.words import meanings
from canscope.model.bench import POLES, Kind
from canscope.model.roles import ROLES

NAME, UNIT, BEHAVIOUR, ALONE = 0.55, 0.2, 0.35, 0.35  # what each kind of evidence counts
NAMED_ALONE = 0.2  # the only one with such a name, and nothing in its course against it
OF_BOTH = 0.4  # taken off where a contactor is named and no pole: it may tell of both
NAMELESS = 0.15  # taken off where neither name nor unit says anything


class Scores:
    """Scores of every role and signal."""

    def __init__(
        self, candidates: Sequence[Candidate], picture: Picture, units: Sequence[Unit]
    ) -> None:
        self.candidates, self.picture, self.units = candidates, picture, units
        self.with_units = {unit.channel for unit in units}
        self.all_buses = {one.channel for one in candidates}
        self._movers = [c for c in candidates if c.dims and ("Nm" in c.dims)]
        self._directions: list[Candidate] = []

    def all(self) -> list[Match]:
        """Every match worth a look."""
        directions = self._of("driver.direction", self.candidates, self.picture.direction)
        self._directions = [m.candidate for m in directions if m.score > 0.3]
        found = list(directions)
        found += self._of("pack.voltage", self.candidates, self.picture.pack_voltage)
        found += self._of("pack.current", self.candidates, self._pack_current)
        found += self._of("pack.insulation", self.candidates, self._insulation)
        found += self._of("supply.voltage", self.candidates, self.picture.supply_voltage)
        found += self._of("driver.ignition", self.candidates, self.picture.ignition)
        found += self._of("driver.brake", self.candidates, self._brake)
        found += self._of("driver.emergency_stop", self.candidates, self._emergency)
        for role in ("driver.pedal", "driver.pedal_2"):
            found += self._of(role, self.candidates, self._pedal)
        found += self._of("cooling.flow", self.candidates, lambda one: 0.3)
        found += self._poles()
        for unit in self.units:
            own = [c for c in self.candidates if belongs(c, unit, self.units)]
            for word, behave in (
                ("speed", self._speed),
                ("torque", self._torque),
                ("link_voltage", self.picture.link_voltage),
                ("fault", self._fault),
            ):
                found += self._of(f"units.*.{word}", own, behave, f"units.{unit.name}.{word}")
        surveyed = list(self._surveyed())
        settled = {match.candidate.key for match in surveyed}
        return [match for match in found if match.candidate.key not in settled] + surveyed

    def _surveyed(self) -> Iterator[Match]:
        """Signals that a survey found by what somebody knew of this very role.

        A number that was found by marks has no scale: it is named, and not bound.
        """
        for one in self.candidates:
            name = surveyed_as(one)
            role = next((r for r in ROLES if name and r.covers(name)), None)
            if role is None:
                continue
            if role.words[0] == "units":
                own = [u for u in self.units if belongs(one, u, self.units)]
                if len(own) != 1:
                    continue
                name = ".".join(["units", own[0].name, *name.split(".")[2:]])
            if role.kind is not Kind.NUMBER or one.dims is not None:
                yield Match(name, one, 0.95, "found by your reference")
            else:
                yield Match(name, one, 0.5, "found by your marks, which say nothing of its scale")

    def _of(
        self,
        role: str,
        candidates: Sequence[Candidate],
        behave: Callable[[Candidate], float],
        name: str = "",
    ) -> list[Match]:
        rows = []
        unit = UNIT_OF.get(role)
        for one in candidates:
            if unit is None and not one.is_state and role != "units.*.fault":
                continue
            if unit is not None and not (one.is_number if one.dims is None else unit in one.dims):
                continue
            said = says(one, SAYS[role])
            did = behave(one) if one.facts.count else 0.0
            if did <= -1:
                continue
            rows.append((one, said, did, unit is not None and one.dims is not None))
        likely = [row for row in rows if row[2] > 0.25 and row[1] > -0.3]
        if any(row[3] for row in likely):  # a number without a unit is no rival but by its name
            likely = [row for row in likely if row[3] or row[1] > 0.4]
        named = [row for row in rows if row[1] > 0.6]
        found = []
        for one, said, did, has_unit in rows:
            alone = len(likely) == 1 and likely[0][0] is one
            score = NAME * said + UNIT * has_unit + BEHAVIOUR * did + ALONE * alone
            if not alone and did > -0.3 and said > 0.6 and len(named) == 1:
                score += NAMED_ALONE
            if not has_unit and said <= 0.2 and not (unit is None and alone and did >= 0.9):
                score -= NAMELESS
            if role.startswith("units.") is False and self._is_unit_bus(one) and said < 0.6:
                score -= 0.1
            if score > 0.2:
                why = _why(said, has_unit, did, alone)
                found.append(Match(name or role, one, score, why))
        return found

    def _is_unit_bus(self, one: Candidate) -> bool:
        return one.channel in self.with_units and self.with_units != self.all_buses

    def _poles(self) -> Iterator[Match]:
        for pole in POLES:
            others = {p: -0.7 for p in POLES if p != pole}
            if pole == "precharge":  # "positive precharge contactor" is one for pre-charge
                others = dict.fromkeys(others, -0.1)
            words = {pole: 0.65, "contactor": 0.3, "state": 0.1, "command": -0.6, "target": -0.4,
                     "fault": -0.8, "insulation": -0.8, "voltage": -0.6, "counter": -0.2,
                     **others}  # fmt: skip
            asked = {pole: 0.55, "contactor": 0.2, "command": 0.5, "target": 0.1, "fault": -0.8,
                     "insulation": -0.8, **others}  # fmt: skip
            for role, table in (
                (f"contactors.{pole}", words),
                (f"contactors.{pole}.command", asked),
            ):
                least = 0.4 if role.endswith("command") else -0.3
                rows = [c for c in self.candidates if c.is_state and says(c, table) > least]
                fitting = [c for c in rows if self.picture.pole(c, pole) > 0.25]
                for one in rows:
                    said, did = says(one, table), self.picture.pole(one, pole)
                    alone = len(fitting) == 1 and fitting[0] is one
                    score = NAME * said + BEHAVIOUR * did + ALONE * alone
                    if not says(one, {pole: 1.0}) > 0.2 and not (alone and did >= 0.9):
                        score -= NAMELESS / 2
                    own = meanings(one.facts.spec.name)
                    if own.get("contactor", 0) > 0.5 and not own.keys() & {*POLES}:
                        score -= OF_BOTH
                    if said >= 0.6 and did >= 0:
                        score += 0.1
                    if score > 0.2:
                        yield Match(role, one, score, _why(said, False, did, alone))

    def _pack_current(self, one: Candidate) -> float:
        return 0.9 * self.picture.alike(one, self._movers)

    def _insulation(self, one: Candidate) -> float:
        _, high = one.range_in("ohm")
        return 0.6 if one.dims and high > 1e4 else 0.0

    def _brake(self, one: Candidate) -> float:
        return self.picture.brake(one, self._directions)

    def _emergency(self, one: Candidate) -> float:
        return 0.1 if not one.facts.changes else -0.1

    def _pedal(self, one: Candidate) -> float:
        low, high = one.range_in("%")
        if not (low > -10 and high <= 130):
            return -0.5
        return 0.9 * self.picture.alike(one, self._movers)

    def _speed(self, one: Candidate) -> float:
        turning = turns(one)
        if turning <= 0 or one.dims is not None:
            return turning
        # Without a unit it has to move with the torque of its own bus.
        beside = [c for c in self._movers if c.channel == one.channel]
        return turning if self.picture.alike(one, beside) > 0.5 else 0.0

    def _torque(self, one: Candidate) -> float:
        if one.dims is None and not meanings(one.facts.spec.name).get("torque"):
            return -1.0
        size = np.abs(np.nan_to_num(one.course))
        return 0.7 if size.max(initial=0) > 0 and (size < 0.3 * size.max()).mean() > 0.2 else 0.0

    def _fault(self, one: Candidate) -> float:
        if one.is_counter or (one.is_number and one.dims is not None):
            return -1.0
        return 0.3 if len(one.facts.codes or range(99)) <= 4 else -0.5


def _why(said: float, unit: bool, did: float, alone: bool) -> str:
    parts = ["name"] if said > 0.4 else []
    parts += ["unit"] if unit else []
    parts += ["behaviour"] if did > 0.4 else []
    parts += ["no other fits"] if alone else []
    return ", ".join(parts) or "little"
