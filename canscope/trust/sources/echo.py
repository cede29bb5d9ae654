"""Is a contactor's state its contact's own word, or the command again?

A contact follows its coil after 10 ms and more. A state that changes in the very samples in which
its command does, again and again, at a sampling that would show the difference, is an echo.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from canscope.model.bench import POLES, Bench
from canscope.model.history import History
from canscope.model.outcome import Doubt, Subject
from canscope.model.signals import Samples

# The least that a contact takes to close and to open; common practice, no source.
CLOSES_NS, OPENS_NS = 10 * 10**6, 5 * 10**6
POSITIVE = "contactors.positive"
# Delays are round numbers, so that with so long a cycle all that a box does by its timers falls at
# one place between two frames; only positive waits for something else, the link. Likewise.
ROUND_NS = 40 * 10**6
RARE = 0.06  # chance that a real contact was never seen to differ, below which it is an echo


@dataclass
class Follower:
    """One state beside its command so far; ``chance`` that a real contact had looked the same."""

    differed: bool = False
    changes: int = 0
    chance: float = 1.0
    slowest_ns: int = 0  # between the samples beside a change
    last: tuple[int, float] | None = None


class Echo:
    """Follows every pole that has a state and a command, over the whole run."""

    def __init__(self, bench: Bench) -> None:
        roles = [f"contactors.{pole}" for pole in POLES]
        self._poles = {r: Follower() for r in roles if bench.has(r, f"{r}.command")}
        self._bench = bench

    def feed(self, new: Mapping[str, Samples], history: History) -> None:
        """Follow one piece: its new samples, which are already in ``history``."""
        for role, pole in self._poles.items():
            state = new[role].known if role in new else None
            command = history.samples(f"{role}.command").known
            if state is None or not len(state) or not len(command):
                continue
            row = np.searchsorted(command.time_ns, state.time_ns, "right") - 1
            asked = command.value[np.maximum(row, 0)]
            pole.differed |= bool(((asked != state.value) & (row >= 0)).any())
            times, values = state.time_ns, state.value
            if pole.last is not None:
                times = np.concatenate(([pole.last[0]], times))
                values = np.concatenate(([pole.last[1]], values))
            pole.last = int(times[-1]), float(values[-1])
            for i in np.flatnonzero(np.diff(values)).tolist():
                least_ns = CLOSES_NS if values[i + 1] == 1 else OPENS_NS
                between_ns = int(times[i + 1] - times[i])
                pole.chance *= max(0.0, 1 - least_ns / max(between_ns, 1))
                pole.slowest_ns = max(pole.slowest_ns, between_ns)
                pole.changes += 1

    def roles(self) -> list[str]:
        """The states that are an echo of their commands."""
        alike = {r: p for r, p in self._poles.items() if p.changes and not p.differed}
        chances = [p.chance for p in alike.values()]
        if any(p.slowest_ns >= ROUND_NS for p in alike.values()) and POSITIVE in alike:
            timed = [p.chance for r, p in alike.items() if r != POSITIVE]
            chances = [alike[POSITIVE].chance, min(timed, default=1.0)]
        together = float(np.prod(chances))
        all_alike = len(alike) == len(self._poles)
        return [r for r, p in alike.items() if p.chance < RARE or (all_alike and together < RARE)]

    def doubts(self, subject: Subject) -> list[Doubt]:
        """What rests on an echo where only the contact's own word would do."""
        return [
            Doubt(subject.name, "inferred", self._text(role), code="echo")
            for role in self.roles()
            if role in subject.own_word
        ]

    def notes(self) -> list[str]:
        """Every echo, for the report."""
        return [self._text(role) for role in self.roles()]

    def _text(self, role: str) -> str:
        changes, key = self._poles[role].changes, self._bench.bindings[role].key
        return (
            f"{key} changed {changes} times, each time in the same sample as its command: it is an "
            "echo of the command, not the contact's own word"
        )
