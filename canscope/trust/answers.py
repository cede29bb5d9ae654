"""Does a reading answer to what must move it? One that is dead, or made up, does not.

- The link's charge comes out of the pack: the pack current's integral over a pre-charge is C dV.
- Every power-up moves the 12 V: coils pull in, then the d.c. converter takes over.
- Pack and link are one circuit in a burst: where one gives way, so does the other.
- The pack keeps its voltage while contactors close, and its current ends as they open.
- The insulation monitor sees another circuit with the contactors closed than with them open.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from canscope.model.bench import MAINS
from canscope.model.median import median
from canscope.model.piece import ClosedWindow
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS
from canscope.trust.clock_alignment import EARLIER_NS, MS, positive_closings
from canscope.trust.link_witness import link_onset
from canscope.trust.remark import Links, Remark
from canscope.trust.trailing import burst_samples, noise, smooth

PACK, CURRENT, SUPPLY, MONITOR = (
    "pack.voltage",
    "pack.current",
    "supply.voltage",
    "pack.insulation",
)
LEAST_V = 60.0  # a link that rises by less shows nothing
LIFTED_V = 0.5  # by which a converter lifts the 12 V; common practice, no source
LEAST_A = 0.3  # a smaller current may be its sensor's own; common practice, no source
STEADY = 0.1  # of the pack's voltage; common practice, no source
LEAST, MOST = 0.4, 2.5  # times C dV that the current carried; common practice, no source
TAUS = 4  # of R C, over which a pre-charge is over but for 2 %
LATE_NS = 300 * MS  # by which a current may come late and still answer; likewise
EARLY_NS = 100 * MS  # a coil draws before its state says closed; likewise
REST_NS = 2 * SECOND_NS  # before an attempt, in which a reading shows its own flicker
STEPS = 8.0  # of both voltages, by which one has to give way; likewise
LEVELS = 4.0  # the same of levels of a second; likewise
PART = 0.15  # of what the other gave way by; a stiff pack behind long cables; likewise
SETTLED_NS = 5 * SECOND_NS  # before contactors open, or close, in which the monitor is read
CLOSED_NS = 10 * SECOND_NS  # for which they have to have been closed; likewise
# Times its step or flicker, and share of its reading, by which the monitor has to move; likewise
MOVED, SHARE = 3.0, 0.002


def charge(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """The pack current over a pre-charge against the link's stated capacitance."""
    bench = window.bench
    farad, ohm = bench.link_capacitance_F, bench.precharge_resistor_ohm
    if not bench.has(CURRENT, PACK) or not farad or not ohm:
        return
    pack = float(window.at(PACK, window.span.start_ns, before=True).value[0])
    if not pack >= LEAST_V:
        return
    start_ns = window.span.start_ns - EARLIER_NS
    begins = [
        begin
        for role in links
        if (begin := link_onset(window, role, start_ns, window.until_ns, pack)) is not None
    ]
    if not begins:
        return
    begin = min(begins, key=lambda one: one.time_ns)
    end_ns = begin.time_ns + round(TAUS * ohm * farad * SECOND_NS) + LATE_NS
    # From the closing of positive on, what else draws from the link flows as well.
    end_ns = min([end_ns, window.until_ns, *positive_closings(window)])
    from_ns = begin.after_ns - 100 * MS
    rest = window.back(CURRENT, from_ns - SECOND_NS).between(from_ns - SECOND_NS, from_ns).known
    amps = window.back(CURRENT, from_ns).between(from_ns, end_ns).known
    risen = [float(window.at(role, end_ns).value[0]) - begin.value for role in links]
    if len(rest) < 5 or len(amps) < 5 or not min(risen) >= LEAST_V:
        return
    passed_s = np.diff(amps.time_ns) / SECOND_NS
    level = median(rest.value)
    away = amps.value - level
    coulomb = float(np.sum((away[1:] + away[:-1]) / 2 * passed_s))
    wanted = farad * float(np.median(risen))
    # One peak may hide between two readings, and each is rounded.
    u = pack / ohm * float(np.median(passed_s)) / 2
    u += (bench.u(CURRENT) + noise(rest.value)) * float(np.sum(passed_s)) / len(passed_s) ** 0.5
    low, high = coulomb + u < LEAST * wanted, coulomb - u > MOST * wanted
    if low or high:
        text = f"carried {coulomb:.3g} C (+-{u:.2g} C) while the link charged, by its capacitance "
        text += f"and {np.median(risen):.0f} V it takes {wanted:.3g} C: its sign, factor or sensor "
        text += "is wrong"
        yield Remark(CURRENT, "wrong", text, end_ns)


