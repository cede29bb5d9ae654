"""Is the vehicle driven on, or kept live, though an input of the driver says that it must not be?

Either the controller ignores the input, or the reading is not that input: no pass rests on it.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from canscope.model.bench import MAINS
from canscope.model.events import Window
from canscope.model.history import LOOK_BACK_NS
from canscope.model.piece import ClosedWindow, S
from canscope.model.runs import runs_of
from canscope.model.signals import Samples
from canscope.trust.remark import Links, Remark

IGNITION, BRAKE, STOP = "driver.ignition", "driver.brake", "driver.emergency_stop"
PEDAL, REQUEST = "driver.pedal", "driver.direction"
REST_PERCENT = 3.0  # of its travel; common practice, no source
LOOKED_AT_NS = S  # from where the input says so, in which nothing answers; common practice
SOON_NS = 13 * S // 20  # the same of what is asked at every moment; inputs may be 0.6 s early
# What says that nothing may drive: the role, what it reads at least and at most, in words, and for
# how long it is looked at.
INPUTS = (
    (IGNITION, 0.0, 0.0, "off", LOOKED_AT_NS),
    (BRAKE, 1.0, 1.0, "pressed", LOOKED_AT_NS),
    (PEDAL, -np.inf, REST_PERCENT, "at rest", SOON_NS),
    (REQUEST, 0.0, 0.0, "neutral", SOON_NS),
)
HELD_NS = S // 2  # for which the input says so; common practice, no source
ANSWER_NS = 3 * S // 10  # in which a controller's ramp has begun; likewise
DRIVES_NM, KEPT = 1.0, 0.9  # torque, and share of the speed before; likewise
FEWEST = 4  # readings of torque and of speed
ROLLS_NS = 11 * S // 10  # for which a foot may touch the brake while it drives a vehicle; likewise
OFTEN = 3  # times in a burst, that no foot presses a brake while it drives on; likewise
EARLY_NS = S  # by which an ignition may be late; likewise
LIVE_NS = 10 * S  # in which contactors open after key-off, as nodes fall asleep; likewise
# After the stop was released somebody has to ask anew: its reset starts nothing (ISO 13850:2015,
# 4.1.4). Nobody does so within; common practice, no source.
RESET_NS = 3 * S // 10


def driven_on(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """An input that says that nothing may drive, while torque and speed go on as before.

    An ignition that reads off, a brake pressed, a pedal at rest, a request for neutral.
    """
    unit = window.bench.unit(window.span.subject)
    torque, speed = unit.role("torque"), unit.role("speed")
    if not window.bench.has(torque, speed):
        return
    link = unit.role("link_voltage")
    if window.bench.has(link) and link not in links:
        return  # its bus has another clock
    least_Nm = max(DRIVES_NM, 4 * window.bench.u(torque))
    for role, least, most, word, looked_at_ns in INPUTS:
        if not window.bench.has(role) or (role == PEDAL and window.bench.creep):
            continue
        rolls = role == BRAKE and window.bench.stage == "rolling"
        for start_ns, end_ns, often in _spells(window, role, least, most):
            if rolls and end_ns - start_ns < ROLLS_NS:
                continue
            last_ns = end_ns if often else min(end_ns, start_ns + looked_at_ns)
            pushes, turns = (_inside(window, one, start_ns, last_ns) for one in (torque, speed))
            if min(len(pushes), len(turns)) < FEWEST:
                continue
            before_rpm = float(window.at(speed, [start_ns]).value[0])
            sense = np.sign(before_rpm)
            kept_Nm = float((pushes.value * sense).min())
            kept_rpm = float((turns.value * sense).min())
            if kept_Nm >= least_Nm and kept_rpm >= KEPT * before_rpm * sense:
                times = f"{often} times " if often else ""
                text = (
                    f"read {word} {times}for {(end_ns - start_ns) / S:.1f} s while the {unit.name} "
                )
                text += f"unit was driven on, at {kept_Nm:.1f} Nm and {kept_rpm:.0f} rpm and more"
                yield Remark(role, "wrong", text, start_ns)
                break


def live_all_along(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """An ignition that is off all the time in which the contactors close and stay closed."""
    if not window.bench.has(IGNITION):
        return
    known = window[IGNITION].known
    on = (window.around(IGNITION, 1.0).known.value != 0).any()
    closed = window.at("@closed", window.until_ns, before=True)
    held = closed.value[0] == 1 and closed.age_ns[0] >= S
    if held and len(known) and not on:
        text = "read off while the contactors closed and stayed closed"
        yield Remark(IGNITION, "wrong", text, window.span.start_ns)


def off_while_closed(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """An ignition that reads off and on again while the contactors stay closed all along.

    While a unit turns a moment is enough; at rest contactors may stay closed for about as long as
    an ignition may be late.
    """
    if not window.bench.has(IGNITION, *(f"contactors.{pole}" for pole in MAINS)):
        return
    burst = window.span.kind is Window.BURST
    end_ns = window.span.end_ns if burst else window.span.start_ns
    closed = window.at("@closed", end_ns, before=not burst)
    if closed.value[0] != 1:
        return
    since_ns = max(end_ns - int(closed.age_ns[0]), window.until_ns - LOOK_BACK_NS)
    known = window.back(IGNITION, since_ns).between(0, end_ns + burst).known
    change = np.flatnonzero(np.diff(known.value != 0))
    for off, on in pairwise((change + 1).tolist()):
        if known.value[off] != 0:
            continue
        off_ns, on_ns = int(known.time_ns[off]), int(known.time_ns[on])
        if burst and off_ns > window.span.start_ns:
            text = "read off for a moment while a unit turned, and the contactors stayed closed"
        elif on_ns - off_ns > EARLY_NS:
            text = f"read off for {(on_ns - off_ns) / S:.1f} s and on again, and the contactors "
            text += "stayed closed"
        else:
            continue
        yield Remark(IGNITION, "wrong", text, off_ns)
        return


def live_before(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """An ignition that reads on only once a circuit has closed, and long after its first pole."""
    closed = [event for event in window.events_of("pole") if event.value == 1]
    if not window.bench.has(IGNITION) or not closed:
        return
    closed_ns, circuit_ns = closed[0].time_ns, closed[min(1, len(closed) - 1)].time_ns
    known = window.around(IGNITION, 1.0).known
    on = known.time_ns[known.value != 0]
    late = len(on) > 0 and on[0] > max(closed_ns + EARLY_NS, circuit_ns)
    if late and known.time_ns[0] < closed_ns:
        text = (
            f"read off until {(int(on[0]) - closed_ns) / S:.1f} s after the first contactor closed"
        )
        yield Remark(IGNITION, "wrong", text, closed_ns)


def closed_by_reset(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A stop that reads pressed until the very moment at which the first contactor closes."""
    closed = [event for event in window.events_of("pole") if event.value == 1]
    if not window.bench.has(STOP) or not closed:
        return
    known = window.around(STOP, 1.0).known
    first_ns = closed[0].time_ns
    pressed = known.between(first_ns - RESET_NS, first_ns + 1)
    pressed = pressed[pressed.value == 1]
    if len(pressed) and known.value[-1] == 0:
        ago_ms = (first_ns - int(pressed.time_ns[-1])) / 1e6
        text = f"read pressed until {ago_ms:.0f} ms before the first contactor closed: a reset "
        text += "starts nothing by itself, so that it may be made of the contactors' states"
        yield Remark(STOP, "wrong", text, first_ns)


