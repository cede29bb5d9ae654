"""Does a rolling vehicle slow down while its brake reads pressed?

At walking pace a service brake stops a vehicle in about two seconds, also a gentle foot. One that
rolls on for longer has no brake, or the reading is not the brake's.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from canscope.model.bench import GEAR_RATIO
from canscope.model.piece import ClosedWindow, S
from canscope.model.runs import runs_of
from canscope.trust.remark import Links, Remark

BRAKE = "driver.brake"
# All common practice, no source.
ROLLS_RPM, WALKS_RPM = 100.0, 100.0  # of the motor; of a wheel: 11 km/h
LASTS_NS, KEPT = 3 * S, 0.5  # for so long it reads pressed, and part of the speed that is left


def brake_slows(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A brake under which a vehicle rolls on, in rolling; on stands units are not braked so."""
    bench, span = window.bench, window.span
    unit = bench.unit(span.subject)
    role, fastest_rpm = unit.role("speed"), WALKS_RPM * (unit.gear_ratio or GEAR_RATIO)
    if bench.stage != "rolling" or not bench.has(BRAKE):
        return
    brake = window.back(BRAKE, span.start_ns).between(span.start_ns, span.end_ns).known
    for first, end in runs_of(brake.value == 1):
        since_ns, until_ns = int(brake.time_ns[first]), int(brake.time_ns[end - 1])
        if until_ns - since_ns < LASTS_NS:
            continue
        before, after = np.abs(window.at(role, [since_ns, since_ns + LASTS_NS]).value)
        if ROLLS_RPM <= before <= fastest_rpm and after >= KEPT * before:
            text = f"read pressed for {LASTS_NS // S} s while the vehicle rolled on, from "
            text += f"{before:.0f} to {after:.0f} rpm of {span.subject}: the brake does not hold "
            yield Remark(BRAKE, "wrong", text + "it, or this is not its reading", since_ns)
            return
