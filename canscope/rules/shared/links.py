"""The links (d.c. link of each drive unit) as subjects, and their readings as numbers."""

from __future__ import annotations

import numpy as np

from canscope.model.bench import MAINS, Bench
from canscope.model.outcome import Subject
from canscope.model.piece import S
from canscope.model.tables import Floats, Int64s

CLOCKS_NS = 12 * S // 10  # by which adapters' clocks may differ; common practice, no source


def link_subjects(bench: Bench, needs: tuple[str, ...]) -> list[Subject]:
    """One subject a unit; without a bound link voltage it stays unproven."""
    found = [Subject(f"{u.name} link", (u.role("link_voltage"), *needs)) for u in bench.units]
    return found or [Subject("link", ("units.*.link_voltage", *needs))]


def links(bench: Bench) -> list[tuple[str, str]]:
    """Subject name and role of each bound link."""
    return [(f"{name} link", role) for name, role in bench.link_roles().items()]


def clocks_ns(bench: Bench, role: str) -> int:
    """How far apart a link and the contactors may be stamped: they differ where buses do.

    By how much is known once a link has risen; until then an edge of the one is no edge of the
    other.
    """
    mains = [f"contactors.{pole}" for pole in MAINS if bench.has(f"contactors.{pole}")]
    channels = {bench.bindings[name].signal.channel for name in (*mains, role) if bench.has(name)}
    return CLOCKS_NS if len(channels) > 1 else 0


def seconds_since(time_ns: Int64s, since_ns: int) -> Floats:
    """Stamps in seconds since an instant."""
    return np.asarray((time_ns - since_ns) / S, np.float64)
