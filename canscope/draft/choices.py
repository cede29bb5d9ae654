"""Roles take signals from the best score down; what is unclear stays open."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from canscope.draft.evidence import Candidate, likeness

SURE = 0.6  # below it a role is left open
CLEAR = 0.12  # and so is one whose signal is no better than the next by that much
TWINS = 0.25  # the same for two signals of the same course
LIKELY = 0.35  # a unit is there where its speed or torque has a candidate as good as that


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


def is_likely(choice: Choice) -> bool:
    return choice.taken is not None or any(one.score > LIKELY for one in choice.others)


def assigned(found: Sequence[Match]) -> dict[str, Choice]:
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
