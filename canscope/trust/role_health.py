"""How far each role can be believed over a run: seen, moving, fresh, available and in range.

A pass that rests on a role which was absent while it mattered is no pass. It matters while the
vehicle is engaged (a pole closed or a unit turning) and its nodes must speak.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from canscope.model.bench import Bench
from canscope.model.cycle import STALE_CYCLES
from canscope.model.events import Span, Window
from canscope.model.history import History, step_at
from canscope.model.history import steps as steps_of
from canscope.model.median import distinct
from canscope.model.outcome import Doubt, Subject
from canscope.model.rule import Rule, Worst
from canscope.model.signals import NOT_AVAILABLE, OK, OUT_OF_RANGE, Samples
from canscope.model.tables import SECOND_NS, Int64s
from canscope.trust.movement.standing_still import Stuck
from canscope.trust.remark import suspect_code
from canscope.trust.samples.clock_alignment import Alignment, unordered
from canscope.trust.samples.missing_value import REASON_OF_STATUS, Absence, absence_in, told_absent
from canscope.trust.samples.staleness import gaps, stale_after_ns
from canscope.trust.shaft.unit_answers import Answers

BETWEEN_NS = 150_000_000  # a lever passes between two places; common practice, no source
FOREVER = 2**62


@dataclass
class RoleHealth:
    """One role over one segment so far. ``lowest`` and ``highest`` are in the role's own unit."""

    samples: int = 0
    not_available: int = 0
    out_of_range: int = 0
    lowest: float = float("inf")
    highest: float = float("-inf")
    last_ns: int | None = None
    last_raw: int | None = None
    doubts: dict[str, Absence] = field(default_factory=dict)  # by reason
    unlisted: tuple[int, int] | None = None  # since when it reads a code that the plan lacks


