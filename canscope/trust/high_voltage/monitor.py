"""The insulation monitor sees another circuit with the contactors closed than with them open.

And the old one again once they have opened.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from canscope.model.history import KEEP_LONGER_NS
from canscope.model.median import median, percentile
from canscope.model.piece import ClosedWindow
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS
from canscope.trust.high_voltage.before_and_after import EARLY_NS, all_open, connected_ns, step_in
from canscope.trust.movement.trailing import noise
from canscope.trust.remark import Links, Remark

MONITOR = "pack.insulation"
SURE = 4.0  # standard errors; common practice, no source
SETTLED_NS = 5 * SECOND_NS  # before contactors open, or close, in which the monitor is read
CLOSED_NS = 10 * SECOND_NS  # for which they have to have been closed; likewise
# Times its step or flicker, and share of its reading, by which the monitor has to move; likewise
MOVED, SHARE = 3.0, 0.002
MORE_OHM = 0.1  # share by which it reads more with the contactors closed, surely; likewise
MOST_OHM = 1e9  # cables, filters and the monitor itself are far below; likewise
STAYED = 0.1  # of the way that closing moved it, within which it stays; likewise
LEAKS = 10.0  # times as much as before, which is told; likewise
LESS_NS, FEWEST = SECOND_NS, 2  # after they opened: readings that are less again; likewise
AGAIN_NS = 3 * SECOND_NS  # and twice as long as it took to answer to their closing; likewise


def insulation(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A monitor that reads the same with contactors closed as before they closed.

    Or that wanders as far by itself. How long it takes to answer is known from an earlier closing.
    """
    bench = window.bench
    if not bench.has(MONITOR):
        return
    before = _answered_ns(window)
    began = connected_ns(window, CLOSED_NS if before is None else AGAIN_NS + 2 * before)
    if began is None:
        return
    began_ns, opened_ns = began
    if opened_ns - began_ns > KEEP_LONGER_NS[MONITOR] - 2 * SETTLED_NS:
        return  # what it read before is not known any more
    connected = window.back(MONITOR, opened_ns - SETTLED_NS).between(0, opened_ns).known
    if before is not None:
        connected = connected.between(began_ns + AGAIN_NS // 2 + before, opened_ns)
    alone = window.back(MONITOR, began_ns - SETTLED_NS).between(0, began_ns - EARLY_NS).known
    all_open_ns = max(event.time_ns for event in window.events_of("pole"))
    last = window.back(MONITOR, all_open_ns + LESS_NS).known[-FEWEST:]
    when = "before"
    if not len(alone):  # it spoke for the first time when they had closed
        later = window.back(MONITOR, all_open_ns + AGAIN_NS).known
        awake = window.at("@awake", later.time_ns).value == 1
        alone, when = later[awake], "after they had opened"
    if len(connected) < 3 or not len(alone):
        return
    if median(connected.value) > MOST_OHM:
        text = f"read {median(connected.value) / 1e9:.3g} Gohm with the contactors closed, more "
        yield Remark(MONITOR, "wrong", text + "than any vehicle has", opened_ns)
        return
    apart = abs(median(connected.value) - median(alone.value))
    step = step_in(window, MONITOR, connected)
    read_alone = f"{median(alone.value) / 1e3:.0f} kohm {when}"
    read = f"read {median(connected.value) / 1e3:.0f} kohm with the contactors closed"
    if apart <= max(MOVED * step, SHARE * median(alone.value)):
        text = f"{read} and {read_alone}: it does not answer to what is connected"
        yield Remark(MONITOR, "silent", text, opened_ns)
        return
    if when == "before" and LEAKS * median(alone.value) < median(connected.value):
        text = f"{read} and {read_alone}: it had not measured yet, or the pack's side leaks while "
        yield Remark(MONITOR, "told", text + "nothing is connected", began_ns)
    settled = window.back(MONITOR, began_ns + CLOSED_NS).between(0, opened_ns).known
    if len(settled) >= 10 and opened_ns - began_ns >= 2 * CLOSED_NS:
        way = percentile(settled.value, 90) - percentile(settled.value, 10)
        if way > apart / 2:
            text = f"{read} and {read_alone}, and wandered by {way / 1e3:.0f} kohm while nothing "
            text += "was connected or taken off: it does not answer to what is connected"
            yield Remark(MONITOR, "silent", text, opened_ns)
            return
    answered_ns = _crossed_ns(window, began_ns, opened_ns, alone, connected) - began_ns
    from_ns = all_open_ns + max(AGAIN_NS, 2 * answered_ns)
    after = window.back(MONITOR, from_ns).known
    stayed = bool((np.abs(after.value - median(connected.value)) < STAYED * apart).all())
    sure = settled if len(settled) >= 10 else connected
    less = median(sure.value) * (1 - MORE_OHM) - SURE * noise(sure.value) / len(sure) ** 0.5
    asked = len(after) and all_open(window, from_ns) and window.at("@awake", from_ns).value[0] == 1
    if asked and stayed:
        text = f"{read}, {_later(after, from_ns - all_open_ns)} and {read_alone}: it does not "
        yield Remark(MONITOR, "silent", text + "answer to what is connected", from_ns)
        return
    # Whether nodes still have to speak does not matter here: a monitor that is switched off may
    # stop, and does not read less than it did.
    from_ns = all_open_ns + LESS_NS
    less_again = len(last) == FEWEST and last.value.max() < less
    if less_again and all_open(window, from_ns) and median(alone.value) < less:
        text = f"{read}, {_later(last, from_ns - all_open_ns)} and {read_alone}: what is connected "
        text += "can only take from an insulation, so that its sense or its source is wrong"
        yield Remark(MONITOR, "wrong", text, from_ns)


def _later(after: Samples, since_ns: int) -> str:
    read = f"{median(after.value) / 1e3:.0f} kohm {since_ns / SECOND_NS:.0f} s"
    return read + " after they had opened"


def _answered_ns(window: ClosedWindow) -> int | None:
    """How long the monitor took to see an earlier closing that lasted; None if there was none."""
    closed = window.history.samples("@closed")
    rows = np.flatnonzero((closed.value[:-1] == 1) & (closed.value[1:] != 1))
    for row in rows.tolist():
        began_ns, opened_ns = int(closed.time_ns[row]), int(closed.time_ns[row + 1])
        if opened_ns - began_ns < CLOSED_NS or opened_ns >= window.span.start_ns - SECOND_NS:
            continue
        alone, connected = (
            window.back(MONITOR, end - SETTLED_NS).between(end - SETTLED_NS, end - EARLY_NS).known
            for end in (began_ns - SECOND_NS, opened_ns)
        )
        if len(connected) < 3 or not len(alone):
            continue
        apart = abs(median(connected.value) - median(alone.value))
        if apart > max(MOVED * step_in(window, MONITOR, connected), SHARE * median(alone.value)):
            return _crossed_ns(window, began_ns, opened_ns, alone, connected) - began_ns
    return None


def _crossed_ns(
    window: ClosedWindow, began_ns: int, opened_ns: int, alone: Samples, connected: Samples
) -> int:
    """When the monitor first was nearer to what it read last than to what it read before."""
    closing = window.back(MONITOR, began_ns).between(began_ns, opened_ns).known
    halfway = (median(alone.value) + median(connected.value)) / 2
    beyond = (closing.value < halfway) == (median(connected.value) < halfway)
    return int(closing.time_ns[np.argmax(beyond)])
