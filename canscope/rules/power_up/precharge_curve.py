"""Rule ``precharge-curve``."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np

from canscope.model.bench import SAFE_V, Bench
from canscope.model.events import Event, Window
from canscope.model.findings import COMMON_PRACTICE, Verdict
from canscope.model.outcome import Doubt, Margins, Outcome, Subject, margins
from canscope.model.piece import ClosedWindow, S
from canscope.model.rule import CardStep, Rule, Worst, limit, unjudged
from canscope.rules import RULES
from canscope.rules.power_up._curve_reading import Curve, facts_of, precharges, read_curve
from canscope.rules.shared.links import link_subjects, links
from canscope.rules.shared.poles import MS, closings
from canscope.trust.samples.clock_alignment import lag_of
from canscope.trust.samples.even_stamps import LATEST_NS
from canscope.trust.samples.missing_value import absence_at
from canscope.trust.samples.range_ends import last_at_end

HIGH_VOLTAGE = "UN R100 section 2 (from memory)"
DISCHARGES_S = (120, 5)  # without and with an active bleed, as link-discharge
HELD = 0.02  # of its highest: a link that lies so close to it has not left it; likewise
NO_CURVE = ("charged-before", "step", "step-at-positive")  # codes
AT_POSITIVE_NS = 100 * MS  # by which a step and a state may lie apart; likewise
FLAT = 0.2  # of the pack; below, the charging path is hardly there. Common practice, no source


@RULES.add("precharge-curve")
@dataclass(frozen=True, kw_only=True)
class PrechargeCurve(Rule):
    """The link charges along the curve of its resistor and capacitor, from empty, and in time.

    Judged
        At every closing of pre-charge, for each link, up to the closing of positive or the opening
        of pre-charge. V(t) = Vp (1 - exp(-(t - t0) / tau)) is fitted; its final level is fitted
        too where the readings pin it to 2 % of the pack, else it is the pack voltage. Told: tau,
        the share of variance explained (R2), and with ``contactors.precharge_resistor_ohm`` the
        capacitance tau / R, the resistor's energy C V^2 / 2 and peak current V / R, with V the
        voltage across the resistor at the start. Judged of it:
        the link is below ``start_V`` before the first closing and before pre-charge acts (else it
        was still charged, or a contactor is welded);
        tau within ``tau_least`` to ``tau_most`` times R C where R and C are given;
        95 % of the pack reached within ``reach_s``, by the readings, else as the fit foretells;
        a rise between two readings that is faster than R C allows is a step (resistor bypassed,
        contactor welded);
        a rise that ends below ``minimum_percent`` of the pack is a plateau (load on the link,
        resistor too large, open fuse).
    Margin
        Each number in percent of its own limit, so that they compare; the sentence has the plain
        numbers. Uncertainty: half raw steps, sampling intervals, the clock, twice the fit's
        standard error.
    Unproven
        Pre-charge never closed (not-exercised); it lasted too short or the readings are too coarse
        to see a curve, or they do not follow one, R2 below ``least_r2`` (inferred); link or pack
        voltage were not known (stale, not-available); the pack stood at an end of its range
        (sensor-suspect). Where an earlier attempt had charged the link, and it falls since as fast
        as link-discharge asks, its start is not judged.
    """

    tau_least: float = limit(0.5, "R C", low=0.1, high=1.0, looser="lower")
    tau_most: float = limit(3.0, "R C", low=1.0, high=10.0, looser="higher")
    reach_s: float = limit(
        5.0, "s", low=0.05, high=30.0, note="to 95 % of the pack", looser="higher"
    )
    start_V: float = limit(
        60.0,
        "V",
        HIGH_VOLTAGE,
        low=1.0,
        high=60.0,
        note="before the first closing",
        looser="higher",
    )
    minimum_percent: float = limit(
        95.0, "%", low=80.0, high=100.0, note="of the pack that is no plateau", looser="lower"
    )
    least_r2: float = limit(
        0.98, "", low=0.9, high=1.0, note="share of the variance explained", looser="lower"
    )

    window: ClassVar[Window] = Window.ATTEMPT
    unit: ClassVar[str] = "%"
    required_in: ClassVar[frozenset[str]] = frozenset({"power-up"})
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.POWER_UP})
    cross_checks: ClassVar[tuple[str, ...]] = ("contactors.precharge", "units.*.link_voltage")
    says: ClassVar[dict[str, str]] = {
        "pass": "charged as it should: {told}; {curve}; share of the {bound} allowed",
        "fail": "did not charge as it should: {told}; {curve}; share of the {bound} allowed",
        "close": "charged close to a limit: {told}; {curve}; share of the {bound} allowed",
    }
    codes: ClassVar[tuple[str, ...]] = (
        "charged-before",
        "hardly-rose",
        "plateau",
        "step",
        "step-at-positive",
        "too-slow",
        "other-time-constant",
    )
    exercise: ClassVar[str] = "close the contactors from an empty link, at least once"
    causes: ClassVar[tuple[str, ...]] = (
        "a step: the resistor is bypassed, or a contactor is welded",
        "a plateau: a load on the link, the resistor too large, an open fuse",
        "resistor or capacitance differ from what the plan says",
        "the link voltage signal has a wrong factor or belongs to another unit",
    )
    next: ClassVar[str] = (
        "measure the resistor with the pack isolated, then look for loads on the link"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Each link."""
        poles = ("contactors.precharge", "contactors.positive")
        return link_subjects(bench, ("pack.voltage", *poles))

    def source(self, given: frozenset[str]) -> str:
        """Its limits are common practice, except what counts as high voltage."""
        if given:
            return "plan"
        return f"{COMMON_PRACTICE}; {self.start_V:g} V: {HIGH_VOLTAGE}"

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """The clause with what was judged first, then what else is known of the curve."""
        curve = str(worst.facts["curve"])
        if str(worst.facts["told"]).startswith("tau "):  # else the sentence would say it twice
            curve = curve.partition(", ")[2]
        clause = super().clause(verdict, replace(worst, facts={**worst.facts, "curve": curve}))
        # What did not charge through the resistor gave it no energy.
        return clause.replace(f"{curve}; ", "", 1) if worst.code in NO_CURVE else clause

    def margins(self, window: ClosedWindow) -> Sequence[Outcome]:
        """Each link at every closing of pre-charge."""
        if not closings(window, "precharge"):
            text = "pre-charge never closed in this attempt"
            return [unjudged(name, "not-exercised", text) for name, _ in links(window.bench)]
        found: list[Outcome] = []
        for name, role in links(window.bench):
            for place, (begin, end_ns) in enumerate(precharges(window)):
                found += self._judge(window, name, role, begin, end_ns, first=place == 0)
        return found

    def _judge(
        self,
        window: ClosedWindow,
        name: str,
        role: str,
        begin: Event,
        end_ns: int,
        *,
        first: bool,
    ) -> list[Outcome]:
        pack_V = float(window.at("pack.voltage", begin.time_ns).value[0])
        if np.isnan(pack_V) or pack_V <= self.start_V:
            reason = absence_at(window, "pack.voltage", begin.time_ns)
            reason = reason if np.isnan(pack_V) else "sensor-suspect"
            text = f"pack.voltage read {pack_V:.1f} V when pre-charge closed"
            return [Doubt(name, reason, text, begin.time_ns)]
        if last_at_end(window, "pack.voltage", begin.time_ns):
            text = f"pack.voltage read {pack_V:.1f} V, an end of its range: it may be larger"
            return [Doubt(name, "sensor-suspect", text, begin.time_ns)]
        curve = read_curve(window, role, begin, end_ns, pack_V)
        facts = facts_of(window.bench, curve)
        rows = self._start(window, name, role, begin, end_ns, facts) if first else []
        if curve is None:
            reason = "inferred" if end_ns <= begin.time_ns else "stale"
            text = "no reading of the link between pre-charge and positive shows a curve"
            return [*rows, Doubt(name, reason, text, begin.time_ns)]
        if curve.start_V > pack_V / 2:
            text = f"pre-charge closed onto a link that was already at {curve.start_V:.0f} V"
            return [*rows, unjudged(name, "not-exercised", text, begin.time_ns)]
        return [*rows, *self._shape(window, name, role, curve, facts)]

    def _start(
        self,
        window: ClosedWindow,
        name: str,
        role: str,
        begin: Event,
        end_ns: int,
        facts: dict[str, Any],
    ) -> list[Outcome]:
        """Empty before the first closing, and still empty when pre-charge begins to act."""
        opening = min(
            (e for e in window.events_of("pole") if e.time_ns >= window.span.start_ns),
            key=lambda event: event.time_ns,
        )
        rows: list[Outcome] = []
        lag = lag_of(window, role)
        # By the clock of the link's adapter, as early as that may be.
        earlier_ns = lag.ns - round(lag.u_ms * MS) if lag is not None and lag.told else 0
        for event, when in ((opening, "before the first closing"), (begin, "")):
            at_ns = event.after_ns + earlier_ns
            value, seen_ns = float(window.at(role, at_ns).value[0]), at_ns
            if not when:  # the stamp of the state may be late, and the link rise by then
                just_before = window.back(role, at_ns - LATEST_NS).between(0, at_ns + 1).known
                value = float(np.min(just_before.value, initial=value))
            if np.isnan(value):
                value, seen_ns = self._woken(window, role, at_ns, end_ns)
            if np.isnan(value):
                text = "the link voltage was not known before the first closing"
                rows.append(Doubt(name, absence_at(window, role, at_ns), text, at_ns))
                continue
            if value > self.start_V and _still_falling(window, role, event, value):
                text = f"an earlier attempt had charged the link, which still held {value:.1f} V"
                rows.append(unjudged(name, "not-exercised", text, seen_ns))
                continue
            told = f"{value:.1f} V {when or 'before pre-charge acted'} (below {self.start_V:g} V)"
            share, u = 100 * value / self.start_V, 100 * window.bench.u(role) / self.start_V
            rows.append(_most(name, seen_ns, share, u, told, facts, "charged-before"))
        return rows

    def _woken(
        self, window: ClosedWindow, role: str, since_ns: int, end_ns: int
    ) -> tuple[float, int]:
        """The first reading of a node that woke late, if it was still below the limit.

        A link only rises while contactors close, so it was no higher before.
        """
        samples = window.back(role, since_ns).between(since_ns, end_ns + 1).known
        if not len(samples) or samples.value[0] >= self.start_V:
            return float("nan"), since_ns
        return float(samples.value[0]), int(samples.time_ns[0])

    def _shape(
        self, window: ClosedWindow, name: str, role: str, curve: Curve, facts: dict[str, Any]
    ) -> list[Outcome]:
        """All outcomes of one curve."""
        bench = window.bench
        rc_s = (bench.precharge_resistor_ohm or 0) * (bench.link_capacitance_F or 0)
        rows: list[Outcome] = list(self._plateau(name, curve, facts))
        plateau = bool(rows)
        if not plateau:
            rows += self._reach(name, curve, bench.clock_s, facts)
        if curve.step_s is not None:
            late = _rose_at_positive(window, role, curve.pack_V)
            rows += self._step(name, curve, rc_s, facts, at_positive=late)
        elif curve.fit is not None and not plateau:
            rows += self._tau(name, curve, rc_s, facts)
            if curve.fit.r2 < self.least_r2:
                text = f"the readings do not follow a charging curve (R2 {curve.fit.r2:.3f})"
                rows.append(Doubt(name, "inferred", text, curve.end_ns))
        elif not plateau:
            text = "the readings do not show a charging curve"
            rows.append(Doubt(name, "inferred", text, curve.end_ns))
        return rows

    def _plateau(self, name: str, curve: Curve, facts: dict[str, Any]) -> Iterator[Margins]:
        """A rise that ended below the pack; only where the level is known well enough."""
        level, u = curve.plateau
        share = 100 * level / (curve.pack_V * self.minimum_percent / 100)
        u = 100 * (u / curve.pack_V + level * curve.pack_u / curve.pack_V**2)
        u *= 100 / self.minimum_percent
        if share - u < 100:
            told = f"a plateau at {level:.1f} V of {curve.pack_V:.1f} V"
            code = "hardly-rose" if level < FLAT * curve.pack_V else "plateau"
            told += ", so it hardly rose" if code == "hardly-rose" else ""
            yield _least(name, curve, share, u, told, facts, code)

    def _reach(
        self, name: str, curve: Curve, clock_s: float, facts: dict[str, Any]
    ) -> list[Outcome]:
        """The time to 95 % of the pack."""
        if np.isnan(curve.reach_s) and curve.passed_s > self.reach_s:
            curve = replace(curve, reach_s=curve.passed_s, reach_u=0.0)
        if np.isnan(curve.reach_s):
            text = "95 % of the pack was not reached, and the readings do not foretell when"
            return [Doubt(name, "inferred", text, curve.end_ns)]
        word = "95 % after" if curve.reached else "95 % foretold after"
        told = f"{word} {curve.reach_s * 1e3:.1f} ms (within {self.reach_s * 1e3:g} ms)"
        reach_u = curve.reach_u + clock_s
        share, u = (100 * value / self.reach_s for value in (curve.reach_s, reach_u))
        return [_most(name, curve.end_ns, share, u, told, facts, "too-slow", curve.begin_ns)]

    def _step(
        self,
        name: str,
        curve: Curve,
        rc_s: float,
        facts: dict[str, Any],
        *,
        at_positive: bool,
    ) -> list[Outcome]:
        """A rise that sampling does not resolve: its tau is at most ``curve.step_s``."""
        assert curve.step_s is not None
        most_ms = curve.step_s * 1e3
        if rc_s and curve.step_s < self.tau_least * rc_s:
            told = f"a step instead of a curve, tau at most {most_ms:.1f} ms where R C says "
            told += f"{rc_s * 1e3:.1f} ms"
            code = "step"
            if at_positive:
                told += "; by the stamps of its own bus it rose as positive closed, which then "
                told += "closed onto an empty link"
                code = "step-at-positive"
            share = 100 * curve.step_s / (self.tau_least * rc_s)
            return [_least(name, curve, share, 0.0, told, facts, code)]
        text = f"the link rose within two readings (tau below {most_ms:.1f} ms): a step, or a "
        text += "curve too fast for its sampling"
        return [Doubt(name, "inferred", text, curve.end_ns)]

    def _tau(self, name: str, curve: Curve, rc_s: float, facts: dict[str, Any]) -> list[Outcome]:
        """tau against R C, where the plan gives both."""
        fit = curve.fit
        if not rc_s or fit is None:
            return []
        told = f"tau {fit.tau_s * 1e3:.1f} ms where R C says {rc_s * 1e3:.1f} ms"
        least, most = self.tau_least * rc_s, self.tau_most * rc_s
        low = f"{told} (at least {least * 1e3:.1f} ms)"
        high = f"{told} (at most {most * 1e3:.1f} ms)"
        tau, u = 100 * fit.tau_s, 100 * fit.tau_u
        code, share, share_u = "other-time-constant", tau / most, u / most
        return [
            _least(name, curve, tau / least, u / least, low, facts, code),
            _most(name, curve.end_ns, share, share_u, high, facts, code, curve.begin_ns),
        ]


