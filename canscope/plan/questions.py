"""Open questions of a drafted plan: a ``"?"`` where only a person knows what belongs there.

A plan with open questions cannot be used. Each is told as a mistake at its line, with what has to
be answered and in which form; what rests on it is not reported a second time.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from canscope.model.bench import STAGES
from canscope.plan.lines import KeyPath

MARK = "?"
FREE = ("marks", "readings")  # what a person wrote down may well be a question mark


@dataclass(frozen=True)
class Question:
    """What is asked at one key; ``*`` in ``path`` stands for any key."""

    path: tuple[str, ...]
    asks: str
    form: str  # examples of answers, as the plan writes them
    choices: tuple[str, ...] = ()  # all answers there are, if they are few
    typed: str = ""  # how somebody answers who is asked; without it as the plan writes it

    @property
    def spoken(self) -> str:
        """What an answer may be, without the quotes that only a plan needs."""
        if self.choices == YES_NO:
            return "yes or no"
        form = "a number" if self.form == NUMBER else self.form
        return self.typed or ", ".join(self.choices).replace('"', "") or form

    def covers(self, path: KeyPath) -> bool:
        """Whether it is asked at this key path."""
        keys = [str(part) for part in path]
        same = [mine in ("*", key) for mine, key in zip(self.path, keys, strict=False)]
        return len(keys) == len(self.path) and all(same)


# No value that somebody might copy: a copied mounting turns a healthy axle into a failed one.
NUMBER = "a number, with a decimal point"
YES_NO = ("true", "false")
QUESTIONS = (
    Question(
        ("job", "vehicle"),
        "what is the vehicle called?",
        '"Bramble, forestry 4x4"',
        typed="any name",
    ),
    Question(
        ("job", "stage"),
        "which stage is tested?",
        ", ".join(f'"{stage}"' for stage in STAGES),
        tuple(f'"{stage}"' for stage in STAGES),
        "unit-alone: one unit on the bench\n"
        "power-up:   in the vehicle, nothing spins\n"
        "dry-spin:   wheels off the ground, without coolant or oil\n"
        "wet-spin:   wheels off the ground, with both\n"
        "rolling:    on the ground",
    ),
    *(
        Question(
            ("job", fluid),
            f"is there {fluid} in it?",
            '"empty" or "filled"',
            ('"empty"', '"filled"'),
        )
        for fluid in ("coolant", "oil")
    ),
    Question(
        ("buses", "*", "definitions"),
        "which definition is right for this bus? Several fit its frames equally well",
        'a list of files such as ["drive_unit.dbc"]',
    ),
    Question(
        ("pack", "maximum_voltage_V"), "what voltage has the fully charged pack, in V?", NUMBER
    ),
    Question(
        ("pack", "current", "invert"),
        "does the signal count charging as positive? It was negative while the units drove",
        "true or false",
        YES_NO,
    ),
    Question(
        ("contactors", "bleed"),
        "what discharges the link once the contactors are open?",
        '"active", "passive" or false for nothing',
        ('"active"', '"passive"', "false"),
        "active (switched on), passive (a resistor that is always there) or false for nothing",
    ),
    *(
        Question(
            ("driver", "direction", way),
            f"which raw codes or labels mean {way}?",
            "a list such as [1]",
            typed="one or several, with commas between them",
        )
        for way in ("forward", "reverse", "neutral")
    ),
    Question(
        ("units", "*"),
        "which axle does this unit drive? Turn a wheel by hand and see which speed moves",
        "front, rear or another word in its place, as in [units.front]",
        typed="front, rear or another word",
    ),
    Question(
        ("units", "*", "mounting"),
        "how is the unit turned from the way it sat in its donor vehicle, in degrees?",
        "{ roll = .., pitch = .., yaw = .. }, all 0 as in the donor, yaw 180 turned end for end",
        typed="three angles: roll, pitch, yaw; all 0 as in the donor, yaw 180 turned end for end",
    ),
    Question(
        ("units", "*", "phases_swapped"),
        "were two phases exchanged, together with the position sensor?",
        "true or false",
        YES_NO,
    ),
    Question(
        ("units", "*", "gear_ratio"),
        "how often does the motor turn while a wheel turns once?",
        NUMBER,
    ),
    Question(("limits", "dry_burst_s"), "how long may one dry burst last, in s?", NUMBER),
    Question(
        ("limits", "dry_total_s"), "how long may all dry turning last together, in s?", NUMBER
    ),
    Question(
        ("limits", "dry_current_A"), "what may the pack give while a unit is dry, in A?", NUMBER
    ),
    Question(("limits", "current_A"), "what may the pack give, in A?", NUMBER),
    Question(("limits", "speed_rpm"), "how fast may a motor turn in this test, in rpm?", NUMBER),
    Question(
        ("limits", "temperature_ceiling_degC", "*"),
        "how hot may it get, in degC?",
        NUMBER,
    ),
    Question(
        ("not_on_this_vehicle", "reason"),
        "why does no bus carry these roles, and what was checked by hand instead?",
        '"box without feedback; checked with instrument 3"',
        typed="what was checked, and with which instrument; - leaves them unproven",
    ),
    Question(("not_on_this_vehicle", "by"), "who signs for that?", '"A. Tester"', typed="a name"),
)
ELSE = Question(("*",), "nobody has answered yet what belongs here", "the value in its place")
CODES = {"true": "true", "false": "false"}


def question_at(path: KeyPath) -> Question:
    """The question that is asked at a key path."""
    for question in QUESTIONS:
        if question.covers(path):
            return question
    if path and path[-1] in CODES:
        return Question((), f"which raw codes or labels mean {path[-1]}?", "a list such as [1]")
    return ELSE


def is_open(value: object) -> bool:
    """Whether a value of the plan is an open question."""
    if isinstance(value, list):
        return any(is_open(entry) for entry in value if isinstance(entry, str))
    return isinstance(value, str) and value.strip() == MARK


def open_questions(data: Mapping[str, Any], path: KeyPath = ()) -> Iterator[KeyPath]:
    """The key path of every open question; of a unit whose name begins with "?", its own."""
    for key, value in data.items():
        here = (*path, key)
        if path == () and key in FREE:
            continue
        if path == ("units",) and str(key).startswith(MARK):
            yield here
        if is_open(value):
            yield here
        elif isinstance(value, dict):
            yield from open_questions(value, here)


def without(data: Mapping[str, Any], paths: set[KeyPath], path: KeyPath = ()) -> dict[str, Any]:
    """The data without the values at these paths; a unit that is asked for keeps its table."""
    kept: dict[str, Any] = {}
    for key, value in data.items():
        here = (*path, key)
        if here in paths and not isinstance(value, dict):
            continue
        kept[key] = without(value, paths, here) if isinstance(value, dict) else value
    return kept
