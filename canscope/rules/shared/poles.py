"""When contactor poles closed and opened in a window, and how well those instants are known."""

from __future__ import annotations

from canscope.model.bench import MAINS
from canscope.model.events import Event
from canscope.model.piece import ClosedWindow

MS = 10**6  # nanoseconds in a millisecond
MAIN_ROLES = tuple(f"contactors.{pole}" for pole in MAINS)


def closings(window: ClosedWindow, pole: str) -> list[Event]:
    """The closings of a pole inside the window, in time order."""
    return _changes(window, pole, 1.0)


def openings(window: ClosedWindow, pole: str) -> list[Event]:
    """The openings of a pole inside the window, in time order."""
    return _changes(window, pole, 0.0)


def main_openings(window: ClosedWindow) -> list[Event]:
    """The openings of both main contactors inside the window, in time order."""
    found = (event for pole in MAINS for event in openings(window, pole))
    return sorted(found, key=lambda event: event.time_ns)


def _changes(window: ClosedWindow, pole: str, value: float) -> list[Event]:
    found = [
        event
        for event in window.events_of("pole", pole)
        if event.value == value and event.time_ns >= window.span.start_ns
    ]
    return sorted(found, key=lambda event: event.time_ns)


def moment(event: Event) -> tuple[float, float]:
    """The instant of an event in ns, counted from its ``time_ns``, and its uncertainty.

    It lies in (after_ns, time_ns]: the middle of that interval, give or take half of it. (Not as
    one number since 1970: a float64 of that only resolves about 240 ns.)
    """
    half = (event.time_ns - event.after_ns) / 2
    return -half, half


def lapse_ms(earlier: Event, later: Event) -> tuple[float, float]:
    """How long after ``earlier`` did ``later`` happen, and the uncertainty, both in ms."""
    early, early_u = moment(earlier)
    late, late_u = moment(later)
    between = (later.time_ns - earlier.time_ns) + late - early
    return between / MS, (early_u + late_u) / MS


def first_after(events: list[Event], time_ns: int) -> Event | None:
    """The first of these events later than that instant."""
    return next((event for event in events if event.time_ns > time_ns), None)


def last_until(events: list[Event], time_ns: int) -> Event | None:
    """The last of these events at or before that instant."""
    return next((event for event in reversed(events) if event.time_ns <= time_ns), None)
