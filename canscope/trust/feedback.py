"""What the attempts, bursts and openings of a run say of the readings of high voltage.

Each witness looks at one closed window and remarks on a role: that it came late, that it said
something before it can have happened, that it did not answer to what moves it. The first remark of
each kind on each role is kept, and lowers a pass that rests on the role.
"""

from __future__ import annotations

from collections.abc import Iterable

from canscope.model.bench import Bench
from canscope.model.events import Window
from canscope.model.outcome import Doubt, Subject
from canscope.model.piece import ClosedWindow
from canscope.model.rule import Rule, Worst
from canscope.trust.high_voltage import (
    charge,
    discharge,
    monitor,
    pack_answers,
    pole_word,
    twelve_volts,
)
from canscope.trust.high_voltage.leaps_alone import leaps_alone
from canscope.trust.high_voltage.like_before import like_before
from canscope.trust.high_voltage.losses import losses
from canscope.trust.high_voltage.still_fed import still_fed
from canscope.trust.high_voltage.stood_alone import stood_alone
from canscope.trust.movement import trailing
from canscope.trust.movement.held import held
from canscope.trust.movement.repeated import repeated
from canscope.trust.movement.scatter import scatters
from canscope.trust.remark import Remark
from canscope.trust.samples.clock_alignment import Alignment
from canscope.trust.shaft import driven_on
from canscope.trust.shaft.brake_slows import brake_slows
from canscope.trust.shaft.late_answer import late_answer

LEVELS_MS = 200.0  # by which a reading may come late whose levels alone count
WITNESSES = {
    Window.ATTEMPT: (
        pole_word.closing,
        pole_word.charging,
        trailing.current,
        charge.charge,
        charge.halves,
        charge.only_falls,
        charge.only_rises,
        pack_answers.steady,
        pack_answers.stands,
        twelve_volts.supply,
        twelve_volts.stands_as_one_closes,
        twelve_volts.lifted_by_coils,
        discharge.gone_at_once,
        driven_on.live_all_along,
        driven_on.live_before,
        driven_on.closed_by_reset,
        held,
        repeated,
    ),
    Window.BURST: (
        trailing.pack_voltage,
        trailing.against_shafts,
        trailing.torque,
        pack_answers.together,
        pack_answers.taken,
        stood_alone,
        leaps_alone,
        losses,
        like_before,
        scatters,
        late_answer,
        brake_slows,
        driven_on.driven_on,
        driven_on.off_while_closed,
        held,
        repeated,
    ),
    Window.OPENING: (
        pole_word.opening,
        still_fed,
        pack_answers.gone,
        discharge.one_circuit,
        discharge.rises_again,
        discharge.steps_down,
        discharge.passive_tail,
        discharge.passive_stays,
        twelve_volts.converter_off,
        monitor.insulation,
        driven_on.kept_live,
        driven_on.off_while_closed,
        held,
        repeated,
    ),
}


class Feedback:
    """All remarks of a run so far; bounded by the number of roles."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        # By role and kind, and whether it is but a little late.
        self._remarks: dict[tuple[str, str, bool], Remark] = {}

    def add(self, window: ClosedWindow, alignment: Alignment) -> None:
        """Take in a closed window, after ``alignment`` has."""
        roles = window.bench.link_roles().values()
        links = tuple(role for role in roles if not alignment.differs(window.bench, role))
        for witness in WITNESSES.get(window.span.kind, ()):
            self.note(witness(window, links))

    def note(self, remarks: Iterable[Remark]) -> None:
        """Keep the first remark of each kind on each role.

        By when it was so, not by when it became known: that depends on how the run is cut.
        """
        for remark in remarks:
            key = (remark.role, remark.kind, _little(remark))
            known = self._remarks.get(key, remark)
            self._remarks[key] = min(known, remark, key=lambda one: (one.at_ns, one.text))

    def doubts(self, rule: Rule, subject: Subject, worst: Worst | None) -> list[Doubt]:
        """What lowers a pass of this subject."""
        found = []
        for remark in self._in_order():
            if remark.role not in subject.needs or remark.kind == "told":
                continue
            if remark.kind == "late state" and not _needs_time(rule, worst, remark.late_ms):
                continue
            if remark.role in rule.levels and _little(remark):
                continue
            text, code = self._text(remark), remark.doubt_code
            found.append(Doubt(subject.name, remark.reason, text, remark.at_ns, code=code))
        return found

    def notes(self) -> list[str]:
        """Every remark, for the report."""
        return [self._text(remark) for remark in self._in_order()]

    def _in_order(self) -> list[Remark]:
        """By time: the order in which they became known depends on how the run is cut."""
        return sorted(self._remarks.values(), key=lambda one: (one.at_ns, one.role, one.kind))

    def _text(self, remark: Remark) -> str:
        return f"{self._bench.bindings[remark.role].key} {remark.text}"


def _little(remark: Remark) -> bool:
    """Whether a reading comes so little late that its highest and lowest levels are the same."""
    return remark.kind == "late" and 0 < remark.late_ms <= LEVELS_MS


def _needs_time(rule: Rule, worst: Worst | None, late_ms: float) -> bool:
    """Whether a rule rests on when a pole changed, within so many ms.

    What is judged in an attempt looks for the true instant by itself.
    """
    if rule.window is Window.ATTEMPT:
        return False
    if rule.order:
        return True
    late = late_ms if rule.unit == "ms" else late_ms / 1000
    return rule.timed and worst is not None and worst.margin < worst.uncertainty + late
