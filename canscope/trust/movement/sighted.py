"""Did a person see an axle turn whose speed said that it stood?

With both contactors closed nobody turns a wheel by hand, and no open differential turns two wheels
against each other. A speed that showed nothing of it all that time is wrong, or is another axle's.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from canscope.model.bench import GEAR_RATIO, Bench, DriveUnit, Mark
from canscope.model.history import History
from canscope.model.tables import SECOND_NS
from canscope.trust.remark import Remark

# All common practice, no source.
BEFORE_NS = 30 * SECOND_NS  # that a person may take to mark what was seen
AFTER_NS = 7 * SECOND_NS // 5  # by which clocks may differ, and what has just begun is known
LEAST_NS = 5 * SECOND_NS  # for which the contactors were closed before it
WHEEL_RPM, MOVES_RPM = 2.0, 16.0  # of a wheel; of the motor at most
SILENT_NS = SECOND_NS  # in which it may have turned unseen
SENSES = ("forward", "reverse")


class Sighted:
    """Follows the marks of one segment that say which way an axle turned."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._axles = {unit.name: unit for unit in bench.units}
        self._waiting: tuple[Mark, ...] = ()
        self._told: set[str] = set()

    def add(self, marks: Iterable[Mark]) -> None:
        """Marks that were made in a new slice."""
        mine = (m for m in marks if m.axle in self._axles and m.seen in SENSES)
        self._waiting = (*self._waiting, *mine)

    def feed(self, history: History, until_ns: int) -> Iterator[Remark]:
        """Speeds that showed no motion where a person saw one, of marks that are old enough."""
        due = [mark for mark in self._waiting if _ends_ns(mark) < until_ns]
        self._waiting = tuple(mark for mark in self._waiting if mark not in due)
        for mark in due:
            unit = self._axles[str(mark.axle)]
            role = unit.role("speed")
            if role not in self._told and self._stood(unit, mark, history):
                self._told.add(role)
                text = "showed no motion for so long, though a person saw that axle turn "
                text += f"{mark.seen} with both contactors closed"
                yield Remark(role, "wrong", text, mark.time_ns)

    def _stood(self, unit: DriveUnit, mark: Mark, history: History) -> bool:
        """Whether it was known to stand while the unit could drive, for up to 30 s before."""
        steps = history.samples("@closed").between(0, mark.time_ns + 1)
        if not len(steps) or steps.value[-1] != 1:
            return False
        begin_ns = max(mark.time_ns - BEFORE_NS, int(steps.time_ns[-1]))
        if mark.time_ns - mark.u_ns - begin_ns < LEAST_NS:
            return False  # what turned before may have been meant
        end_ns = _ends_ns(mark)
        role = unit.role("speed")
        known = history.samples(role).between(begin_ns, end_ns).known
        times = np.concatenate((np.array([begin_ns]), known.time_ns, np.array([end_ns])))
        if not len(known) or np.diff(times).max() > SILENT_NS:
            return False
        least_rpm = min(WHEEL_RPM * (unit.gear_ratio or GEAR_RATIO), MOVES_RPM)
        return float(np.abs(known.value).max()) <= least_rpm + self._bench.u(role)


def _ends_ns(mark: Mark) -> int:
    return mark.time_ns + max(AFTER_NS, mark.u_ns)
