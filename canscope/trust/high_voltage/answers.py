"""Does a reading answer to what must move it? One that is dead, or made up, does not.

- The link's charge comes out of the pack: the pack current's integral over a pre-charge is C dV,
  and it carries as much for the first half of the way as for the second.
- Every power-up moves the 12 V: coils pull in, then the d.c. converter takes over.
- Pack and link are one circuit in a burst: where one gives way, so does the other.
- What the pack takes in a burst, the shafts give: their torque brakes.
- The pack keeps its voltage while contactors close, and its current ends as they open.
- The insulation monitor sees another circuit with the contactors closed than with them open, and
  the old one again once they have opened.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import permutations

import numpy as np

from canscope.model.bench import MAINS, SAFE_V
from canscope.model.history import KEEP_LONGER_NS
from canscope.model.integral import integral
from canscope.model.median import median, percentile
from canscope.model.piece import ClosedWindow
from canscope.model.runs import runs_of
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Floats, Int64s
from canscope.trust.high_voltage.link_witness import Shown, link_onset
from canscope.trust.movement.trailing import GAUSSIAN, burst_samples, noise, step_of
from canscope.trust.remark import Links, Remark
from canscope.trust.samples.clock_alignment import EARLIER_NS, MS, positive_closings

PACK, CURRENT, SUPPLY, MONITOR = (
    "pack.voltage",
    "pack.current",
    "supply.voltage",
    "pack.insulation",
)
RAD_S = 2 * np.pi / 60  # per rpm
LEAST_V = SAFE_V  # a link that rises by less shows nothing
LIFTED_V = 0.5  # by which a converter lifts the 12 V; common practice, no source
FELL_BACK = 0.25  # of that, by which it has to fall as the link goes, to have answered; likewise
FEW = 5  # of a fifth of a second more or less; likewise
FEWEST = 3  # of which a median still leaves one out; likewise
BUMP_V = 0.1  # by which a coil pulls it at least to be told; likewise
DIPS = 7  # readings around a coil's pull-in, in which a dip of 0.1 s is seen; likewise
DIP_NS = 30 * MS  # over which a coil pulls in, at least; likewise
COIL_STEP_V = 0.05  # of a reading that shows it; twice as coarse, it takes twice as many; likewise
# Times the noise at rest, and what its neighbouring means differ by, which a dip exceeds; likewise
FLICKERS, WANDERS = 2.4, 4.0
LONGER = 0.4  # of what a coil pulls at least, in the mean of twice as many readings; likewise
NEARLY, BARELY = 2 / 3, 1.3  # of that, between which more readings have to tell; likewise
LEAST_A = 0.3  # a smaller current may be its sensor's own; common practice, no source
STEADY = 0.1  # of the pack's voltage; common practice, no source
KEPT = 0.015  # of it, within which a pack stays that is not loaded; likewise
CHARGED = 0.9  # of it, from which on a link takes little more; likewise
LEAST, MOST = 0.4, 2.5  # times C dV that the current carried; common practice, no source
MEDIAN = 0.6745 * 2**0.5  # median distance of neighbours over the noise of one, if Gaussian
FILTER_NS = 30 * MS  # by which a current sensor that averages carries its charge late; likewise
HALF, HALF_PART = 3, 0.8  # readings in each half of a rise; of the second half's charge; likewise
FALLS = 0.05  # of the pack, by which a link falls while it charges; likewise
# By which links are apart after an opening: their sensors are right to 3 % each, and have a zero.
APART, APART_V, APART_NS, BESIDE_NS = 0.06, 10.0, SECOND_NS // 2, 60 * MS
TAIL_V, TAIL_NS = 100.0, 3 * SECOND_NS // 10  # a bleed that takes it is a heater of 30 W and more
# Of a passive discharge: seconds that it lasts, and shares of its usual rate at which it stays and
# falls on; likewise.
STAYS_SECONDS, FLAT, FALLS_ON = 7, 0.2, 0.4
AGAIN_A, AGAIN = 0.8, 0.2  # and of its peak, by which a current rises again; likewise
LESS, MORE = 0.6, 1.67  # times what the resistor lets through; likewise
LESS_OF_BOTH = 0.75  # times that and C dV, if it is less than either; likewise
TAUS = 4  # of R C, over which a pre-charge is over but for 2 %
LATE_NS = 300 * MS  # by which a current may come late and still answer; likewise
EARLY_NS = 100 * MS  # a coil draws before its state says closed; likewise
REST_NS = 2 * SECOND_NS  # before an attempt, in which a reading shows its own flicker
STEPS = 4.0  # of either voltage, by which one has to give way; likewise
CLEAR = 6.0  # times the noise of its means, likewise
TAKEN_W, REACH_NS = 100.0, 200 * MS  # surely, and how far torque and power may lie apart; likewise
MEAN_NS, FEWEST_MEANS = 100 * MS, 20  # of readings, whose noise falls out; likewise
SURE = 4.0  # standard errors; likewise
LEVELS = 4.0  # the same of levels of a second; likewise
PART = 0.15  # of what the other gave way by; a stiff pack behind long cables; likewise
SETTLED_NS = 5 * SECOND_NS  # before contactors open, or close, in which the monitor is read
CLOSED_NS = 10 * SECOND_NS  # for which they have to have been closed; likewise
# Times its step or flicker, and share of its reading, by which the monitor has to move; likewise
MOVED, SHARE = 3.0, 0.002
MORE_OHM = 0.1  # share by which it reads more with the contactors closed, surely; likewise
MOST_OHM = 1e9  # cables, filters and the monitor itself are far below; likewise
STAYED = 0.1  # of the way that closing moved it, within which it stays; likewise
AGAIN_NS = 3 * SECOND_NS  # and twice as long as it took to answer to their closing; likewise


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
    broken_ns = _broken_off(window, begin.time_ns)
    whole, end_ns = end_ns <= broken_ns, min(end_ns, broken_ns)
    from_ns = begin.after_ns - 100 * MS
    rest = window.back(CURRENT, from_ns - SECOND_NS).between(from_ns - SECOND_NS, from_ns).known
    amps = window.back(CURRENT, from_ns).between(from_ns, end_ns).known
    risen = [float(window.at(role, end_ns).value[0]) - begin.value for role in links]
    if len(rest) < 5 or len(amps) < 5 or not min(risen) >= LEAST_V:
        return
    passed_s = np.diff(amps.time_ns) / SECOND_NS
    level = median(rest.value)
    away = amps.value - level
    coulomb = integral(away, amps.time_ns)
    wanted = farad * median(risen)
    # One peak may hide between two readings, and each is rounded.
    hidden = pack / ohm * median(passed_s) / 2
    rounded = bench.u(CURRENT) + noise(rest.value)
    u = rounded * float(np.sum(passed_s)) / len(passed_s) ** 0.5
    missed = u + min(hidden, _before_peak(away, median(passed_s), ohm * farad, rounded))
    u += hidden
    low, high = coulomb + missed < LEAST * wanted, coulomb - u > MOST * wanted
    if low or high:
        text = f"carried {coulomb:.3g} C (+-{u:.2g} C) while the link charged, by its capacitance "
        text += f"and {median(risen):.0f} V it takes {wanted:.3g} C: its sign, factor or sensor "
        text += "is wrong"
        yield Remark(CURRENT, "wrong", text, end_ns)
        return
    full_V = None if whole else pack
    through = _through(window, links[0], begin.after_ns, end_ns, full_V) / ohm
    # Resistor and capacitance may be stated wrongly one by one, but hardly both alike.
    both = min(through, wanted) * LESS_OF_BOTH
    if through and (coulomb + missed < max(LESS * through, both) or coulomb - u > MORE * through):
        text = f"carried {coulomb:.3g} C (+-{u:.2g} C) while the link charged, through {ohm:g} ohm "
        text += f"its voltage drives {through:.3g} C: its sign, factor or sensor, or the stated "
        text += "resistor, is wrong"
        yield Remark(CURRENT, "wrong", text, end_ns)


def _before_peak(away: Floats, cycle_s: float, tau_s: float, rounded: float) -> float:
    """The charge that a decay, by whose readings it began up to a cycle earlier, adds at most.

    By the highest of them, by half of the time constant, which may be stated wrongly, and beside
    the half of a cycle that the trapezoid rule takes in.
    """
    tau_s /= 2
    whole_s = tau_s * float(np.expm1(cycle_s / tau_s))
    return (float(away.max()) + rounded) * (whole_s - cycle_s / 2)


def _broken_off(window: ClosedWindow, begin_ns: int) -> int:
    """Until when pre-charge and negative surely stayed closed after that; else the window's end."""
    events = [
        event for pole in ("negative", "precharge") for event in window.events_of("pole", pole)
    ]
    opened = [event.after_ns for event in events if event.value == 0 and event.time_ns > begin_ns]
    return min(opened, default=window.until_ns)


