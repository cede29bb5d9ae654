"""Does the pack give as much in a burst as in one before it that was the same at the shafts?

The same torque and speed for as long take the same power, whatever the losses are. Where the
current then carries far more, or far less, another load came or went, and the pack gives way to it
as well; or the current has another factor than before, or another zero.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from canscope.model.integral import integral
from canscope.model.median import median
from canscope.model.piece import ClosedWindow
from canscope.model.tables import SECOND_NS, Floats
from canscope.trust.high_voltage.switching_load import switched_A
from canscope.trust.movement.trailing import noise, step_of
from canscope.trust.remark import Links, Remark

PACK, CURRENT = "pack.voltage", "pack.current"
RAD_S = 2 * np.pi / 60  # per rpm
# All common practice, no source.
REST_NS, SHORTEST_NS, LONGEST_NS = SECOND_NS, SECOND_NS, 20 * SECOND_NS  # before a burst; of it
KEPT_NS = 110 * SECOND_NS  # how far back the other burst may lie
LEAST_J, ALIKE, AS_LONG = 100.0, 1.15, 1.25  # of the shafts; times, of all that has to be alike
SURE = 4.0  # times the uncertainty of a mean; likewise
TIMES, MOST_W = 1.6, 800.0  # what the pack gives otherwise: a pump or a converter may start as well


@dataclass(frozen=True)
class Took:
    """One burst: its length, what shafts and pack gave, and the highest torque and speed.

    And how far the pack gave way on the way, and how well that is known.
    """

    s: float
    shafts_J: float
    pack_J: float
    sag_V: float
    u_V: float
    top: Floats  # of each shaft the torque, then of each the speed


def like_before(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A current that differs in a burst which shafts and time make the same as the one before."""
    bench, span = window.bench, window.span
    shafts = [unit.role(word) for word in ("torque", "speed") for unit in bench.units]
    alike = set(links) >= set(bench.link_roles().values())
    if bench.stage == "rolling" or not bench.has(PACK, CURRENT, *shafts) or not alike:
        return
    turning = window.history.samples(f"@turning.{span.subject}")
    ends = turning.time_ns[(turning.value == 0) & (turning.time_ns <= span.start_ns)]
    starts = turning.time_ns[(turning.value == 1) & (turning.time_ns < span.start_ns)]
    if not len(starts) or not len(ends) or ends[-1] < starts[-1]:
        return
    if starts[-1] < window.until_ns - KEPT_NS:
        return
    spans = ((int(starts[-1]), int(ends[-1])), (span.start_ns, span.end_ns))
    one, other = (_took(window, shafts, *ends_ns) for ends_ns in spans)
    if one is None or other is None or not _the_same(one, other):
        return
    low_J, high_J = min(one.pack_J, other.pack_J), max(one.pack_J, other.pack_J)
    longest_s = max(one.s, other.s)
    u_W = MOST_W + switched_A(window) * float(window.at(PACK, span.start_ns).value[0])
    if high_J > TIMES * max(low_J, 0.0) and high_J - low_J > u_W * longest_s:
        # By how much the pack should give way otherwise, by what it gave way by in the one before.
        more_V = one.sag_V * (other.pack_J / one.pack_J - 1) if one.pack_J > 0 else 0.0
        gave_V = other.sag_V - one.sag_V
        sure_V = SURE * (one.u_V + other.u_V)
        if abs(more_V) < 2 * sure_V or abs(gave_V - more_V) < abs(more_V) / 2 + sure_V:
            return
        text = f"carried {other.pack_J:.0f} J more than at rest in a burst, and {one.pack_J:.0f} J "
        text += "in the one before it, of the same torque, speed and length: it had another factor "
        yield Remark(CURRENT, "wrong", text + "or zero in one of them", span.start_ns)


def _took(window: ClosedWindow, shafts: list[str], start_ns: int, end_ns: int) -> Took | None:
    if not SHORTEST_NS <= end_ns - start_ns <= LONGEST_NS:
        return None
    amps = window.back(CURRENT, start_ns - REST_NS).between(0, end_ns).known
    volts = window.at(PACK, amps.time_ns).value
    watt, half_step = amps.value * volts, window.bench.bindings[PACK].half_step
    rest, burst = watt[amps.time_ns < start_ns], amps.time_ns >= start_ns
    if min(len(rest), int(np.count_nonzero(burst))) < 5 or np.isnan(watt).any():
        return None
    times = amps.time_ns[burst]
    values = [window.at(role, times).value for role in shafts]
    if np.isnan(values).any():
        return None
    half = len(shafts) // 2
    given_W = RAD_S * np.sum(np.multiply(values[:half], values[half:]), axis=0)
    return Took(
        (end_ns - start_ns) / SECOND_NS,
        integral(np.maximum(given_W, 0.0), times),
        integral(watt[burst] - median(rest), times),
        median(volts[~burst]) - float(volts[burst].mean()),
        noise(volts) / min(len(rest), len(times)) ** 0.5 + 0.1 * step_of(volts, half_step),
        np.array([float(np.abs(value).max()) for value in values]),
    )


def _the_same(one: Took, other: Took) -> bool:
    """Whether the shafts did the same in both."""
    if min(one.shafts_J, other.shafts_J) < LEAST_J:
        return False
    far = max(one.shafts_J, other.shafts_J) > ALIKE * min(one.shafts_J, other.shafts_J)
    long = max(one.s, other.s) > AS_LONG * min(one.s, other.s)
    low, high = np.minimum(one.top, other.top), np.maximum(one.top, other.top)
    return not far and not long and bool((high <= ALIKE * low + 1.0).all())
