"""The links (d.c. link of each drive unit) as subjects, and their readings as numbers.

What tells a link that empties from a sensor that went is common practice, no source.
"""

from __future__ import annotations

import numpy as np

from canscope.model.bench import Bench
from canscope.model.outcome import Doubt, Subject
from canscope.model.piece import ClosedWindow, S
from canscope.model.tables import Floats, Int64s
from canscope.trust.proof_of_life import at_end_of_range

SAFE_V = 60.0  # UN R100: high voltage begins above 60 V d.c.

# A link that holds at least so much does not lose most of it so fast, unless it did so before.
HELD_V = 120.0
AT_ONCE_NS = 50 * 10**6
FASTEST_TAU_S = 0.02  # 20 A through any bleed of 1 mF at 400 V
FASTER = 4.0  # times the energy a second that it lost just before
LEAST_V = 1.0  # what is left of it counts as so much


def link_subjects(bench: Bench, needs: tuple[str, ...]) -> list[Subject]:
    """One subject a unit; without a bound link voltage it stays unproven."""
    found = [Subject(f"{u.name} link", (u.role("link_voltage"), *needs)) for u in bench.units]
    return found or [Subject("link", ("units.*.link_voltage", *needs))]


def links(bench: Bench) -> list[tuple[str, str]]:
    """Subject name and role of each bound link."""
    return [(f"{name} link", role) for name, role in bench.link_roles().items()]


def seconds_since(time_ns: Int64s, since_ns: int) -> Floats:
    """Stamps in seconds since an instant."""
    return np.asarray((time_ns - since_ns) / S, np.float64)


def at_its_end(window: ClosedWindow, role: str, time_ns: int) -> bool:
    """Whether the last reading by then stood at an end of its range: the true one may be beyond."""
    sampled_ns = int(window.at(role, time_ns).sampled_ns[0])
    last = window.back(role, sampled_ns).between(sampled_ns, sampled_ns + 1)[-1:]
    return bool(at_end_of_range(window.bench.bindings[role], last).any())


def collapse(window: ClosedWindow, role: str, start_ns: int, end_ns: int) -> Doubt | None:
    """A doubt, without subject, where a reading fell from one to the next faster than links do.

    An inverter that loses its own supply, or its measuring at low voltage, reads nothing at once
    while the link is still charged. Loads of constant power empty a link ever faster, but lose no
    more energy (V^2) a second than just before.
    """
    samples = window.back(role, start_ns).between(start_ns, end_ns).known
    if len(samples) < 2:
        return None
    before, now = samples.value[:-1], np.maximum(samples.value[1:], LEAST_V)
    way_ns = np.maximum(np.diff(samples.time_ns), 1)
    lost = (before**2 - now**2) / way_ns
    lately = np.maximum(np.concatenate(([0.0], lost[:-1])), np.concatenate(([0.0, 0.0], lost))[:-2])
    fell = (before >= HELD_V) & (now < before / 2) & (way_ns <= AT_ONCE_NS)
    fell &= lost > FASTER * lately
    fell[fell] = way_ns[fell] / S / np.log(before[fell] / now[fell]) < FASTEST_TAU_S
    rows = np.flatnonzero(fell)
    if not len(rows):
        return None
    row = int(rows[0])
    text = f"the link read {before[row]:.0f} V and {way_ns[row] / 1e6:.0f} ms later "
    text += f"{samples.value[row + 1]:.0f} V: no bleed empties it so fast, its sensor may have gone"
    return Doubt("", "sensor-suspect", text, int(samples.time_ns[row + 1]))
