"""Does what takes a current, or gives it, show in the run?

Where units stand still without torque, no more flows than converters and pumps take, and nothing
feeds the pack. Where they turn, shafts and losses take it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from canscope.model.median import median
from canscope.trust.remark import Remark
from canscope.trust.samples.clock_alignment import Alignment
from canscope.trust.samples.tenths import CURRENT, PACK, REACH, Tenths

IGNITION = "driver.ignition"
RAD_S = 2 * np.pi / 60  # per rpm
# All common practice, no source.
FED_A, FED_LASTS = 1.5, 20  # into the pack, beside the zero, for so many tenths
ZERO = 20  # tenths with all poles open, whose median is the zero
IDLE_NM, IDLE_RPM = 1.0, 15.0  # of a unit that takes nothing, beside half a step
STANDS_RPM = 30.0
SHAFTS, LOSS_W_NM = 2.0, 20.0  # times what shafts take, and of their units' losses by torque
TAKEN_W, LASTS = 3000.0, 3  # more than converters take, for so many tenths


class Flows:
    """Follows the pack current of one segment beside torques and speeds, tenth by tenth."""

    def __init__(self, tenths: Tenths) -> None:
        self._tenths = tenths
        self._zeros: list[tuple[int, float]] = []  # tenths with all poles open, and the current
        self._found: dict[str, Remark] = {}  # by kind
        self._stands = tenths.bench.stage != "rolling"

    def feed(self) -> None:
        """Look at the tenths that became known."""
        self._zero()
        for row in self._large() if self._tenths.shafts else ():
            self._note(self._takes(row))
            self._note(self._fed(row))
        if self._stands and self._tenths.shafts:
            self._note(self._wasted())

    def finish(self, alignment: Alignment) -> Iterator[Remark]:
        """What was wrong first, unless clocks that differ make it look so."""
        beside = (CURRENT, PACK, *self._tenths.shafts)
        if self._found and alignment.between(self._tenths.bench, beside) is None:
            yield from self._found.values()

    def _note(self, remarks: Iterator[Remark]) -> None:
        for remark in remarks:
            self._found.setdefault(remark.kind, remark)

    def _zero(self) -> None:
        """Take in what the current reads with all poles open."""
        if len(self._zeros) < ZERO:
            new = slice(-self._tenths.new, None)
            amps = self._tenths.of[CURRENT].mean[new]
            open_ = self._tenths.open[new] & ~np.isnan(amps)
            if self._tenths.bench.has(IGNITION):  # a node that sleeps may send anything
                open_ &= self._tenths.awake[new]
            rows = np.flatnonzero(open_)[: ZERO - len(self._zeros)]
            numbers = self._tenths.numbers[new]
            self._zeros += [(int(numbers[row]), float(amps[row])) for row in rows]

    def _zeros_before(self, row: int) -> list[float]:
        """What it read with all poles open, if that was for long enough before then."""
        before = int(self._tenths.numbers[row])
        zeros = [amps for number, amps in self._zeros if number < before]
        return zeros if len(zeros) == ZERO else []

    def _large(self) -> list[int]:
        """The new tenths in which so much flows that nothing may take it, or give it."""
        rows = self._tenths.rows(FED_LASTS + REACH)
        if not len(rows):
            return []
        amps = self._tenths.of[CURRENT].mean[rows]
        found = np.abs(amps * self._tenths.of[PACK].mean[rows]) > TAKEN_W
        found |= amps < -FED_A + max((zero for _, zero in self._zeros), default=0.0)
        return [int(row) for row in rows[found & self._tenths.closed[rows - LASTS]]]

    def _takes(self, row: int) -> Iterator[Remark]:
        """Whether more flows, for some tenths, than anything takes while no unit gives torque.

        In rolling a heater may: there it is told, and is no doubt.
        """
        now = slice(row - LASTS + 1, row + 1)
        watt = self._tenths.of[PACK].mean[now] * self._tenths.of[CURRENT].mean[now]
        if not np.abs(watt).min() > TAKEN_W:  # nearly always
            return
        if not self._tenths.closed[now].all() or not self._still(row, LASTS):
            return
        amps = float(self._tenths.of[CURRENT].mean[row])
        text = f"read {amps:.1f} A, which are {np.abs(watt).min() / 1000:.1f} kW, while no unit "
        text += "turned or gave torque: "
        if self._stands:
            text += f"nothing of the run {'takes' if amps > 0 else 'gives'} it"
        else:
            text += "look for what takes it, such as a heater"
        yield Remark(CURRENT, "wrong" if self._stands else "told", text, self._tenths.at_ns(row))

    def _fed(self, row: int) -> Iterator[Remark]:
        """Whether current flows into the pack for long, though no unit slows down."""
        now = slice(row - FED_LASTS + 1, row + 1)
        amps = self._tenths.of[CURRENT].mean[now]
        zeros = self._zeros_before(row)
        if not zeros or not amps.max() < -FED_A + max(zeros):
            return
        least_A = FED_A + 2 * self._tenths.bench.u(CURRENT)
        zero_A = median(np.array(zeros))
        if not amps.max() < zero_A - least_A or not self._tenths.closed[now].all():
            return
        if self._still(row, FED_LASTS):
            text = f"read {amps.max():.1f} A and less for {FED_LASTS / 10:g} s, beside a zero of "
            text += f"{zero_A:.1f} A, while no unit turned: nothing of the run feeds the pack"
            yield Remark(CURRENT, "wrong", text, self._tenths.at_ns(row))

    def _wasted(self) -> Iterator[Remark]:
        """Whether far more flows, for some tenths, than shafts that turn take and their units lose.

        On stands: in rolling a heater or a pump may run as well. It is told, and is no doubt: the
        plan's ceiling of the current says how much may.
        """
        rows = self._tenths.rows(LASTS + REACH)
        volts, amps = self._tenths.of[PACK].mean, self._tenths.of[CURRENT].mean
        for row in rows[volts[rows] * amps[rows] > TAKEN_W].tolist():  # nearly never
            now, near = slice(row - LASTS + 1, row + 1), slice(row - LASTS - REACH, row + 1 + REACH)
            allowed_W, fastest_rpm = TAKEN_W, 0.0
            for shaft in self._tenths.pairs:
                most_Nm, most_rpm = (self._tenths.most(role, near) for role in shaft)
                fastest_rpm = max(fastest_rpm, most_rpm)
                allowed_W += (SHAFTS * most_rpm * RAD_S + LOSS_W_NM) * most_Nm
            least_W = float(np.min(volts[now] * amps[now]))
            if self._tenths.closed[now].all() and fastest_rpm > STANDS_RPM and least_W > allowed_W:
                text = f"read {np.min(amps[now]):.1f} A, which are {least_W / 1000:.1f} kW, while "
                text += f"shafts and losses took {allowed_W / 1000:.1f} kW at most: look for what "
                text += "takes the rest, such as a heater"
                yield Remark(CURRENT, "told", text, self._tenths.at_ns(row))
                return

    def _still(self, row: int, lasts: int) -> bool:
        """Whether no unit turned or gave torque in so many tenths and beside them."""
        near = slice(row - lasts + 1 - REACH, row + 1 + REACH)
        for role in self._tenths.shafts:
            most = IDLE_RPM if role.endswith(".speed") else IDLE_NM
            if not self._tenths.most(role, near) <= most + self._tenths.bench.u(role):
                return False
        return True
