"""Which signal is which role: by its name, unit, range and what it does in the capture.

Every role and signal has a score; roles take signals from the best score down. What is below
``SURE``, or no better than another signal that is still free, is left open with its alternatives.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from canscope.draft.evidence import Candidate, Picture, likeness, turns
from canscope.draft.inventory import Inventory, MessageFacts
from canscope.draft.words import meanings
from canscope.model.bench import POLES
from canscope.rules.shared.checksums import PROFILES, WIDTH_BITS, bytes_of

SURE = 0.6  # below it a role is left open
CLEAR = 0.12  # and so is one whose signal is no better than the next by that much
TWINS = 0.25  # the same for two signals of the same course
NAME, UNIT, BEHAVIOUR, ALONE = 0.55, 0.2, 0.35, 0.35  # what each kind of evidence counts
LIKELY = 0.35  # a unit is there where its speed or torque has a candidate as good as that
NAMED_ALONE = 0.2  # the only one with such a name, and nothing in its course against it
NAMELESS = 0.15  # taken off where neither name nor unit says anything
FROM_MESSAGE = 0.4  # what a word in the message's name counts beside one in the signal's
OF_A_MESSAGE = ("target", "command", "limit")  # a message of targets has nothing but targets
AXLES = ("front", "rear", "left", "right")

# Role -> meaning of a word -> how much it speaks for the role (or against it).
SAYS: Mapping[str, Mapping[str, float]] = {
    "pack.voltage": {
        "voltage": 0.5, "battery": 0.5, "high": 0.3, "link": -0.6, "inverter": -0.5, "motor": -0.4,
        "low": -1, "cell": -1, "limit": -0.6, "target": -0.8, "charger": -0.6, "current": -0.4,
        "temperature": -0.5, "second": -0.1, "insulation": -0.5,
    },
    "pack.current": {
        "current": 0.5, "battery": 0.5, "high": 0.3, "phase": -1, "motor": -0.4, "limit": -0.6,
        "target": -0.8, "low": -1, "charger": -0.6, "cell": -0.5, "voltage": -0.4, "inverter": -0.3,
    },
    "pack.insulation": {"insulation": 0.75, "resistance": 0.35, "limit": -0.5, "fault": -0.6},
    "supply.voltage": {
        "voltage": 0.45, "low": 0.6, "high": -1, "link": -0.7, "cell": -1, "motor": -0.3,
        "inverter": -0.5, "target": -0.8, "limit": -0.6, "battery": 0.0,
    },
    "driver.ignition": {"ignition": 1.0, "contactor": -0.5, "brake": -0.9, "fault": -0.6,
                        "counter": -0.3, "emergency": -0.6, "pedal": -0.5, "direction": -0.5},
    "driver.brake": {"brake": 0.95, "pedal": 0.1, "pressure": -1, "emergency": -0.5, "fault": -0.7,
                     "temperature": -1, "wheel": -0.5, "target": -0.3, "torque": -0.6},
    "driver.emergency_stop": {"emergency": 1.0, "fault": -0.4, "brake": -0.5},
    "driver.pedal": {"accelerator": 0.8, "pedal": 0.65, "position": 0.2, "brake": -1,
                     "second": -0.5, "limit": -0.6, "fault": -0.7, "steering": -0.8,
                     "power": -0.5},
    "driver.pedal_2": {"accelerator": 0.5, "pedal": 0.2, "position": 0.15, "brake": -1,
                       "second": 0.6, "limit": -0.6, "fault": -0.7, "steering": -0.8},
    "driver.direction": {"direction": 0.9, "accelerator": -0.5, "brake": -0.6, "contactor": -0.6,
                         "fault": -0.6, "steering": -0.8, "valid": -0.6},
    "cooling.flow": {"flow": 0.75, "coolant": 0.35, "temperature": -0.8, "pressure": -0.6},
    "units.*.speed": {"speed": 0.75, "motor": 0.35, "wheel": -0.9, "vehicle": -0.9, "target": -0.8,
                      "limit": -0.7, "fan": -0.8, "torque": -0.6, "temperature": -0.6,
                      "valid": -0.8, "second": -0.1},
    "units.*.torque": {"torque": 0.85, "motor": 0.25, "target": -0.8, "limit": -0.7, "speed": -0.4,
                       "steering": -1, "command": -0.6, "wheel": -0.6, "valid": -0.8,
                       "brake": -0.5},
    "units.*.link_voltage": {
        "voltage": 0.45, "link": 0.6, "inverter": 0.5, "motor": 0.1, "battery": -0.5, "low": -1,
        "cell": -1, "target": -0.8, "limit": -0.6, "phase": -0.6, "current": -0.4, "charger": -0.5,
    },
    "units.*.fault": {"fault": 0.95, "brake": -0.5, "battery": -0.5, "contactor": -0.5,
                      "counter": -0.7, "limit": -0.3, "insulation": -0.6},
}  # fmt: skip
UNIT_OF = {
    "pack.voltage": "V", "pack.current": "A", "pack.insulation": "ohm", "supply.voltage": "V",
    "driver.pedal": "%", "driver.pedal_2": "%", "cooling.flow": "l/min", "units.*.speed": "rpm",
    "units.*.torque": "Nm", "units.*.link_voltage": "V",
}  # fmt: skip
PLACES = ("winding", "inverter", "motor")
NO_TEMPERATURE_OF_A_UNIT = ("coolant", "ambient", "battery", "cell", "target", "limit", "valid",
                            "brake", "charger", "fan")  # fmt: skip


@dataclass(frozen=True)
class Match:
    """One role and one signal; ``why`` is the evidence in words."""

    role: str
    candidate: Candidate
    score: float
    why: str = ""

    @property
    def percent(self) -> int:
        """The score as a person reads it, from 0 to 99."""
        return round(min(max(self.score, 0.0), 0.99) * 100)


@dataclass
class Choice:
    """What was found for one role: the signal that is taken, if any, and the others."""

    role: str
    taken: Match | None
    others: tuple[Match, ...] = ()


@dataclass
class Unit:
    """One drive unit: where it sends, and which axle its names say it drives."""

    channel: str
    axle: str | None  # a word of its names
    files: tuple[str, ...] = ()
    temperatures: dict[str, Match] = field(default_factory=dict)
    alive: Candidate | None = None
    checksum: tuple[Candidate, str] | None = None  # with the profile that fits every frame
    name: str = ""


@dataclass
class Matches:
    """All roles of the vehicle."""

    choices: dict[str, Choice]  # by role, units by their name
    units: list[Unit]
    picture: Picture


def match(inventory: Inventory) -> Matches:
    """Find the signal of every role."""
    candidates = [
        Candidate(bus.channel, message, facts, inventory.end_ns)
        for bus in inventory.buses
        for message, facts in bus.signals()
        if facts.count or not inventory.frames
    ]
    picture = Picture(candidates)
    units = _units(candidates, inventory)
    scored = _Scores(candidates, picture, units)
    choices = _assigned(scored.all())
    # A unit that nothing likely moves is none; which of several signals it is may stay open.
    kept = [
        unit
        for unit in units
        if any(_is_likely(choices[f"units.{unit.name}.{word}"]) for word in ("speed", "torque"))
    ]
    for unit in kept:
        _fill(unit, candidates, choices, units)
    gone = {unit.name for unit in units} - {unit.name for unit in kept}
    choices = {
        r: c for r, c in choices.items() if not any(r.startswith(f"units.{g}.") for g in gone)
    }
    return Matches(choices, kept, picture)


def _is_likely(choice: Choice) -> bool:
    return choice.taken is not None or any(one.score > LIKELY for one in choice.others)


def _axle(one: Candidate) -> str | None:
    """The axle that the names of a signal and its message tell, if they tell one."""
    for name in (one.facts.spec.name, one.message.spec.name if one.message.spec else ""):
        found = [axle for axle in AXLES if meanings(name).get(axle, 0) >= 0.9]
        if len(found) == 1:
            return found[0]
    return None


def _units(candidates: Sequence[Candidate], inventory: Inventory) -> list[Unit]:
    """A unit wherever there is a speed or a torque: on a bus, and for each axle named on it."""
    files = {bus.channel: bus.files for bus in inventory.buses}
    places: dict[tuple[str, str | None], None] = {}
    for one in candidates:
        says = meanings(one.facts.spec.name)
        against = any(says.get(word, 0) > 0.6 for word in ("wheel", "vehicle", "fan", "target",
                                                            "limit", "steering"))  # fmt: skip
        units = one.dims or {}
        moving = ("rpm" in units or "Nm" in units) and not against
        if moving:
            places[one.channel, _axle(one)] = None
    found = []
    for channel, axle in places:
        # Where some signals name an axle, those that do not belong to none of them.
        if axle is None and any(c == channel and a for c, a in places):
            continue
        unit = Unit(channel, axle, files.get(channel, ()))
        unit.name = channel if axle is None else f"{channel}-{axle}"
        found.append(unit)
    return found


class _Scores:
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
            own = [c for c in self.candidates if _belongs(c, unit, self.units)]
            for word, behave in (
                ("speed", self._speed),
                ("torque", self._torque),
                ("link_voltage", self.picture.link_voltage),
                ("fault", self._fault),
            ):
                found += self._of(f"units.*.{word}", own, behave, f"units.{unit.name}.{word}")
        return found

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
                SAID[role] = table
                least = 0.4 if role.endswith("command") else -0.3
                rows = [c for c in self.candidates if c.is_state and says(c, table) > least]
                fitting = [c for c in rows if self.picture.pole(c, pole) > 0.25]
                for one in rows:
                    said, did = says(one, table), self.picture.pole(one, pole)
                    alone = len(fitting) == 1 and fitting[0] is one
                    score = NAME * said + BEHAVIOUR * did + ALONE * alone
                    if not says(one, {pole: 1.0}) > 0.2 and not (alone and did >= 0.9):
                        score -= NAMELESS / 2
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


SAID: dict[str, Mapping[str, float]] = {}


def says(one: Candidate, words: Mapping[str, float]) -> float:
    """From -1 to 1: what the names of a signal and its message say for a role."""
    own = meanings(one.facts.spec.name)
    around = meanings(one.message.spec.name) if one.message.spec else {}
    total = 0.0
    for word, weight in words.items():
        strength = own.get(word, 0.0)
        if weight > 0 or word in OF_A_MESSAGE:
            strength = max(strength, FROM_MESSAGE * around.get(word, 0.0))
        total += weight * strength
    return float(np.clip(total, -1.0, 1.0))


def _why(said: float, unit: bool, did: float, alone: bool) -> str:
    parts = ["name"] if said > 0.4 else []
    parts += ["unit"] if unit else []
    parts += ["behaviour"] if did > 0.4 else []
    parts += ["no other fits"] if alone else []
    return ", ".join(parts) or "little"


def _belongs(one: Candidate, unit: Unit, units: Sequence[Unit]) -> bool:
    """Whether a signal may be one of this unit's: on its bus, and not named for another axle."""
    if one.channel != unit.channel:
        return False
    axle = _axle(one)
    if axle == unit.axle:
        return True
    alone = sum(other.channel == unit.channel for other in units) == 1
    return alone and (axle is None or unit.axle is None)