class Health:
    """Follows every bound role of one segment."""

    def __init__(self, bench: Bench) -> None:
        self.roles = {role: RoleHealth() for role in bench.bindings}
        self._bench = bench
        self._stuck = Stuck(bench)
        self._answers = Answers(bench)
        self._from_ns = 0

    def feed(self, new: Mapping[str, Samples], history: History, until_ns: int) -> None:
        """Follow one piece: its new samples (already in ``history``), of roles that have any."""
        mattering = _mattering(history)
        self._stuck.feed(new, history, mattering, self._from_ns)
        self._answers.feed(history, self._from_ns, until_ns)
        for role, samples in new.items():
            self._count(role, samples, mattering)
            self._gaps(role, samples.time_ns, history, mattering)
        self._from_ns = until_ns

    def finish(self, history: History, until_ns: int) -> None:
        """Judge the silence between each role's last sample and the end of the segment."""
        self._stuck.finish(history, until_ns)
        self._answers.finish(history, until_ns)
        mattering = _mattering(history)
        for role, health in self.roles.items():
            if health.last_ns is not None:
                stale_ns = stale_after_ns(history, role, health.last_ns)
                _note_gap(health, until_ns - health.last_ns, stale_ns, until_ns, mattering)
            _note_code(health, FOREVER, mattering)  # nobody knows how long it would have stood

    def doubts(self, roles: Iterable[str], subject: str) -> list[Doubt]:
        """What was absent at some time that mattered, and lowers a pass that rests on it."""
        return [
            absence.doubt(subject, reason, self._bench.bindings[role].key)
            for role in roles
            if role in self.roles
            for reason, absence in self._absences(role)
        ]

    def stuck(self, roles: Iterable[str], subject: str, clocks: Alignment) -> list[Doubt]:
        """What stood still, or did not answer, where it should have, and lowers a pass likewise.

        A reading that did not answer to one of another bus, whose clock differs, may have done so.
        """
        found = []
        for role in roles:
            text = self._stuck.text(role) if role in self.roles else ""
            code, why = suspect_code(role), self._answers.whys.get(role)
            if not text and why is not None:
                apart = clocks.between(self._bench, why.roles)
                if apart is not None:
                    found.append(unordered(subject, apart[1]))
                    continue
                text, code = why.text, why.code
            if text:
                text = f"{self._bench.bindings[role].key} {text}"
                found.append(Doubt(subject, "sensor-suspect", text, code=code))
        return found

    def hidden(self, rule: Rule, subject: Subject, worst: Worst | None) -> list[Doubt]:
        """What a low-pass may hide of the highest reading by which this subject passes."""
        found = []
        for role, hidden in self._answers.hidden.items():
            if role not in subject.needs or not rule.peaks or worst is None:
                continue
            if worst.margin < worst.uncertainty + hidden.rpm:
                text = f"{self._bench.bindings[role].key} {hidden.text}"
                code = suspect_code(role)
                found.append(Doubt(subject.name, "sensor-suspect", text, code=code))
        return found

    def _absences(self, role: str) -> Iterator[tuple[str, Absence]]:
        yield from self.roles[role].doubts.items()
        if late := self._stuck.signs[role].late:
            yield "stale", Absence(*late, "heard-late")

    def _count(self, role: str, samples: Samples, mattering: Samples) -> None:
        health = self.roles[role]
        health.samples += len(samples)
        before, health.last_raw = health.last_raw, int(samples.raw[-1])
        known = samples.known.value
        if len(known):
            health.lowest = min(health.lowest, float(known.min()))
            health.highest = max(health.highest, float(known.max()))
        whole = len(known) == len(samples) and not samples.status.any()
        if whole and health.unlisted is None:
            return
        health.not_available += int((samples.status == NOT_AVAILABLE).sum())
        health.out_of_range += int((samples.status == OUT_OF_RANGE).sum())
        absent = {reason: samples.status == status for status, reason in REASON_OF_STATUS.items()}
        self._unlisted(health, samples, mattering)
        for reason, rows in absent.items():
            if reason not in health.doubts and rows.any():
                bad = np.flatnonzero(rows & (step_at(mattering, samples.time_ns) == 1))
                if len(bad):
                    row, spec = int(bad[0]), self._bench.bindings[role].signal
                    last = int(samples.raw[row - 1]) if row else before
                    told = told_absent(reason, int(samples.raw[row]), last, spec)
                    health.doubts[reason] = Absence(int(samples.time_ns[row]), *told)

    def _unlisted(self, health: RoleHealth, samples: Samples, mattering: Samples) -> None:
        """Doubt codes that the plan lacks, unless a lever only passes between two places."""
        unlisted = np.isnan(samples.value) & (samples.status == OK)
        edges = np.flatnonzero(np.diff(unlisted, prepend=health.unlisted is not None))
        for row in edges.tolist():
            if unlisted[row]:
                health.unlisted = int(samples.time_ns[row]), int(samples.raw[row])
            else:
                _note_code(health, int(samples.time_ns[row]), mattering)
                health.unlisted = None

    def _gaps(self, role: str, times: Int64s, history: History, mattering: Samples) -> None:
        health = self.roles[role]
        if health.last_ns is None:
            _note_late_start(health, role, int(times[0]), history, mattering)
        else:
            times = np.concatenate(([health.last_ns], times))
        health.last_ns = int(times[-1])
        for row in gaps(history, role, times).tolist():
            last_ns, until_ns = int(times[row]), int(times[row + 1])
            patience_ns = int(history.patience_ns(role, times[row + 1 : row + 2])[0])
            if self._started_anew(role, last_ns, until_ns, history):
                until_ns -= patience_ns  # its first value that counts, as of one heard late
            elif step_at(mattering, np.array([last_ns]))[0] != 1:
                until_ns -= patience_ns // STALE_CYCLES  # a node that is back says so by then
            silent_ns = int(times[row + 1]) - last_ns
            _note_gap(health, silent_ns, last_ns + patience_ns, until_ns, mattering)

    def _started_anew(self, role: str, last_ns: int, until_ns: int, history: History) -> bool:
        """Whether frames came until the end of a gap that did not count, after a restart."""
        message = f"#{self._bench.bindings[role].signal.message_key}"
        times = history.samples(message).between(last_ns + 1, until_ns).time_ns
        if not len(times):
            return False
        return bool(until_ns - times[-1] <= history.patience_ns(message, times[-1:])[0])