def _rose_at_positive(window: ClosedWindow, role: str, pack_V: float) -> bool:
    """Whether a link rose past half of the pack as positive closed, by its own bus's stamps.

    Only asked of a link whose clock seems to differ: that it steps as positive closes may be what
    makes it seem so.
    """
    lag = lag_of(window, role)
    if lag is None or not lag.told:
        return False
    for positive in closings(window, "positive"):
        from_ns, to_ns = positive.after_ns - AT_POSITIVE_NS, positive.time_ns + AT_POSITIVE_NS
        volts = window.back(role, from_ns).between(from_ns, to_ns).known.value
        if len(volts) > 1 and volts[0] < pack_V / 2 <= volts[-1]:
            return True
    return False


def _still_falling(window: ClosedWindow, role: str, closing: Event, value: float) -> bool:
    """Whether the link falls, fast enough to be safe in time, from what an attempt charged it to.

    As fast as one that reaches 60 V at the end of the time that link-discharge allows. A welded
    contactor would hold it.
    """
    allowed_s = DISCHARGES_S[window.bench.bleed == "active"]
    since_ns = closing.after_ns - allowed_s * S
    # Not only both poles of a path at once: one that was broken off lies between two readings.
    paths = [f"contactors.{pole}" for pole in ("precharge", "positive")]
    states = [window.back(role, since_ns).between(since_ns, closing.after_ns) for role in paths]
    link = window.back(role, since_ns).between(since_ns, closing.after_ns + 1).known
    charged = any((state.value == 1).any() for state in states)
    if not charged or len(link) < 2 or link.value.max() <= SAFE_V:
        return False
    top = float(link.value.max())
    left_ns = int(link.time_ns[np.flatnonzero(link.value >= (1 - HELD) * top)[-1]])
    passed_s = (closing.after_ns - left_ns) / S
    slowest = top * (SAFE_V / top) ** (passed_s / allowed_s)
    return passed_s > 0 and value <= slowest + window.bench.u(role)


def _most(
    name: str,
    time_ns: int,
    share: float,
    u: float,
    told: str,
    facts: dict[str, Any],
    code: str,
    start_ns: int | None = None,
) -> Margins:
    """A number that must be at most its limit, both in percent of the limit."""
    return margins(
        name,
        time_ns,
        100 - share,
        measured=share,
        limit=100.0,
        uncertainty=u,
        start_ns=start_ns,
        code=code,
        told=told,
        bound="most",
        **facts,
    )


def _least(
    name: str, curve: Curve, share: float, u: float, told: str, facts: dict[str, Any], code: str
) -> Margins:
    """A number that must be at least its limit, both in percent of the limit."""
    return margins(
        name,
        curve.end_ns,
        share - 100,
        measured=share,
        limit=100.0,
        uncertainty=u,
        start_ns=curve.begin_ns,
        code=code,
        told=told,
        bound="least",
        **facts,
    )
