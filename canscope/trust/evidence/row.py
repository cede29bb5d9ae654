"""A row of the evidence table, and what several rows say alike."""

from __future__ import annotations

from dataclasses import dataclass
from fnmatch import fnmatchcase


@dataclass(frozen=True)
class Witness:
    """Something independent that a role is held against: a rule's name, or words; and how."""

    by: str
    how: str


@dataclass(frozen=True)
class Unseen:
    """What no signal of a run contradicts.

    ``kind`` is what was done (scale, offset, same-sensor, exchanged, delay ...), ``roles`` the
    patterns of all that it was done to alike, ``least`` and ``most`` between which sizes nobody
    sees it: of a scale the factor (of a temperature's by how much it moves a cold one), of an
    offset the change in the role's unit, of an idle current the seconds since both poles closed, of
    a pack voltage how far it is off, of an insulation the seconds, of a state that a link stands
    for the share of the pack, of a reading that is held how often it changes, of one that is
    clipped what that hides (of a torque or speed as a part of its highest value), of a torque's
    delay the rpm gained in it, of other delays, a low-pass and an early end the seconds, of an echo
    the cycle in ms.
    ``unless`` is a key of the plan whose statement makes it seen.
    """

    kind: str
    roles: tuple[str, ...]
    what: str
    anchor: str  # what a person does about it
    least: float = float("-inf")
    most: float = float("inf")
    unless: str = ""


@dataclass(frozen=True)
class Evidence:
    """What is known about the proof of one role, or of one for each word in place of a ``*``."""

    role: str
    witnesses: tuple[Witness, ...]
    lies: tuple[str, ...]
    unseen: tuple[Unseen, ...] = ()

    def covers(self, name: str) -> bool:
        """Whether this row is about that role."""
        same = name.count(".") == self.role.count(".")
        return same and fnmatchcase(name, self.role)


VOLTMETER = "measure it with a rated instrument by a qualified person, and note it as a reading"

REPEATED = Unseen(
    "gateway-repeats",
    ("*",),
    "a message without counter and checksum that a gateway repeats, while nothing that it says "
    "would have changed by more than three steps (of a temperature: by more than 3 K)",
    "send a rolling counter in it, and bind it",
    most=3.0,
)


def dead_bit(role: str, most: float, narrow: str) -> Unseen:
    """A bit of a number that never changes, where the reading passes over too few of its codes."""
    return Unseen(
        "bit-stuck",
        (role,),
        "a bit that never changes, as long as the reading passes over fewer than three of the "
        f"stretches of codes that it leaves out: it is off by no more then than {narrow}",
        "let the reading go slowly through its range, and see that it leaves out nothing",
        least=0.0,
        most=most,
    )


def held_last(role: str, most: float, why: str) -> Unseen:
    """A reading that a gateway repeats for moments, wherever it does not move fast just then."""
    return Unseen(
        "holds-last",
        (role,),
        f"a reading that is repeated for up to {most:g} s at a time, as a gateway does in place of "
        f"damaged frames, but never in the midst of a fast move: {why}",
        "look at the node's own diagnosis, or bind a rolling counter that the node itself sends",
        least=0.0,
        most=most,
    )