def _through(
    window: ClosedWindow, role: str, start_ns: int, end_ns: int, full_V: float | None
) -> float:
    """What a charging link lacks of a voltage, over time, in V s; 0 if it is not known.

    Of its last one, where ``full_V`` is None.
    """
    link = window.back(role, start_ns).between(start_ns, end_ns).known
    if len(link) < 5:
        return 0.0
    lacks = np.maximum((full_V or float(link.value[-1])) - link.value, 0.0)
    return integral(lacks, link.time_ns)


def _charge(window: ClosedWindow, links: Links) -> tuple[float, Shown, int] | None:
    """The pack's voltage, when the first link begins to rise to it, and until when it surely does.

    None where the attempt does not show that, or pack voltage or current are not known.
    """
    bench, span = window.bench, window.span
    pack = float(window.at(PACK, span.start_ns, before=True).value[0]) if bench.has(PACK) else 0.0
    if not bench.has(CURRENT) or not pack >= LEAST_V or not links:
        return None
    end_ns = min([window.until_ns, *positive_closings(window)])
    begin = link_onset(window, links[0], span.start_ns - EARLIER_NS, end_ns, pack)
    if begin is None:
        return None
    return pack, begin, min(end_ns, _broken_off(window, begin.time_ns))


def halves(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A current that carries far less for the first half of a link's rise: it may be clipped."""
    charge = _charge(window, links)
    if charge is None:
        return
    pack, begin, end_ns = charge
    link = window.back(links[0], begin.after_ns).between(begin.after_ns, end_ns).known
    from_ns = begin.after_ns - 100 * MS
    rest = window.back(CURRENT, from_ns - SECOND_NS).between(from_ns - SECOND_NS, from_ns).known
    if len(rest) < 5 or len(link) < 5 or not link.value.max() - begin.value >= LEAST_V:
        return
    risen = (link.value - begin.value) / (pack - begin.value)
    half_ns, most_ns = (int(link.time_ns[np.argmax(risen >= share)]) for share in (0.45, 0.9))
    if not risen.max() >= 0.9:
        return
    amps = window.back(CURRENT, from_ns).between(from_ns, end_ns).known
    level, told = median(rest.value), ""
    # One that averages takes as long to rise to its highest, one that is clipped does so at once.
    high = amps.value - level >= 0.9 * (float(amps.value.max()) - level)
    rises_ns = int(amps.time_ns[np.argmax(high)]) - begin.after_ns
    rises_ns -= int(median(np.diff(amps.time_ns)))
    for late_ns in (0, min(max(rises_ns, 0), FILTER_NS)):
        middle_ns = half_ns + late_ns
        first = amps.between(from_ns, middle_ns + 1)
        second = amps.between(middle_ns, most_ns + late_ns + 1)
        if len(first.between(begin.after_ns, middle_ns + 1)) < HALF or len(second) < HALF:
            return
        coulomb = [integral(part.value - level, part.time_ns) for part in (first, second)]
        # A peak may hide between two readings, and when the first of few came is worth one of them.
        peak_A = float(np.max(first.value)) - level
        u = (
            (peak_A + window.bench.u(CURRENT) + noise(rest.value))
            * median(np.diff(first.time_ns))
            / 2e9
        )
        # Of a smooth course, coarse steps take or add the same for long.
        u += window.bench.u(CURRENT) * (middle_ns - begin.after_ns) / SECOND_NS
        if coulomb[0] <= 0 or coulomb[0] + u >= HALF_PART * (1 - 1 / len(first)) * coulomb[1]:
            return
        told = told or (
            f"carried {coulomb[0]:.3g} C for the first half of the link's rise and "
            f"{coulomb[1]:.3g} C for the second: it may be clipped"
        )
    yield Remark(CURRENT, "wrong", told, most_ns)


def only_falls(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A current that falls and rises again while a link charges through its resistor.

    It rises once, at the closing, however slowly its sensor follows; from there on it only falls.
    """
    charge = _charge(window, links)
    if charge is None:
        return
    _, begin, end_ns = charge
    start_ns = window.span.start_ns - EARLIER_NS
    amps = window.back(CURRENT, begin.after_ns - EARLY_NS).between(0, end_ns).known
    rest = window.back(CURRENT, start_ns - SECOND_NS).between(0, start_ns).known
    if len(amps) < 5 or len(rest) < 5:
        return
    # Two readings: a contact may bounce at one of them.
    low = np.maximum(amps.value[:-1], amps.value[1:])
    fell = np.maximum.accumulate(amps.value[:-1]) - low
    rose = np.maximum.accumulate(amps.value[::-1])[::-1][1:] - low
    again = np.minimum(fell, rose)
    row = int(again.argmax())
    peak_A = float(amps.value.max()) - median(rest.value)
    if again[row] > max(
        AGAIN_A, AGAIN * peak_A, CLEAR * noise(rest.value), 6 * window.bench.u(CURRENT)
    ):
        text = f"fell to {low[row]:.2f} A and rose again by {rose[row]:.2f} A while the link "
        text += "charged, where it only falls: it may have a dead bit"
        yield Remark(CURRENT, "wrong", text, int(amps.time_ns[row]))


def only_rises(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A link that falls in the midst of its pre-charge, and rises again."""
    bench, span = window.bench, window.span
    pack = float(window.at(PACK, span.start_ns, before=True).value[0]) if bench.has(PACK) else 0.0
    if not pack >= LEAST_V:
        return
    start_ns = span.start_ns - EARLIER_NS
    end_ns = min([window.until_ns, *positive_closings(window)])
    for role in links:
        begin = link_onset(window, role, start_ns, end_ns, pack)
        if begin is None:
            continue
        broken_ns = min(end_ns, _broken_off(window, begin.time_ns))
        link = window.back(role, begin.after_ns).between(0, broken_ns).known
        if len(link) < 5:
            continue
        low = np.maximum(link.value[:-1], link.value[1:])  # one reading alone may be wrong
        fell = np.maximum.accumulate(link.value[:-1]) - low
        rose = np.maximum.accumulate(link.value[::-1])[::-1][1:] - low
        again = np.minimum(fell, rose)
        row = int(again.argmax())
        if again[row] > max(FALLS * pack, 6 * bench.u(role)):
            text = f"fell by {fell[row]:.0f} V to {low[row]:.0f} V in the midst of a pre-charge and"
            text += " rose again: something else drew from it, a contact opened, or it is wrong"
            yield Remark(role, "wrong", text, int(link.time_ns[row]))


def passive_tail(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A link that loses its last 100 V faster than a passive bleed can take them.

    Above that a converter may empty it; below no converter works.
    """
    if window.bench.bleed != "passive":
        return
    opened = [e for e in window.events_of("pole") if e.value == 0 and e.subject in MAINS]
    if not opened:
        return
    for role in links:
        link = window.back(role, opened[0].after_ns - LATE_NS).known
        high = np.flatnonzero(link.value >= TAIL_V)
        if not len(high) or high[-1] + 1 >= len(link):
            continue
        low = np.flatnonzero(link.value[high[-1] :] <= TAIL_V / np.e) + high[-1]
        if not len(low):
            continue
        first, last = int(link.time_ns[high[-1]]), int(link.time_ns[low[0]])
        if last - first < TAIL_NS and window.at("@awake", last).value[0] == 1:
            text = f"fell from {link.value[high[-1]]:.0f} to {link.value[low[0]]:.0f} V in "
            text += f"{(last - first) / 1e9:.2f} s, where only a passive bleed empties it"
            yield Remark(role, "wrong", text, last)


def passive_stays(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A link that stops falling for seconds and then falls on, where only a bleed empties it."""
    opened = [e for e in window.events_of("pole") if e.value == 0 and e.subject in MAINS]
    if window.bench.bleed != "passive" or not opened:
        return
    closed = [e.after_ns for e in window.events_of("pole") if e.value == 1]
    from_ns = opened[0].after_ns
    until_ns = min([t for t in closed if t > from_ns], default=window.until_ns)
    for role in links:
        link = window.back(role, from_ns).between(from_ns, until_ns).known
        link = link[link.value >= LEAST_V]
        seconds = (link.time_ns - from_ns) // SECOND_NS
        starts = np.flatnonzero(np.diff(seconds, prepend=-1))
        if len(starts) < STAYS_SECONDS or (np.diff(seconds[starts]) != 1).any():
            continue
        level = np.add.reduceat(link.value, starts) / np.diff(starts, append=len(link))
        rates = -np.diff(np.log(level))[:-1]  # without the last second, which is none
        usual = median(rates)
        if not usual > 0:
            continue
        clear = level[:-2] * usual > max(6 * window.bench.u(role), 4 * noise(link.value))
        flat = (rates < FLAT * usual) & clear
        last = int(np.flatnonzero(rates > FALLS_ON * usual)[-1])
        fallen = link.value[0] - level > FALLS_ON * usual * level
        for row in np.flatnonzero(flat[:-1] & flat[1:]).tolist():
            if fallen[row] and row < last:
                text = f"stayed at {level[row]:.0f} V for 2 s and more and then fell on, by "
                text += f"{usual:.0%} in each second, after the contactors had opened: something "
                text += "fed it, or it is wrong"
                yield Remark(role, "wrong", text, from_ns + int(seconds[starts[row]]) * SECOND_NS)
                break


def one_circuit(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """Links that discharge apart from each other, though they hang on one pair of wires."""
    opened = [e for e in window.events_of("pole") if e.value == 0 and e.subject in MAINS]
    if len(links) < 2 or not opened:
        return
    from_ns, keys = opened[0].after_ns, window.bench.bindings
    first = window.back(links[0], from_ns).known
    for mine, other in permutations(links, 2):
        own = first if mine == links[0] else window.back(mine, from_ns).known
        its = window.at(other, own.time_ns)
        level = float(window.at(mine, from_ns).value[0])
        if not level >= LEAST_V or not len(own):
            continue
        # Buses may lie a little apart: the least that the other read around each instant counts.
        around = [window.at(other, own.time_ns + way * BESIDE_NS).value for way in (-1, 1)]
        least = np.minimum(its.value, np.fmin(*around))
        allowed = APART * least + APART_V + 2 * window.bench.u(mine)
        apart = (its.age_ns <= LATE_NS) & (least >= LEAST_V) & (least - own.value > allowed)
        for start, end in runs_of(apart):
            lasted_ns = int(own.time_ns[end - 1] - own.time_ns[start])
            if lasted_ns >= APART_NS:
                text = f"read {own.value[start]:.0f} V where {keys[other].key}, which hangs on the "
                text += f"same wires, read {its.value[start]:.0f} V, for {lasted_ns / 1e9:.1f} s "
                text += "after the contactors had opened"
                yield Remark(mine, "wrong", text, int(own.time_ns[start]))
                break


def supply(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """12 V that neither a coil nor the converter moves while an attempt reaches both poles.

    Where it is read finely enough, the coil of the pole that closes first pulls it down for a
    moment, while nothing else changes: a reading that does not show that is averaged, or another
    one, and its lowest value proves nothing. Where it is read coarsely, something has to move it.
    """
    bench, start_ns = window.bench, window.span.start_ns
    if not bench.has(SUPPLY, "contactors.negative", "contactors.positive"):
        return
    # The coil pulled in since the state was read last, and that may be long ago.
    closed = [event.after_ns for event in window.events_of("pole") if event.value == 1]
    start_ns = min([start_ns, *closed[:1]])
    if window.at("@closed", window.until_ns, before=True).value[0] != 1:
        return
    rest = window.back(SUPPLY, start_ns - REST_NS).between(start_ns - REST_NS, start_ns - EARLY_NS)
    busy = window.back(SUPPLY, start_ns - EARLY_NS).known
    if len(rest.known) < 6 or len(busy) < 10:
        return
    step = step_of(rest.known.value, bench.bindings[SUPPLY].half_step)
    # A moment's dip before it, as a node wakes, is not what they rest at.
    low, high = (float(percentile(rest.known.value, share)) for share in (5, 95))
    outside = max(low - float(busy.value.min()), float(busy.value.max()) - high)
    if outside < max(1.5 * step, high - low, BUMP_V):
        text = f"stayed within {low:.2f} to {high:.2f} V while contactors closed, as it does at "
        text += "rest: neither a coil nor the converter moved it"
        yield Remark(SUPPLY, "silent", text, window.until_ns)
    elif _coil_pulls(window, rest.known, busy, step) is False:
        text = "did not dip as the first contactor pulled in, though it is read often enough to "
        text += "show it: it is averaged, or made of something else"
        yield Remark(SUPPLY, "silent", text, window.until_ns)


def _coil_pulls(window: ClosedWindow, rest: Samples, busy: Samples, step: float) -> bool | None:
    """Whether the first coil of an attempt pulls the 12 V down; None where that cannot be seen.

    It has to pull by more than they flicker and wander at rest.
    """
    bench = window.bench
    if bench.poles_as_one and not bench.has("contactors.precharge"):
        return None  # coils have pulled before that one signal reads closed
    first = next((event for event in window.events_of("pole") if event.value == 1), None)
    if first is None:
        return None
    around = busy.between(first.after_ns - EARLY_NS, first.time_ns + LATE_NS)
    if len(around) < DIPS * max(1, round(step / COIL_STEP_V)):
        return None
    means = rest.value[: len(rest) // DIPS * DIPS].reshape(-1, DIPS).mean(axis=1)
    wanders = percentile(np.abs(np.diff(means)), 75) if len(means) > 2 else 0.0
    # A dip lasts for some readings where they come fast: one of them alone may be noise.
    beside = max(1, min(DIP_NS // max(int(median(np.diff(around.time_ns))), 1), DIPS))
    lowest, long = (
        float(np.convolve(around.value, np.ones(width) / width, "valid").min())
        for width in (beside, 2 * beside)
    )
    steps = 1.5 if np.ptp(rest.value) else 0.9
    steps = steps * step / beside**0.5
    # One that toggles between two steps differs from its neighbour by more than its noise is.
    rough = min(noise(rest.value), GAUSSIAN * float(np.std(rest.value)))
    least = max(steps, FLICKERS * rough / beside**0.5, WANDERS * wanders)
    # Of one that toggles between two steps the mean is its level; a moment's dip takes little.
    level = float(rest.value[-2 * DIPS :].mean())
    fell = level - lowest
    if NEARLY * least <= fell < BARELY * least:
        # Half of what a coil pulls at least is still there as the next reading comes, and nearly as
        # much of it in the mean of twice as many, in which noise is less.
        if fell < BUMP_V / 2 or level - long < LONGER * BUMP_V:
            return False
        return True if fell >= least else None
    return bool(fell >= least)


def together(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """Pack and links that do not give way together in a burst."""
    bench = window.bench
    roles = [PACK, *links] if bench.has(PACK) else list(links)
    seen = {role: burst_samples(window, role) for role in roles}
    known = {role: samples for role, samples in seen.items() if samples is not None}
    curves = {role: _means(samples) for role, samples in known.items()}
    step = {role: step_of(known[role].value, bench.bindings[role].half_step) for role in known}
    for mine, other in permutations(curves, 2):
        fell = _moved(curves[other])
        if fell < STEPS * max(step[mine], step[other]):
            continue
        followed = _followed(curves[mine], curves[other])
        # The link lies behind the pack: it gives way by at least as much.
        part = PART if mine == PACK else 0.5
        if followed is not None and followed < part:
            key = bench.bindings[other].key
            text = f"did not follow {key} in a burst, which gave way by {fell:.1f} V: it does not "
            yield Remark(mine, "silent", text + "answer", window.span.end_ns)


def taken(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A pack that takes power in a burst in which no torque brakes: the torques are not given."""
    bench = window.bench
    shafts = [(unit.role("torque"), unit.role("speed")) for unit in bench.units]
    began = window.last("@engaged", window.span.start_ns)
    poles = [f"contactors.{pole}" for pole in MAINS]  # without them nobody knows what is idle
    if not bench.has(PACK, CURRENT, *poles, *(role for shaft in shafts for role in shaft)):
        return
    own = next(unit for unit in bench.units if unit.name == window.span.subject)
    burst = burst_samples(window, own.role("torque"))
    if burst is None or set(links) < set(bench.link_roles().values()) or not len(began):
        return
    idle_ns = int(began.time_ns[0]) - EARLY_NS
    idle = window.back(CURRENT, idle_ns - SECOND_NS).between(idle_ns - SECOND_NS, idle_ns).known
    amps = window.back(CURRENT, int(burst.time_ns[0])).between(0, int(burst.time_ns[-1])).known
    if len(idle) < 8 or len(amps) < 8:
        return
    pack_W = (amps.value - median(idle.value)) * window.at(PACK, amps.time_ns).value
    numbers, mean_W, noise_W = _means(replace(amps, value=pack_W))
    given_W = np.zeros(len(burst))
    for torque, speed in shafts:
        omega = window.at(speed, burst.time_ns).value * RAD_S
        given_W += (window.at(torque, burst.time_ns).value - bench.u(torque)) * omega
    if np.isnan(given_W).any() or np.isnan(mean_W).any():
        return
    for number, watt in zip(numbers.tolist(), mean_W.tolist(), strict=True):
        if watt > -max(TAKEN_W, CLEAR * noise_W):
            continue
        start_ns = number * MEAN_NS
        near = (burst.time_ns >= start_ns - REACH_NS) & (
            burst.time_ns <= start_ns + MEAN_NS + REACH_NS
        )
        least_W = float(given_W[near].min(initial=np.inf))
        if watt < 2 * min(least_W, 0.0) - TAKEN_W:
            keys = ", ".join(bench.bindings[torque].key for torque, _ in shafts)
            gave = f"{-least_W:.0f} W at most" if least_W < 0 else "nothing"
            text = f"does not say what its shaft gives: the pack took {-watt:.0f} W, and by {keys}"
            text += f" and their speeds the shafts gave {gave} then"
            yield from (Remark(torque, "wrong", text, start_ns) for torque, _ in shafts)
            return


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
        # What is empty before the contactors close lies behind them.
        empty = float(samples.value[0]) < STEADY * level
        code = "behind-contactors" if empty else ""
        yield Remark(PACK, "wrong", text, int(samples.time_ns[row]), code=code)
        return
    # Before anything flowed, and once the link is charged through its resistor: hardly anything.
    start_ns, closed_ns = window.span.start_ns, min(positive_closings(window), default=None)
    if closed_ns is None:
        return
    full_ns = closed_ns - LATE_NS
    if full_ns - start_ns < LATE_NS:  # then the links themselves have to say when they are
        curves = [window.back(link, start_ns).between(start_ns, closed_ns).known for link in links]
        empty = [curve.time_ns[curve.value < CHARGED * level] for curve in curves]
        if not empty or not all(len(times) for times in empty):
            return
        full_ns = max(int(times[-1]) for times in empty)
    before = samples.between(start_ns - SECOND_NS, start_ns - EARLY_NS)
    full = samples.between(full_ns, closed_ns - EARLY_NS // 2)
    if len(before) < FEW or len(full) < FEWEST or not full.time_ns[0] > before.time_ns[-1]:
        return
    fell = median(before.value) - median(full.value)
    # The way from one level to the other is no step of the sensor, though it takes no other.
    step = min(step_of(samples.value, window.bench.bindings[PACK].half_step), KEPT * level)
    rough = noise(before.value) / len(full) ** 0.5
    if abs(fell) > max(KEPT * level, STEPS * rough, 1.5 * step):
        text = f"read {median(before.value):.1f} V before the contactors closed and "
        text += f"{median(full.value):.1f} V once the link had charged: so little current leaves a "
        text += "pack its voltage"
        yield Remark(PACK, "wrong", text, closed_ns)


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
    # Ripple makes a step wide: what came back by most of its way has answered.
    stays_V = min(2 * step, FELL_BACK * (closed - before))
    if closed - before >= LIFTED_V and abs(after - closed) <= stays_V:
        text = f"rose from {before:.2f} to {closed:.2f} V with the contactors closed, and read "
        text += f"{after:.2f} V with them open again: it does not answer"
        yield Remark(SUPPLY, "silent", text, window.span.end_ns)


def lifted_by_coils(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """12 V that rise for a moment as each coil pulls in: it must be the other way round."""
    bench, start_ns = window.bench, window.span.start_ns
    if not bench.has(SUPPLY):
        return
    bumps = []
    for event in window.events_of("pole"):
        if event.value != 1 or event.subject not in ("negative", "precharge"):
            continue
        before = window.back(SUPPLY, start_ns - REST_NS).between(0, start_ns - REST_NS // 4).known
        around = window.back(SUPPLY, event.after_ns - EARLY_NS).known
        around = around.between(0, event.time_ns + 2 * EARLY_NS)
        if len(before) < 8 or len(around) < FEW:
            return
        level, step = median(before.value), _step(window, SUPPLY, before)
        up, down = float(around.value.max()) - level, level - float(around.value.min())
        ends = abs(float(np.mean(around.value[-2:])) - level)
        bumps.append(up >= max(BUMP_V, 3 * step, 3 * down) and ends < up / 2)
    if len(bumps) > 1 and all(bumps):
        text = "rose for a moment as each contactor pulled in, where a coil makes it dip: its sign "
        text += "or its source is wrong"
        yield Remark(SUPPLY, "wrong", text, window.until_ns)


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
    if any(len(part) < 8 for part in parts) or not _all_open(window, over_ns):
        return None
    if window.at("@awake", over_ns).value[0] != 1:
        return None
    before, closed, after = (median(part.value) for part in parts)
    return before, closed, after, max(_step(window, role, part) for part in parts)


def insulation(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A monitor that reads the same with contactors closed as before they closed.

    Or that wanders as far by itself. How long it takes to answer is known from an earlier closing.
    """
    bench = window.bench
    if not bench.has(MONITOR):
        return
    before = _answered_ns(window)
    began = _connected(window, CLOSED_NS if before is None else AGAIN_NS + 2 * before)
    if began is None:
        return
    began_ns, opened_ns = began
    if opened_ns - began_ns > KEEP_LONGER_NS[MONITOR] - 2 * SETTLED_NS:
        return  # what it read before is not known any more
    connected = window.back(MONITOR, opened_ns - SETTLED_NS).between(0, opened_ns).known
    if before is not None:
        connected = connected.between(began_ns + AGAIN_NS // 2 + before, opened_ns)
    alone = window.back(MONITOR, began_ns - SETTLED_NS).between(0, began_ns - EARLY_NS).known
    if len(connected) < 3 or not len(alone):
        return
    if median(connected.value) > MOST_OHM:
        text = f"read {median(connected.value) / 1e9:.3g} Gohm with the contactors closed, more "
        yield Remark(MONITOR, "wrong", text + "than any vehicle has", opened_ns)
        return
    apart = abs(median(connected.value) - median(alone.value))
    step = _step(window, MONITOR, connected)
    read_alone = f"{median(alone.value) / 1e3:.0f} kohm before"
    read = f"read {median(connected.value) / 1e3:.0f} kohm with the contactors closed"
    if apart <= max(MOVED * step, SHARE * median(alone.value)):
        text = f"{read} and {read_alone}: it does not answer to what is connected"
        yield Remark(MONITOR, "silent", text, opened_ns)
        return
    settled = window.back(MONITOR, began_ns + CLOSED_NS).between(0, opened_ns).known
    if len(settled) >= 10 and opened_ns - began_ns >= 2 * CLOSED_NS:
        way = percentile(settled.value, 90) - percentile(settled.value, 10)
        if way > apart / 2:
            text = f"{read} and {read_alone}, and wandered by {way / 1e3:.0f} kohm while nothing "
            text += "was connected or taken off: it does not answer to what is connected"
            yield Remark(MONITOR, "silent", text, opened_ns)
            return
    answered_ns = _crossed_ns(window, began_ns, opened_ns, alone, connected) - began_ns
    all_open_ns = max(event.time_ns for event in window.events_of("pole"))
    from_ns = all_open_ns + max(AGAIN_NS, 2 * answered_ns)
    after = window.back(MONITOR, from_ns).known
    stayed = bool((np.abs(after.value - median(connected.value)) < STAYED * apart).all())
    sure = settled if len(settled) >= 10 else connected
    less = median(sure.value) * (1 - MORE_OHM) - SURE * noise(sure.value) / len(sure) ** 0.5
    asked = len(after) and _all_open(window, from_ns) and window.at("@awake", from_ns).value[0] == 1
    now = f"{read} and {median(after.value) / 1e3:.0f} kohm " if len(after) else ""
    now += f"{(from_ns - all_open_ns) / SECOND_NS:.0f} s after they had opened, where it read "
    if asked and stayed:
        text = f"{now}{read_alone}: it does not answer to what is connected"
        yield Remark(MONITOR, "silent", text, from_ns)
    elif asked and median(alone.value) < less and after.value.max() < less:
        text = f"{now}{read_alone}: what is connected can only take from an insulation, so that "
        text += "its sense or its source is wrong"
        yield Remark(MONITOR, "wrong", text, from_ns)


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
        if apart > max(MOVED * _step(window, MONITOR, connected), SHARE * median(alone.value)):
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


def _all_open(window: ClosedWindow, at_ns: int) -> bool:
    """Whether both main contactors are known to be open then."""
    return all((window.last(f"contactors.{p}", at_ns).value == 0).any() for p in MAINS)


def _step(window: ClosedWindow, role: str, samples: Samples) -> float:
    return max(2 * window.bench.bindings[role].half_step, noise(samples.value))


def _means(samples: Samples) -> tuple[Int64s, Floats, float]:
    """Means of tenths of a second: which tenth, its mean, and about the noise of one."""
    number = samples.time_ns // MEAN_NS
    first = np.flatnonzero(np.diff(number, prepend=-1))
    counts = np.diff(np.append(first, len(number)))
    mean = np.add.reduceat(samples.value, first) / counts
    single = median(np.abs(np.diff(samples.value))) / MEDIAN
    return number[first], mean, single / float(np.sqrt(median(counts)))


def _moved(curve: tuple[Int64s, Floats, float]) -> float:
    """How far it surely gave way; 0 where that may be its noise."""
    _, mean, noise_V = curve
    way = percentile(mean, 90) - percentile(mean, 5)
    return way if way >= CLEAR * noise_V else 0.0


def _followed(
    mine: tuple[Int64s, Floats, float], other: tuple[Int64s, Floats, float]
) -> float | None:
    """The largest share of the other's way that this one may have gone with it."""
    _, own, its = np.intersect1d(mine[0], other[0], assume_unique=True, return_indices=True)
    if len(own) < FEWEST_MEANS:
        return None
    x, y = other[1][its] - other[1][its].mean(), mine[1][own] - mine[1][own].mean()
    xx = float(x @ x)
    slope = float(x @ y) / xx
    left = y - slope * x
    power = float(left @ left)
    # What is left may swing: neighbours that are alike are fewer than they seem.
    alike = min(max(float(left[1:] @ left[:-1]) / power, 0.0), 0.9) if power else 0.0
    return slope + SURE * float(np.sqrt(power / len(x) / xx * (1 + alike) / (1 - alike)))
