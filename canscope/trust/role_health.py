"""How far each role can be believed: seen, moving, fresh, available and in range.

A pass that rests on a role which was absent while it mattered is no pass. It matters while the
vehicle is engaged: a pole closed or a unit turning.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from canscope.model.bench import Bench
from canscope.model.events import Span, Window
from canscope.model.history import History
from canscope.model.history import steps as derived
from canscope.model.outcome import Doubt, Subject
from canscope.model.signals import NOT_AVAILABLE, OUT_OF_RANGE, Samples
from canscope.trust.standing_still import Stuck, step_at

MOST_SENDERS = 8  # that are named


@dataclass
class RoleHealth:
    """One role over the run so far."""

    samples: int = 0
    not_available: int = 0
    out_of_range: int = 0
    lowest: float = float("inf")
    highest: float = float("-inf")
    last_ns: int | None = None
    doubts: dict[str, tuple[int, str]] = field(default_factory=dict)  # reason -> when, text


class Health:
    """Follows every bound role of one segment."""

    def __init__(self, bench: Bench) -> None:
        self.roles = {role: RoleHealth() for role in bench.bindings}
        self._bench = bench
        self._stuck = Stuck(bench)
        self._from_ns = 0

    def feed(self, new: Mapping[str, Samples], history: History, until_ns: int) -> None:
        """One piece: its new samples (already in ``history``), of roles that have any."""
        steps = _mattering(history)
        self._stuck.engaged = self._stuck.engaged or bool((steps.value == 1).any())
        self._stuck.feed(new, history, self._from_ns)
        longest = _longest(new)
        for role, samples in new.items():
            self._count(self.roles[role], samples, steps)
            self._gaps(role, samples, history, steps, longest[role])
        self._from_ns = until_ns

    def finish(self, history: History, until_ns: int) -> None:
        """The silence between each role's last sample and the end of the run."""
        self._stuck.finish(history, until_ns)
        steps = _mattering(history)
        for role, health in self.roles.items():
            if health.last_ns is not None:
                last = np.array([health.last_ns])
                patience = history.patience_ns(role, last)
                self._note_gap(health, int(last[0]), int(patience[0]), until_ns, steps)

    def _count(self, health: RoleHealth, samples: Samples, steps: Samples) -> None:
        health.samples += len(samples)
        known = samples.known.value
        if len(known):
            health.lowest = min(health.lowest, float(known.min()))
            health.highest = max(health.highest, float(known.max()))
        if len(known) == len(samples) and not samples.status.any():
            return
        absent = samples.status == NOT_AVAILABLE
        outside = samples.status == OUT_OF_RANGE
        unknown = np.isnan(samples.value) & ~absent & ~outside
        health.not_available += int(absent.sum())
        health.out_of_range += int(outside.sum())
        for reason, rows in (
            ("not-available", absent),
            ("out-of-range", outside),
            ("not-available", unknown),
        ):
            if rows.any() and reason not in health.doubts:
                times = samples.time_ns[rows]
                bad = times[step_at(steps, times) == 1]
                if len(bad):
                    health.doubts[reason] = (int(bad[0]), "")

    def _gaps(
        self, role: str, samples: Samples, history: History, steps: Samples, longest_ns: int
    ) -> None:
        health, times = self.roles[role], samples.time_ns
        last_ns, health.last_ns = health.last_ns, int(times[-1])
        if last_ns is not None:
            longest_ns = max(longest_ns, int(times[0]) - last_ns)
        constant = history.constant_patience_ns(role, times)
        if constant is not None and longest_ns <= constant:
            return
        if last_ns is not None:
            times = np.concatenate(([last_ns], times))
        patience = history.patience_ns(role, times[1:])
        for i in np.flatnonzero(np.diff(times) > patience):
            self._note_gap(health, int(times[i]), int(patience[i]), int(times[i + 1]), steps)

    def _note_gap(
        self, health: RoleHealth, last: int, patience: int, until: int, steps: Samples
    ) -> None:
        """Note a gap if the vehicle was engaged anywhere in its stale part."""
        if last + patience >= until or "stale" in health.doubts:
            return
        inside = steps.between(last + patience, until)
        if step_at(steps, np.array([last + patience]))[0] == 1 or (inside.value == 1).any():
            health.doubts["stale"] = (last + patience, f"{(until - last) / 1e9:.2f} s without one")

    def doubts(self, roles: Iterable[str], subject: str) -> list[Doubt]:
        """What was absent at some time and lowers a pass that rests on these roles."""
        return [
            Doubt(subject, reason, f"{self._bench.bindings[role].key} {text}".rstrip(), at_ns)
            for role in roles
            if role in self.roles
            for reason, (at_ns, text) in self._all(role)
        ]

    def _all(self, role: str) -> Iterator[tuple[str, tuple[int, str]]]:
        yield from self.roles[role].doubts.items()
        if late := self._stuck.signs[role].late:
            yield "stale", late

    def stuck(self, roles: Iterable[str], subject: str) -> list[Doubt]:
        """What stood still where it should have moved, and lowers a pass likewise."""
        return [
            Doubt(subject, "sensor-suspect", f"{self._bench.bindings[role].key} {text}")
            for role in roles
            if role in self.roles and (text := self._stuck.text(role))
        ]


