"""Did a person see an axle turn whose speed said that it stood?

With both contactors closed nobody turns a wheel by hand, and no open differential turns two wheels
against each other. A speed that showed nothing of it all that time is wrong, or is another axle's.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from canscope.model.bench import Bench, Mark
from canscope.model.history import History, step_at
from canscope.model.tables import SECOND_NS
from canscope.trust.remark import Remark

# All common practice, no source.
BEFORE_NS = 30 * SECOND_NS  # that a person may take to mark what was seen
AFTER_NS = 7 * SECOND_NS // 5  # by which clocks may differ, and what has just begun is known
MOVES_RPM = 16.0  # more than a resolver's own noise; 2 rpm of a wheel behind 8:1
SENSES = ("forward", "reverse")


class Sighted:
    """Follows the marks of one segment that say which way an axle turned."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._axles = {unit.name: unit.role("speed") for unit in bench.units}
        self._waiting: tuple[Mark, ...] = ()
        self._told: set[str] = set()

    def add(self, marks: Iterable[Mark]) -> None:
        """Marks that were made in a new slice."""
        mine = (m for m in marks if m.axle in self._axles and m.seen in SENSES)
        self._waiting = (*self._waiting, *mine)

    def feed(self, history: History, until_ns: int) -> Iterator[Remark]:
        """Speeds that showed no motion where a person saw one, of marks that are old enough."""
        due = [mark for mark in self._waiting if mark.time_ns + AFTER_NS < until_ns]
        self._waiting = tuple(mark for mark in self._waiting if mark not in due)
        for mark in due:
            role = self._axles[str(mark.axle)]
            if role not in self._told and self._stood(role, mark, history):
                self._told.add(role)
                text = f"showed no motion in {BEFORE_NS // SECOND_NS} s, though a person saw that "
                text += f"axle turn {mark.seen} with both contactors closed"
                yield Remark(role, "wrong", text, mark.time_ns)

    def _stood(self, role: str, mark: Mark, history: History) -> bool:
        """Whether it was known to stand all the while, and the unit could drive."""
        begin_ns, end_ns = mark.time_ns - BEFORE_NS, mark.time_ns + AFTER_NS
        closed = step_at(history.samples("@closed"), np.array([mark.time_ns - mark.u_ns, end_ns]))
        samples = history.samples(role).between(begin_ns, end_ns)
        if not len(samples.known) or not (closed == 1).all():
            return False
        most_rpm = float(np.abs(samples.known.value).max())
        return most_rpm <= MOVES_RPM + self._bench.u(role)
