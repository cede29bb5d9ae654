"""The drive units: where they send, which signals may be theirs, and what only they have."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from canscope.draft.choices import Choice, Match
from canscope.draft.evidence import Candidate
from canscope.draft.facts import MessageFacts
from canscope.draft.inventory import Inventory
from canscope.draft.words import meanings
from canscope.rules.shared.checksums import PROFILES, WIDTH_BITS, bytes_of

AXLES = ("front", "rear", "left", "right")
REFERENCE = re.compile(r"follows the reference (\S+) with")  # as ``survey --accept`` writes it
PLACES = ("winding", "inverter", "motor")
NO_TEMPERATURE_OF_A_UNIT = ("coolant", "ambient", "battery", "cell", "target", "limit", "valid",
                            "brake", "charger", "fan")  # fmt: skip


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


def surveyed_as(one: Candidate) -> str:
    """The role that somebody knew, by which ``survey --accept`` found the signal; else empty."""
    said = REFERENCE.search(one.facts.spec.inferred)
    return said[1] if said else ""


def axle_of(one: Candidate) -> str | None:
    """The axle that the names of a signal and its message tell, if they tell one."""
    for name in (one.facts.spec.name, one.message.spec.name if one.message.spec else ""):
        found = [axle for axle in AXLES if meanings(name).get(axle, 0) >= 0.9]
        if len(found) == 1:
            return found[0]
    return None


def units_of(candidates: Sequence[Candidate], inventory: Inventory) -> list[Unit]:
    """A unit wherever there is a speed or a torque, or somebody knew what is a unit's.

    Each is on a bus, and one for each axle named on it.
    """
    files = {bus.channel: bus.files for bus in inventory.buses}
    places: dict[tuple[str, str | None], None] = {}
    for one in candidates:
        says = meanings(one.facts.spec.name)
        against = any(says.get(word, 0) > 0.6 for word in ("wheel", "vehicle", "fan", "target",
                                                            "limit", "steering"))  # fmt: skip
        units = one.dims or {}
        moving = ("rpm" in units or "Nm" in units) and not against
        if moving or surveyed_as(one).startswith("units."):
            places[one.channel, axle_of(one)] = None
    found = []
    for channel, axle in places:
        # Where some signals name an axle, those that do not belong to none of them.
        if axle is None and any(c == channel and a for c, a in places):
            continue
        unit = Unit(channel, axle, files.get(channel, ()))
        unit.name = channel if axle is None else f"{channel}-{axle}"
        found.append(unit)
    return found


def belongs(one: Candidate, unit: Unit, units: Sequence[Unit]) -> bool:
    """Whether a signal may be one of this unit's: on its bus, and not named for another axle."""
    if one.channel != unit.channel:
        return False
    axle = axle_of(one)
    if axle == unit.axle:
        return True
    alone = sum(other.channel == unit.channel for other in units) == 1
    return alone and (axle is None or unit.axle is None)


def fill(
    unit: Unit,
    candidates: Sequence[Candidate],
    choices: Mapping[str, Choice],
    units: Sequence[Unit],
) -> None:
    """Temperatures, counter and checksum of a unit."""
    own = [c for c in candidates if belongs(c, unit, units)]
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