def window_doubts(
    bench: Bench, history: History, roles: Iterable[str], subject: str, span: Span
) -> list[Doubt]:
    """The same for one closed window: absent values or gaps inside it lower its pass.

    Nodes may fall silent after an opening, so there the rules themselves say how long they needed
    to hear something.
    """
    found = []
    start_ns, end_ns = span.start_ns, span.end_ns
    for role in roles:
        if role not in bench.bindings:
            continue
        key = bench.bindings[role].key
        samples = history.samples(role).between(start_ns, end_ns)
        for reason, code in (("not-available", NOT_AVAILABLE), ("out-of-range", OUT_OF_RANGE)):
            if (samples.status == code).any():
                at = int(samples.time_ns[samples.status == code][0])
                found.append(Doubt(subject, reason, key, at))
        times = np.concatenate(([start_ns], samples.time_ns, [end_ns]))
        if span.kind is not Window.OPENING and len(history.samples(role)):
            patience = history.patience_ns(role, times[1:])
            late = np.flatnonzero(np.diff(times) > patience)
            if len(late):
                at = int(times[late[0]])
                text = f"{key} gave nothing for {np.diff(times)[late[0]] / 1e9:.2f} s"
                found.append(Doubt(subject, "stale", text, at))
    return found


def mixed(bench: Bench, senders: Mapping[str, frozenset[int]], subject: Subject) -> list[Doubt]:
    """What came from several senders where the definition tells none apart, and lowers a pass.

    Their frames are one message then: one that died hides behind one that lives, and nobody knows
    whose value a role had.
    """
    found = []
    for role in dict.fromkeys((*subject.needs, *subject.shows)):
        binding = bench.bindings.get(role)
        addresses = senders.get(binding.signal.message_key, frozenset()) if binding else frozenset()
        if binding and len(addresses) > 1:
            text = (
                f"{binding.signal.message_key} came from {len(addresses)} source addresses "
                f"({', '.join(f'{one:02X}' for one in sorted(addresses)[:MOST_SENDERS])}), and the "
                "definition takes them all for one (FE): write the address of the one that is meant"
            )
            found.append(Doubt(subject.name, "sensor-suspect", text))
    return found


def _longest(new: Mapping[str, Samples]) -> dict[str, int]:
    """Role -> the longest way between two of its samples."""
    return {role: int(np.diff(samples.time_ns).max(initial=0)) for role, samples in new.items()}


def _mattering(history: History) -> Samples:
    """Steps: 1 while the vehicle is engaged and its nodes have to speak.

    A unit that dies while it turns stays "turning" for ever; nobody need speak after key-off.
    """
    engaged, awake = history.samples("@engaged"), history.samples("@awake")
    times = np.union1d(engaged.time_ns, awake.time_ns)
    both = (step_at(engaged, times) == 1) & (step_at(awake, times) == 1)
    return derived(times, both.astype(np.float64))