def window_doubts(
    bench: Bench, history: History, roles: Iterable[str], subject: str, span: Span
) -> list[Doubt]:
    """What was absent inside one closed window, and lowers its pass.

    Nodes may fall silent after an opening, so there the rules themselves decide for how long they
    must hear something.
    """
    found = []
    for role in roles:
        if role not in bench.bindings:
            continue
        key = bench.bindings[role].key
        samples = history.samples(role).between(span.start_ns, span.end_ns)
        for status, reason in REASON_OF_STATUS.items():
            if (samples.status == status).any():
                row = int(np.argmax(samples.status == status))
                absence = absence_in(history, bench.bindings[role], reason, samples[row : row + 1])
                found.append(absence.doubt(subject, reason, key))
        if span.kind is Window.OPENING or not len(history.samples(role)):
            continue
        times = np.concatenate(([span.start_ns], samples.time_ns, [span.end_ns]))
        late = gaps(history, role, times)
        if len(late):
            gap_s = (times[late[0] + 1] - times[late[0]]) / SECOND_NS
            text = f"{key} gave nothing for {gap_s:.2f} s"
            found.append(Doubt(subject, "stale", text, int(times[late[0]])))
    return found


def _note_late_start(
    health: RoleHealth, role: str, first_ns: int, history: History, mattering: Samples
) -> None:
    """Note a role, such as all those of one bus, that was first heard after it began to matter."""
    since_ns = first_ns - int(history.patience_ns(role, np.array([first_ns]))[0])
    earlier = mattering.between(0, since_ns)
    if (earlier.value == 1).any():
        begun_ns = int(earlier.time_ns[earlier.value == 1][0])
        late_s = (first_ns - begun_ns) / SECOND_NS
        text = f"was first heard {late_s:.2f} s after a contactor had closed or a unit had turned"
        health.doubts["stale"] = Absence(begun_ns, text, "heard-late")


def _note_code(health: RoleHealth, until_ns: int, mattering: Samples) -> None:
    """Note a code that stood until then, if it mattered meanwhile and stood for too long."""
    if health.unlisted is None or "not-available" in health.doubts:
        return
    from_ns, code = health.unlisted
    matters = step_at(mattering, np.array([from_ns]))[0] == 1
    matters |= bool((mattering.between(from_ns, until_ns).value == 1).any())
    if matters and until_ns - from_ns > BETWEEN_NS:
        text = f"read {code}, which the plan does not list"
        health.doubts["not-available"] = Absence(from_ns, text, "unlisted-code")


def _note_gap(
    health: RoleHealth, silent_ns: int, stale_ns: int, until_ns: int, mattering: Samples
) -> None:
    """Note a gap if it mattered anywhere between the instant of staleness and its end."""
    if stale_ns >= until_ns or "stale" in health.doubts:
        return
    inside = mattering.between(stale_ns, until_ns)
    if step_at(mattering, np.array([stale_ns]))[0] == 1 or (inside.value == 1).any():
        text = f"{silent_ns / SECOND_NS:.2f} s without one"
        health.doubts["stale"] = Absence(stale_ns, text)


def _mattering(history: History) -> Samples:
    """Steps: 1 while the vehicle is engaged and its nodes must speak.

    A unit that dies while it turns stays "turning" for ever; no node need speak after key-off.
    """
    engaged, awake = history.samples("@engaged"), history.samples("@awake")
    times = distinct(np.concatenate((engaged.time_ns, awake.time_ns)))
    both = (step_at(engaged, times) == 1) & (step_at(awake, times) == 1)
    return steps_of(times, both.astype(np.float64))
