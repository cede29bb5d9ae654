"""What a reading was before contactors closed, while they were closed, and after they opened."""

from __future__ import annotations

from canscope.model.bench import MAINS, SAFE_V
from canscope.model.events import Event
from canscope.model.median import median
from canscope.model.piece import ClosedWindow
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS
from canscope.trust.movement.trailing import noise
from canscope.trust.samples.clock_alignment import MS

LEAST_V = SAFE_V  # a link that rises by less shows nothing
FEW = 5  # readings of a fifth of a second more or less; common practice, no source
LATE_NS = 300 * MS  # by which a current may come late and still answer; likewise
EARLY_NS = 100 * MS  # a coil draws before its state says closed; likewise


def three_levels(window: ClosedWindow, role: str) -> tuple[float, float, float, float] | None:
    """A role before the contactors closed, before they opened, and 1 s after; and its step.

    None where one of the three is not known.
    """
    began = connected_ns(window, SECOND_NS)
    if not window.bench.has(role) or began is None:
        return None
    began_ns, opened_ns = began
    last_ns = max(e.time_ns for e in window.events_of("pole") if e.value == 0)
    spans = (
        (began_ns - SECOND_NS, began_ns - EARLY_NS),
        (opened_ns - SECOND_NS, opened_ns - EARLY_NS),
        (last_ns + SECOND_NS, last_ns + 3 * SECOND_NS),
    )
    parts = [
        window.back(role, start).between(start, min(end, window.until_ns)).known
        for start, end in spans
    ]
    # A node that is being switched off may send anything.
    parts[2] = parts[2][window.at("@awake", parts[2].time_ns).value == 1]
    if any(len(part) < 8 for part in parts) or not all_open(window, int(parts[2].time_ns[-1])):
        return None
    before, closed, after = (median(part.value) for part in parts)
    return before, closed, after, max(step_in(window, role, part) for part in parts)


def connected_ns(window: ClosedWindow, least_ns: int) -> tuple[int, int] | None:
    """When the first pole closed before an opening, and the opening; None if closed too shortly."""
    opened = mains_opened(window)
    if not opened:
        return None
    opened_ns = min(event.after_ns for event in opened)
    closed, engaged = window.at("@closed", opened_ns), window.history.samples("@engaged")
    row = int(engaged.time_ns.searchsorted(opened_ns, "right")) - 1
    if closed.value[0] != 1 or closed.age_ns[0] < least_ns or row < 0 or engaged.value[row] != 1:
        return None
    return int(engaged.time_ns[row]), opened_ns


def mains_opened(window: ClosedWindow) -> list[Event]:
    """The openings of the main contactors that became known in this window."""
    return [e for e in window.events_of("pole") if e.value == 0 and e.subject in MAINS]


def all_open(window: ClosedWindow, at_ns: int) -> bool:
    """Whether both main contactors are known to be open then."""
    return all((window.last(f"contactors.{p}", at_ns).value == 0).any() for p in MAINS)


def step_in(window: ClosedWindow, role: str, samples: Samples) -> float:
    return max(2 * window.bench.bindings[role].half_step, noise(samples.value))