def supply(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """12 V that do not leave what they flicker by at rest while an attempt reaches both poles."""
    bench, start_ns = window.bench, window.span.start_ns
    if not bench.has(SUPPLY, "contactors.negative", "contactors.positive"):
        return
    if window.at("@closed", window.until_ns, before=True).value[0] != 1:
        return
    rest = window.back(SUPPLY, start_ns - REST_NS).between(start_ns - REST_NS, start_ns - EARLY_NS)
    busy = window.back(SUPPLY, start_ns - EARLY_NS).known
    if len(rest.known) < 10 or len(busy) < 10:
        return
    step = 2 * bench.bindings[SUPPLY].half_step
    low, high = float(rest.known.value.min()), float(rest.known.value.max())
    outside = max(low - float(busy.value.min()), float(busy.value.max()) - high)
    if outside < max(step, (high - low) / 4) * 0.9:
        text = f"stayed within {low:.2f} to {high:.2f} V while contactors closed, as it does at "
        text += "rest: neither a coil nor the converter moved it"
        yield Remark(SUPPLY, "silent", text, window.until_ns)


def together(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """Pack and links that do not give way together in a burst."""
    bench = window.bench
    if not bench.has(PACK):
        return
    pack = burst_samples(window, PACK)
    for role in links if pack is not None else ():
        link = burst_samples(window, role)
        if link is None or pack is None:
            continue
        steps = [_step(window, PACK, pack), _step(window, role, link)]
        fell = [_fell(pack), _fell(link)]
        for mine, other, name, by in ((0, 1, PACK, role), (1, 0, role, PACK)):
            # The link lies behind the pack: it gives way by at least as much.
            part = PART if mine == 0 else 0.5
            clear = fell[other] >= STEPS * max(steps)
            if clear and fell[mine] + steps[mine] < part * fell[other]:
                key = bench.bindings[by].key
                text = f"gave way by {fell[mine]:.1f} V in a burst in which {key} gave way by "
                text += f"{fell[other]:.1f} V: it does not answer"
                yield Remark(name, "silent", text, window.span.end_ns)


def steady(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A pack that is another one before the contactors close than after, or while they do."""
    if not window.bench.has(PACK):
        return
    samples = window.around(PACK, 1.0).known
    level = median(samples.value) if len(samples) else 0.0
    if not level >= LEAST_V:
        return
    off = np.abs(samples.value - level) > STEADY * level
    if off.any():
        row = int(np.argmax(off))
        text = f"read {samples.value[row]:.0f} V while the contactors closed and {level:.0f} V "
        text += "otherwise: a pack holds its voltage"
        yield Remark(PACK, "wrong", text, int(samples.time_ns[row]))


def gone(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A current that is there with the contactors closed, and stays as they open."""
    levels = _levels(window, CURRENT)
    if levels is None:
        return
    before, closed, after, step = levels
    flowed = closed - before
    if abs(flowed) >= max(LEVELS * step, LEAST_A) and abs(after - before) > abs(flowed) / 2:
        text = f"read {closed:.2f} A before the contactors opened and {after:.2f} A after, where "
        text += f"it read {before:.2f} A before they closed: it does not answer"
        yield Remark(CURRENT, "silent", text, window.span.end_ns)


def converter_off(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """12 V that the converter lifted, and that stay there to the last step as it loses its link."""
    levels = _levels(window, SUPPLY)
    if levels is None:
        return
    before, closed, after, step = levels
    if closed - before >= LIFTED_V and abs(after - closed) <= 2 * step:
        text = f"rose from {before:.2f} to {closed:.2f} V with the contactors closed, and read "
        text += f"{after:.2f} V with them open again: it does not answer"
        yield Remark(SUPPLY, "silent", text, window.span.end_ns)


def _levels(window: ClosedWindow, role: str) -> tuple[float, float, float, float] | None:
    """A role before the contactors closed, before they opened, and 1 s after; and its step.

    None where one of the three is not known.
    """
    began = _connected(window, SECOND_NS)
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
    over_ns = min(spans[2][1], window.until_ns)
    both_open = all((window.last(f"contactors.{p}", over_ns).value == 0).any() for p in MAINS)
    if any(len(part) < 8 for part in parts) or not both_open:
        return None
    if window.at("@awake", over_ns).value[0] != 1:
        return None
    before, closed, after = (median(part.value) for part in parts)
    return before, closed, after, max(_step(window, role, part) for part in parts)


def insulation(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A monitor that reads the same with contactors closed as before they closed."""
    bench = window.bench
    if not bench.has(MONITOR):
        return
    began = _connected(window, CLOSED_NS)
    if began is None:
        return
    began_ns, opened_ns = began
    connected = window.back(MONITOR, opened_ns - SETTLED_NS).between(0, opened_ns).known
    alone = window.back(MONITOR, began_ns - SETTLED_NS).between(0, began_ns - EARLY_NS).known
    if len(connected) < 3 or not len(alone):
        return
    apart = abs(median(connected.value) - median(alone.value))
    step = _step(window, MONITOR, connected)
    if apart <= max(MOVED * step, SHARE * median(alone.value)):
        text = f"read {median(connected.value) / 1e3:.0f} kohm with the contactors closed and "
        text += f"{median(alone.value) / 1e3:.0f} kohm before: it does not answer to what is "
        text += "connected"
        yield Remark(MONITOR, "silent", text, opened_ns)


def _connected(window: ClosedWindow, least_ns: int) -> tuple[int, int] | None:
    """When the first pole closed before an opening, and the opening; None if closed too shortly."""
    opened = [e for e in window.events_of("pole") if e.value == 0 and e.subject in MAINS]
    if not opened:
        return None
    opened_ns = min(event.after_ns for event in opened)
    closed, engaged = window.at("@closed", opened_ns), window.history.samples("@engaged")
    row = int(engaged.time_ns.searchsorted(opened_ns, "right")) - 1
    if closed.value[0] != 1 or closed.age_ns[0] < least_ns or row < 0 or engaged.value[row] != 1:
        return None
    return int(engaged.time_ns[row]), opened_ns


def _step(window: ClosedWindow, role: str, samples: Samples) -> float:
    return max(2 * window.bench.bindings[role].half_step, noise(samples.value))


def _fell(samples: Samples) -> float:
    """From the median of the first second to the lowest mean of five readings."""
    first = int(samples.time_ns.searchsorted(samples.time_ns[0] + SECOND_NS))
    return max(0.0, median(samples.value[:first]) - float(smooth(samples.value).min()))