def _assigned(found: Sequence[Match]) -> dict[str, Choice]:
    """Roles take signals from the best score down; what is unclear stays open."""
    by_role: dict[str, list[Match]] = defaultdict(list)
    for one in found:
        by_role[one.role].append(one)
    table = {(m.role, m.candidate.key): m.score for m in found}
    taken: dict[str, Match] = {}
    used: dict[str, str] = {}
    for one in sorted(found, key=lambda m: (-m.score, m.role, m.candidate.key)):
        if one.score < SURE:
            break
        if one.role not in taken and one.candidate.key not in used:
            taken[one.role] = one
            used[one.candidate.key] = one.role
    unclear = set()
    for role, one in taken.items():
        for other in by_role[role]:
            key = other.candidate.key
            if key == one.candidate.key:
                continue
            if key not in used:
                close = one.score - other.score < _clear(one, other)
            else:  # would it be as good if the two roles changed their signals?
                back = table.get((used[key], one.candidate.key), 0.0)
                now = one.score + taken[used[key]].score
                close = back > 0.2 and now - other.score - back < CLEAR
            if close:
                unclear.add(role)
    used = {m.candidate.key: role for role, m in taken.items() if role not in unclear}
    choices = {}
    for role, matches in by_role.items():
        best = taken.get(role) if role not in unclear else None
        ranked = sorted(matches, key=lambda m: (-m.score, m.candidate.key))
        others = [m for m in ranked if m is not best and used.get(m.candidate.key) in (None, role)]
        choices[role] = Choice(role, best, tuple(others[:3]))
    return _Whole(choices)


