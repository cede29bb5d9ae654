"""One pre-charge curve of one link, read from its samples: where it began, rose and ended."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from canscope.model.bench import Bench
from canscope.model.events import Event
from canscope.model.median import median
from canscope.model.piece import ClosedWindow, S
from canscope.model.tables import Floats
from canscope.rules.shared.exponential_fit import Exponential, exponential
from canscope.rules.shared.links import seconds_since
from canscope.rules.shared.poles import first_after, last_until, openings
from canscope.rules.shared.true_changes import true_closings
from canscope.trust.samples.clock_alignment import link_lag_ns
from canscope.trust.samples.even_stamps import even_ns

FULL = 0.95  # of the pack: as good as charged, 2.9957 tau
PINNED = 0.02  # of the pack: a final level known better than this is fitted, else the pack's
LN9 = float(np.log(9))  # a charging curve takes ln 9 tau from 10 to 90 %
SETTLING_S = 0.15  # a shorter stretch shows no plateau; common practice, no source
FLAT = 0.01  # of the pack, over the last third; common practice, no source


@dataclass(frozen=True)
class Curve:
    """What the readings between pre-charge and positive show; NaN or None where they do not.

    ``reach_s`` is the time to 95 % of the pack: from the readings if ``reached``, else predicted by
    the fit (never shorter than the time passed). ``plateau`` is the level at which the link had
    settled, and its uncertainty. ``step_s`` is the largest tau of a rise that the sampling does not
    resolve.
    """

    begin_ns: int
    end_ns: int
    start_V: float
    pack_V: float
    pack_u: float
    plateau: tuple[float, float]
    fit: Exponential | None
    step_s: float | None
    reached: bool
    reach_s: float
    reach_u: float
    passed_s: float


def read_curve(
    window: ClosedWindow, role: str, begin: Event, end_ns: int, pack_V: float
) -> Curve | None:
    """The curve between the event that began it and ``end_ns``; None without a reading in it.

    Where the clock of the link's adapter differs, both are taken by that clock.
    """
    lag_ns = link_lag_ns(window, role)
    if lag_ns:
        at_ns = (begin.time_ns + lag_ns, begin.after_ns + lag_ns)
        begin, end_ns = replace(begin, time_ns=at_ns[0], after_ns=at_ns[1]), end_ns + lag_ns
    samples = window.back(role, begin.after_ns - 10 * S).between(0, end_ns + 1).known
    first = max(int(np.searchsorted(samples.time_ns, begin.after_ns, "right")) - 1, 0)
    sent_ns = even_ns(samples.time_ns)[first:]
    samples = samples[first:]
    if len(samples) < 2 or end_ns <= begin.after_ns:
        return None
    t, v = seconds_since(sent_ns, begin.time_ns), samples.value
    u, start_V = window.bench.u(role), float(v[0])
    passed_s = (end_ns - begin.time_ns) / S
    plateau = _plateau(t, v, passed_s, pack_V, u)
    top = pack_V if np.isnan(plateau[0]) else plateau[0]
    share = (v - start_V) / max(top - start_V, 1e-9)
    step_s = _step(t, share)
    rising = np.flatnonzero(v - start_V >= 0.05 * (pack_V - start_V))
    fit, onset_s = None, float("nan")
    if len(rising) and step_s is None:
        rise = slice(rising[0], _settled(t, share, int(rising[0])))
        fit = _fit(t[rise], v[rise], pack_V)
    half_s = (begin.time_ns - begin.after_ns) / S / 2
    if fit is not None:
        onset_s = float(t[rising[0]]) + fit.when(start_V)
    # The closing lies in the event's interval; the foot of the curve shows where.
    begin_s = -half_s if np.isnan(onset_s) else float(np.clip(onset_s, -2 * half_s, 0))
    at_s, at_u, reached = _reach(t, v, FULL * pack_V, fit, rising)
    reach_s = at_s - begin_s if reached else max(at_s - begin_s, passed_s)
    return Curve(
        begin_ns=begin.after_ns,
        end_ns=end_ns,
        start_V=start_V,
        pack_V=pack_V,
        pack_u=window.bench.u("pack.voltage"),
        plateau=plateau,
        fit=fit,
        step_s=step_s,
        reached=reached,
        reach_s=reach_s,
        reach_u=at_u + half_s,
        passed_s=passed_s,
    )


def precharges(window: ClosedWindow) -> Iterator[tuple[Event, int]]:
    """What began each pre-charge of the attempt, and the last instant that surely lies in it.

    A pre-charge begins when pre-charge and negative are both closed. It ends before positive
    closes, before pre-charge or negative opens again, or with the window.
    """
    negatives, positives = _closings(window, "negative"), _closings(window, "positive")
    for closed in _closings(window, "precharge"):
        opened = first_after(openings(window, "precharge"), closed.time_ns)
        until = opened.time_ns if opened else window.until_ns
        begin = last_until(negatives, until)
        if window.bench.poles_as_one:  # nobody knows when negative closed, only when both were
            begin = None
        if begin is None or begin.time_ns < closed.time_ns:
            begin = closed
        positive = first_after(positives, closed.time_ns - 1)
        # Both may have changed between the same two readings.
        broken = first_after(openings(window, "negative"), begin.after_ns)
        ends = [event.after_ns for event in (opened, positive, broken) if event is not None]
        yield begin, min([*ends, window.until_ns - 1])


def _closings(window: ClosedWindow, pole: str) -> list[Event]:
    return [change.event for change in true_closings(window, pole)]


def facts_of(bench: Bench, curve: Curve | None) -> dict[str, Any]:
    """A curve for the sentence, as text and as numbers, as far as it is known."""
    if curve is None:
        return {"curve": "no curve seen"}
    nothing = float("nan")
    fit, resistor = curve.fit, bench.precharge_resistor_ohm
    across = curve.pack_V - curve.start_V
    tau_s = fit.tau_s if fit else nothing
    farad = tau_s / resistor if resistor else nothing
    joule = (bench.link_capacitance_F or nothing if np.isnan(farad) else farad) * across**2 / 2
    peak = across / resistor if resistor else nothing
    told = f"tau {tau_s * 1e3:.1f} ms, R2 {fit.r2:.4f}" if fit else "no curve fits"
    if fit and resistor:
        told += f", so {farad * 1e3:.3f} mF at {resistor:g} ohm"
    if not np.isnan(joule):
        told += f", resistor energy {joule:.0f} J"
    if resistor:
        told += f", peak current {peak:.1f} A"
    numbers = {
        "tau_ms": tau_s * 1e3,
        "r2": fit.r2 if fit else nothing,
        "rms_V": fit.rms if fit else nothing,
        "capacitance_F": farad,
        "energy_J": joule,
        "peak_A": peak,
        "reach_ms": curve.reach_s * 1e3,
    }
    return {"curve": told, **{word: x for word, x in numbers.items() if not np.isnan(x)}}


def _plateau(t: Floats, v: Floats, passed_s: float, pack_V: float, u: float) -> tuple[float, float]:
    """The level of the last third of the stretch if it is flat, and its uncertainty."""
    tail = v[t >= passed_s * 2 / 3]
    if passed_s < SETTLING_S or len(tail) < 3 or np.ptp(tail) > FLAT * pack_V + 2 * u:
        return float("nan"), float("nan")
    return median(tail), u + float(np.ptp(tail)) / 2


def _step(t: Floats, share: Floats) -> float | None:
    """The largest tau of a rise with fewer than two readings between 10 and 90 %."""
    above = np.flatnonzero(share >= 0.9)
    if not len(above):
        return None
    below = np.flatnonzero(share[: above[0]] <= 0.1)
    if not len(below) or above[0] - below[-1] > 2:
        return None
    return float(t[above[0]] - t[below[-1]]) / LN9


def _settled(t: Floats, share: Floats, first: int) -> int:
    """The row at which the rise is over: four times the way to 90 %, about 9 tau."""
    high = np.flatnonzero(share >= 0.9)
    if not len(high):
        return len(t)
    return int(np.searchsorted(t, t[first] + 4 * (t[high[0]] - t[first]), "right"))


def _fit(t: Floats, v: Floats, pack_V: float) -> Exponential | None:
    free = exponential(t, v)
    if free is not None and free.swing < 0 and free.level_u <= PINNED * pack_V:
        return free
    fixed = exponential(t, v, level=pack_V)
    return fixed if fixed is not None and fixed.swing < 0 else None


def _reach(
    t: Floats, v: Floats, target: float, fit: Exponential | None, rising: np.ndarray
) -> tuple[float, float, bool]:
    """When the target was reached (or will be), its uncertainty, and whether it was."""
    over = np.flatnonzero(v >= target)
    if len(over) and over[0] > 0:
        i = int(over[0])
        part = (target - v[i - 1]) / (v[i] - v[i - 1])
        return float(t[i - 1] + part * (t[i] - t[i - 1])), float(t[i] - t[i - 1]) / 2, True
    if fit is None:
        return float("nan"), float("nan"), False
    return float(t[rising[0]]) + fit.when(target), 3 * fit.tau_u, False
