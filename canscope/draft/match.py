"""Which signal is which role: by its name, unit, range and what it does in the capture.

Every role and signal has a score; roles take signals from the best score down. A role whose best
signal is not sure, or no better than another that is still free, is left open.
"""

from __future__ import annotations

from dataclasses import dataclass

from canscope.draft.choices import Choice, assigned, is_likely
from canscope.draft.evidence import Candidate, Picture
from canscope.draft.inventory import Inventory
from canscope.draft.scores import Scores
from canscope.draft.units import Unit, belongs, fill, surveyed_as, units_of


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
    units = units_of(candidates, inventory)
    scored = Scores(candidates, picture, units)
    choices = assigned(scored.all())
    known = [c for c in candidates if surveyed_as(c).startswith("units.")]
    # A unit that nothing likely moves is none, unless somebody knew what is one's; which of
    # several signals it is may stay open.
    kept = [
        unit
        for unit in units
        if any(is_likely(choices[f"units.{unit.name}.{word}"]) for word in ("speed", "torque"))
        or any(belongs(one, unit, units) for one in known)
    ]
    for unit in kept:
        fill(unit, candidates, choices, units)
    gone = {unit.name for unit in units} - {unit.name for unit in kept}
    choices = {
        r: c for r, c in choices.items() if not any(r.startswith(f"units.{g}.") for g in gone)
    }
    return Matches(choices, kept, picture)