def kept_live(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """An ignition that had been off for long when the contactors opened."""
    opened_ns = window.span.start_ns
    if not window.bench.has(IGNITION):
        return
    known = window.back(IGNITION, window.until_ns - LOOK_BACK_NS).between(0, opened_ns).known
    on = np.flatnonzero(known.value != 0)
    off = known[int(on[-1]) + 1 :] if len(on) else known[:0]  # never on: told as they close
    closed = window.at("@closed", opened_ns, before=True)
    if not len(off) or closed.value[0] != 1:
        return
    long_ns = min(opened_ns - int(off.time_ns[0]), int(closed.age_ns[0]))
    if long_ns >= LIVE_NS:
        text = f"read off for {long_ns / S:.0f} s while the contactors stayed closed"
        yield Remark(IGNITION, "wrong", text, int(off.time_ns[0]))


def _spells(
    window: ClosedWindow, role: str, least: float, most: float
) -> Iterator[tuple[int, int, int]]:
    """Where an input read so for long enough within the burst, from its first to its last reading.

    One that read so from the burst's begin on did not change while the unit turned. The last one is
    all of them, where they came ``OFTEN`` and more, and how many they were; else 0. A pedal may be
    pressed again and again.
    """
    known = window.back(role, window.span.start_ns).between(0, window.span.end_ns).known
    reads = (known.value >= least) & (known.value <= most)
    spells = [
        (int(known.time_ns[begin]), int(known.time_ns[end - 1]))
        for begin, end in runs_of(reads)
        if begin
    ]
    for start_ns, end_ns in spells:
        if end_ns - start_ns >= HELD_NS:
            yield start_ns, end_ns, 0
    if role != PEDAL and len(spells) >= OFTEN and spells[-1][1] - spells[0][0] >= HELD_NS:
        yield spells[0][0], spells[-1][1], len(spells)


def _inside(window: ClosedWindow, role: str, start_ns: int, end_ns: int) -> Samples:
    return window.back(role, start_ns).between(start_ns + ANSWER_NS, end_ns + 1).known
