"""The links (d.c. link of each drive unit) as subjects, and their readings as numbers."""

from __future__ import annotations

import numpy as np

from canscope.model.bench import Bench
from canscope.model.outcome import Subject
from canscope.model.piece import ClosedWindow, S
from canscope.model.tables import Floats, Int64s


def link_subjects(bench: Bench, needs: tuple[str, ...]) -> list[Subject]:
    """One subject for each unit, also where its link voltage is not bound: then it is unproven."""
    found = [Subject(f"{u.name} link", (u.role("link_voltage"), *needs)) for u in bench.units]
    return found or [Subject("link", ("units.*.link_voltage", *needs))]


def links(bench: Bench) -> list[tuple[str, str]]:
    """Subject name and role of each bound link."""
    return [(f"{name} link", role) for name, role in bench.link_roles().items()]


def seconds(time_ns: Int64s, since_ns: int) -> Floats:
    """Stamps as seconds since an instant."""
    return np.asarray((time_ns - since_ns) / S, np.float64)


def absence(window: ClosedWindow, role: str, time_ns: int) -> str:
    """Why a role has no value at an instant: ``not-available`` if it said so, else ``stale``."""
    samples = window.back(role, window.span.start_ns - 120 * S)
    last = int(np.searchsorted(samples.time_ns, time_ns, "right")) - 1
    said = last >= 0 and np.isnan(samples.value[last])
    return "not-available" if said and not window.at(role, time_ns).stale[0] else "stale"