def _clear(one: Match, other: Match) -> float:
    """By how much one has to be better: a twin (asked for and actual, say) differs by name only."""
    mine, theirs = one.candidate.course, other.candidate.course
    return TWINS if likeness(mine, theirs) > 0.97 else CLEAR


class _Whole(dict[str, Choice]):
    """Choices; a role that no signal was found for has none."""

    def __missing__(self, role: str) -> Choice:
        return Choice(role, None)


def _fill(
    unit: Unit,
    candidates: Sequence[Candidate],
    choices: Mapping[str, Choice],
    units: Sequence[Unit],
) -> None:
    """Temperatures, counter and checksum of a unit."""
    own = [c for c in candidates if _belongs(c, unit, units)]
    used = {c.taken.candidate.key for c in choices.values() if c.taken}
    heat = [c for c in own if c.dims and "degC" in c.dims and c.key not in used]
    heat = [
        c for c in heat
        if not any(meanings(c.facts.spec.name).get(w, 0) > 0.6 for w in NO_TEMPERATURE_OF_A_UNIT)
    ]  # fmt: skip
    words = [_place(c) for c in heat]
    for one, word in zip(heat, words, strict=True):
        if words.count(word) > 1 or word is None:
            word = one.facts.spec.name.casefold()
        unit.temperatures[word] = Match(f"units.{unit.name}.temperatures.{word}", one, 0.8, "unit")
    moving = [choices[f"units.{unit.name}.{word}"].taken for word in ("speed", "torque")]
    anchors = [one.candidate.message for one in moving if one]
    free = [c for c in own if c.key not in used and (not anchors or c.message in anchors[:1])]
    counters = [c for c in free if c.is_counter and c.facts.changes > 20]
    unit.alive = counters[0] if len(counters) == 1 else None
    checked = [(c, checksum_profile(c, c.message)) for c in free]
    sure = [(one, profile) for one, profile in checked if profile]
    unit.checksum = sure[0] if len(sure) == 1 else None


def _place(one: Candidate) -> str | None:
    said = meanings(one.facts.spec.name)
    found = [word for word in PLACES if said.get(word, 0) >= 0.6]
    if "winding" in found or found == ["motor"]:
        return "winding"
    return "inverter" if "inverter" in found else None


def checksum_profile(one: Candidate, message: MessageFacts) -> str | None:
    """The checksum over the bytes before a signal that every kept frame bears out, if any."""
    spec = one.facts.spec
    if spec.length_bits != WIDTH_BITS or len(bytes_of(spec)) != 1:
        return None
    at = min(bytes_of(spec))
    rows = np.array([list(p[: at + 1]) for p in message.payloads if len(p) > at], np.uint8)
    if at == 0 or len(rows) < 8 or len(np.unique(rows[:, at])) < 4:
        return None
    columns = [np.ascontiguousarray(rows[:, byte]) for byte in range(at)]
    right = [name for name, profile in PROFILES.items() if (profile(columns) == rows[:, at]).all()]
    return right[0] if len(right) == 1 else None
