"""When contactors really closed and opened, where their states come late.

A state that is filtered or sent by a slow node comes after the contact. Its command, the link and
the pack current show that: what they say counts where they are earlier by more than a contactor
takes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from canscope.model.events import Event
from canscope.model.piece import ClosedWindow
from canscope.rules.shared.poles import MS, closings, openings
from canscope.trust.high_voltage.link_witness import Shown, current_onset, link_onset, link_step
from canscope.trust.samples.clock_alignment import LEAST_V, Lag, lag_of

LATE_NS = 50 * MS  # a contact follows its coil within 30 ms; common practice, no source
COIL_NS = 600 * MS  # a command that came so much earlier is a request, not the coil's; likewise
EARLIER_NS = 500 * MS  # a state that is later than that is not looked for


@dataclass(frozen=True)
class Change:
    """A pole's change as it really was: ``event`` is narrowed, or widened to what is possible."""

    event: Event
    state: Event  # as its state says
    late_ms: float = 0.0  # how much later its state came, at least; 0: in time
    by: str = ""  # what shows it

    @property
    def told(self) -> str:
        """For a sentence; empty if the state was in time."""
        if not self.late_ms:
            return ""
        word = self.event.subject.replace("precharge", "pre-charge")
        done = "closed" if self.event.value == 1 else "open"
        return (
            f", and the state of {word} said {done} at least {self.late_ms:.0f} ms late, by "
            f"{self.by}"
        )


def true_closings(window: ClosedWindow, pole: str) -> list[Change]:
    """The closings of a pole in an attempt, in time order, as they really were."""
    return window.once((true_closings, pole), lambda: _true_closings(window, pole))


def _true_closings(window: ClosedWindow, pole: str) -> list[Change]:
    found = []
    for place, event in enumerate(closings(window, pole)):
        shown = None
        if pole == "positive":
            shown = _step(window, event)
        elif place == 0:
            shown = _onset(window, event)
        if shown is not None and event.after_ns - shown[0].time_ns > LATE_NS:
            seen, by = shown
            late_ms = (event.after_ns - seen.time_ns) / MS
            real = replace(event, after_ns=seen.after_ns, time_ns=seen.time_ns)
            found.append(Change(real, event, late_ms, by))
        else:
            found.append(_commanded(window, event))
    return found


def true_openings(window: ClosedWindow, pole: str) -> list[Change]:
    """The openings of a pole likewise; only a command shows them earlier than the state."""
    return [_commanded(window, event) for event in openings(window, pole)]


def own_step(window: ClosedWindow, role: str, positive: Event, lag: Lag | None) -> Shown | None:
    """The step of one link to the pack before positive's state said closed, on its own clock.

    Where that clock differs, also after it: as far as the clocks are known.
    """
    pack_V = _pack_V(window, positive.time_ns)
    if pack_V is None:
        return None
    lag_ns, end_ns = 0, positive.after_ns
    if lag is not None and lag.told:
        lag_ns, end_ns = lag.ns, positive.time_ns + lag.ns + round(lag.u_ms * MS)
    start_ns = _circuit_ns(window, positive) + lag_ns
    return link_step(window, role, start_ns, end_ns + 1, pack_V)


def _step(window: ClosedWindow, positive: Event) -> tuple[Shown, str] | None:
    """The earliest step of a link whose clock is that of the states, and what showed it."""
    found = []
    for role in window.bench.link_roles().values():
        lag = lag_of(window, role)
        if lag is not None and lag.told:
            continue
        step = own_step(window, role, positive, None)
        if step is not None:
            key = window.bench.bindings[role].key
            found.append((step, f"the step of {key} from {step.value:.0f} V"))
    return min(found, key=lambda one: one[0].time_ns, default=None)


def _circuit_ns(window: ClosedWindow, positive: Event) -> int:
    """From when the link's curve is one curve: some time before pre-charge last closed."""
    before = [e for e in closings(window, "precharge") if e.after_ns <= positive.after_ns]
    since_ns = before[-1].after_ns if before else window.span.start_ns
    again = len(before) > 1
    return since_ns if again else since_ns - EARLIER_NS


def _onset(window: ClosedWindow, closed: Event) -> tuple[Shown, str] | None:
    """When current or link began to move, for which this pole must have been closed.

    Only if the other pole of the two had closed clearly before: a link that rises as soon as the
    first one closes is connected past the second one.
    """
    bench, start_ns = window.bench, window.span.start_ns - EARLIER_NS
    found = None
    begin = current_onset(window, start_ns, closed.after_ns + 1)
    if begin is not None:
        found = begin, f"the onset of {bench.bindings['pack.current'].key}"
    pack_V = _pack_V(window, closed.time_ns)
    for role in bench.link_roles().values() if found is None and pack_V is not None else ():
        lag = lag_of(window, role)
        if lag is None or not lag.told:
            begin = link_onset(window, role, start_ns, closed.after_ns + 1, pack_V or 0.0)
            if begin is not None and found is None:
                found = begin, f"the rise of {bench.bindings[role].key}"
    other = closings(window, "negative" if closed.subject == "precharge" else "precharge")
    if found is None or not other or found[0].after_ns - other[0].time_ns < LATE_NS:
        return None
    return found


def _pack_V(window: ClosedWindow, time_ns: int) -> float | None:
    value = float(window.at("pack.voltage", time_ns).value[0])
    return None if np.isnan(value) or value < LEAST_V else value


def _commanded(window: ClosedWindow, event: Event) -> Change:
    """The same by its command alone: any time from the command to the state is possible."""
    commands = [
        command
        for command in window.events_of("command", event.subject)
        if command.value == event.value and 0 <= event.after_ns - command.time_ns <= COIL_NS
    ]
    if not commands:
        return Change(event, event)
    command = max(commands, key=lambda one: one.time_ns)
    late_ns = event.after_ns - command.time_ns
    if late_ns <= LATE_NS:
        return Change(event, event)
    return Change(replace(event, after_ns=command.after_ns), event, late_ns / MS, "its command")
