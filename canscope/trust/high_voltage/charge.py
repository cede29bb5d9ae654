"""A link's charge comes out of the pack, through the pre-charge resistor.

The pack current's integral over a pre-charge is C dV, no less than the resistor lets through, and
it carries as much for the first half of the way as for the second. Meanwhile a link only rises, and
the current only falls.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from canscope.model.integral import integral
from canscope.model.median import median
from canscope.model.piece import ClosedWindow
from canscope.model.tables import SECOND_NS, Floats
from canscope.trust.high_voltage.before_and_after import EARLY_NS, LATE_NS, LEAST_V
from canscope.trust.high_voltage.link_witness import Shown, link_onset
from canscope.trust.movement.trailing import noise
from canscope.trust.remark import Links, Remark
from canscope.trust.samples.clock_alignment import EARLIER_NS, MS, positive_closings

PACK, CURRENT = "pack.voltage", "pack.current"
POSITIVE = "contactors.positive"  # without it nobody knows until when pre-charge goes on
LEAST, MOST = 0.4, 2.5  # times C dV that the current carried; common practice, no source
FILTER_NS = 30 * MS  # by which a current sensor that averages carries its charge late; likewise
HALF, HALF_PART = 3, 0.8  # readings in each half of a rise; of the second half's charge; likewise
FALLS = 0.05  # of the pack, by which a link falls while it charges; likewise
AGAIN_A, AGAIN = 0.8, 0.2  # and of its peak, by which a current rises again; likewise
LESS, MORE = 0.6, 1.67  # times what the resistor lets through; likewise
LESS_OF_BOTH = 0.75  # times that and C dV, if it is less than either; likewise
TAUS = 4  # of R C, over which a pre-charge is over but for 2 %
CLEAR = 6.0  # times the noise of its readings, likewise


def charge(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """The pack current over a pre-charge against the link's stated capacitance."""
    bench = window.bench
    farad, ohm = bench.link_capacitance_F, bench.precharge_resistor_ohm
    if not bench.has(CURRENT, PACK, POSITIVE) or not farad or not ohm:
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
    if not bench.has(CURRENT, POSITIVE) or not pack >= LEAST_V or not links:
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
    if len(amps) < HALF:
        return
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
    if not pack >= LEAST_V or not bench.has(POSITIVE):
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
