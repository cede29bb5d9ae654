"""Rule ``precharge-level``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import SAFE_V, Bench
from canscope.model.events import Event, Window
from canscope.model.findings import BY_LINKS
from canscope.model.history import LOOK_BACK_NS
from canscope.model.median import median
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import ClosedWindow, Piece, S
from canscope.model.rule import SPINNING, CardStep, Rule, limit, unjudged
from canscope.model.signals import Samples
from canscope.rules import RULES
from canscope.rules.shared.first_state import first_seen_closed
from canscope.rules.shared.links import link_subjects, links
from canscope.rules.shared.own_rise import rise_of
from canscope.rules.shared.poles import closings, openings
from canscope.rules.shared.true_changes import Change, own_step, true_closings
from canscope.trust.samples.clock_alignment import CLOCKS_APART, lag_of
from canscope.trust.samples.missing_value import absence_at
from canscope.trust.samples.range_ends import last_at_end

POSITIVE = "contactors.positive"
ACCURACY = 0.03  # of a link sensor, as voltage-agreement; common practice, no source
CHARGES_NS = 12 * S  # how long a charging may last, where positive is not bound; likewise
SAME_NS = (S // 5, S)  # after positive closed, link and pack are one circuit; likewise
FEWEST = 3  # readings of it
FULL = (
    110.0  # %; a link that reads more is read wrongly, or the pack is; common practice, no source
)


@RULES.add("precharge-level")
@dataclass(frozen=True, kw_only=True)
class PrechargeLevel(Rule):
    """When positive closes, the link is already almost at pack voltage.

    Judged
        At every closing of positive, for each link: the last reading that surely lies before the
        closing, in percent of the pack voltage. The closing is the earliest of positive's state,
        its command (where the state comes later than a contact takes), and a step of the link that
        is steeper than its charging curve allows; the sentence says how late a state came. Where
        that decides, a link sensor that reads the pack up to 3 % wrong once positive has closed is
        corrected by it. States the inrush estimate (V pack - V link) / R if
        ``contactors.precharge_resistor_ohm`` is given. Where positive is not bound, each rise of a
        link to 95 % of the pack, over the 12 s* before it: a link that charges lacks ever less, at
        one rate; from where it comes 5 %* of the pack closer than by 1.5 times* that rate, positive
        closed, and that level counts.
    Margin
        The percentage minus ``minimum_percent``. The uncertainty holds half the raw steps, the
        pack's movement, and how far the link may still have risen until positive closed: at most
        its last slope (a capacitor charged through a resistor only gets slower) and at most what
        it was then seen to reach. Where pre-charge and positive closed between the same two states,
        a jump out of the link's own curve says where positive closed. Of a level that only the link
        shows, the uncertainty holds 3 %* of the pack besides.
    Unproven
        Positive never closed (not-exercised); link or pack voltage were not known then (stale,
        not-available); the pack itself read below 60 V or stood at an end of its range, or the link
        read above 110 % of it (sensor-suspect); a main contactor was closed when it was first seen,
        so that nobody knows the level at which it closed (capture-damaged); positive is not bound,
        and a link came up along its curve (inferred: accepted by whoever signs that the vehicle has
        no such signal), or none was seen to, with three* readings between 10 and 92 %
        (not-exercised, which nobody has signed for); the clock of the link's adapter differs from
        that of the contactors and the link itself shows no step (capture-damaged).
    """

    minimum_percent: float = limit(
        95.0, "%", low=80.0, high=100.0, note="of pack voltage, trade 90-98", looser="lower"
    )

    window: ClassVar[Window] = Window.ATTEMPT
    follows: ClassVar[bool] = True
    unit: ClassVar[str] = "%"
    order: ClassVar[bool] = True
    by_links: ClassVar[bool] = True
    required_in: ClassVar[frozenset[str]] = SPINNING | {"power-up"}
    limit_parameter: ClassVar[str] = "minimum_percent"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.POWER_UP})
    says: ClassVar[dict[str, str]] = {
        "pass": "charged to {link_V:.1f} V of {pack_V:.1f} V before positive "
        "closed{late}{inrush}, part of pack voltage",
        "fail": "positive closed onto it at only {link_V:.1f} V of {pack_V:.1f} V"
        "{late}{inrush}, part of pack voltage",
        "close": "positive closed with it at about {link_V:.1f} V of {pack_V:.1f} V"
        "{late}{inrush}, part of pack voltage",
    }
    exercise: ClassVar[str] = (
        "close the contactors the way the vehicle does, until positive is closed"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "the controller closes positive by time, not by voltage, and too early",
        "a load draws from the link during pre-charge",
        "the pre-charge resistor is too large or open, or its fuse or contactor is open",
        "the link or pack voltage signal has a wrong factor",
    )
    next: ClassVar[str] = "the shape of the pre-charge curve: plateau, slow rise or no rise at all"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Each link."""
        return link_subjects(bench, ("pack.voltage", POSITIVE))

    def start(self, bench: Bench) -> frozenset[str]:
        return frozenset()

    def fold(self, state: frozenset[str], piece: Piece) -> tuple[frozenset[str], Sequence[Outcome]]:
        """Doubt a closing that came before the first state; without any, judge by the links."""
        if not piece.bench.has(POSITIVE):
            found: list[Outcome] = []
            for event in piece.events_of("link"):
                judged = (
                    self._by_itself(piece, f"{event.subject} link", event) if event.value else []
                )
                found += judged
                state |= {one.subject for one in judged}
            return state, found
        return first_seen_closed([name for name, _ in links(piece.bench)], state, piece)

    def close(self, state: frozenset[str], piece: Piece) -> Sequence[Outcome]:
        """Say of which link nobody saw it charged, where positive is not bound."""
        if piece.bench.has(POSITIVE):
            return []
        text = "no signal tells of positive, and it was not seen to come up to the pack's voltage "
        text += "along a curve: it came too fast to tell, or at once, or not at all"
        return [
            unjudged(name, "not-exercised", text)
            for name, _ in links(piece.bench)
            if name not in state
        ]

    def margins(self, window: ClosedWindow) -> Sequence[Outcome]:
        """The level of each link at every closing of positive."""
        if not window.bench.has(POSITIVE):
            return []  # the links themselves are followed
        reached = true_closings(window, "positive")
        if not reached:
            text = "positive never closed in this attempt"
            return [unjudged(name, "not-exercised", text) for name, _ in links(window.bench)]
        return [
            self._judge(window, name, role, change)
            for change in reached
            for name, role in links(window.bench)
        ]

    def _by_itself(self, piece: Piece, name: str, event: Event) -> list[Outcome]:
        """Whether a link came up to the pack's voltage by its charging curve alone."""
        role = dict(links(piece.bench))[name]
        link = piece.back(role, event.time_ns - CHARGES_NS).known
        pack_V = float(piece.at("pack.voltage", event.time_ns).value[0])
        rise = rise_of(link.between(event.time_ns - CHARGES_NS, event.time_ns + 1), pack_V)
        if rise is None or not (rise.seen or rise.step):
            return []
        if rise.seen:
            text = "no signal tells of positive, so that only its own voltage shows it: it came "
            text += f"up to {pack_V:.0f} V along a charging curve"
            return [Doubt(name, "inferred", text, event.time_ns, code=BY_LINKS)]
        percent = 100 * (rise.before_V + rise.drift_V / 2) / pack_V
        u_V = piece.bench.u(role) + piece.bench.u("pack.voltage")
        u_V += rise.drift_V / 2 + ACCURACY * pack_V
        return [
            margins(
                name,
                rise.step_ns,
                percent - self.minimum_percent,
                measured=percent,
                limit=self.minimum_percent,
                uncertainty=100 * u_V / pack_V,
                start_ns=rise.start_ns,
                end_ns=rise.step_ns,
                link_V=rise.before_V,
                pack_V=pack_V,
                inrush="",
                late=", as its own step shows",
            )
        ]

    def _judge(self, window: ClosedWindow, name: str, role: str, change: Change) -> Outcome:
        positive = change.event
        pack, pack_u = window.at_event("pack.voltage", positive)
        before = float(window.at(role, positive.after_ns).value[0])
        for known, needed in ((pack, "pack.voltage"), (before, role)):
            if np.isnan(known):
                reason = absence_at(window, needed, positive.time_ns)
                text = f"{needed} was not known when positive closed"
                return Doubt(name, reason, text, positive.time_ns)
        if pack < SAFE_V:  # too little to take a percentage of
            text = f"the pack read only {pack:.1f} V when positive closed"
            return Doubt(name, "sensor-suspect", text, positive.time_ns)
        if last_at_end(window, "pack.voltage", positive.time_ns):
            text = f"the pack read {pack:.1f} V, an end of its range: the true one may be larger"
            return Doubt(name, "sensor-suspect", text, positive.time_ns)
        lag = lag_of(window, role)
        gain = 1.0 if lag is not None and lag.told else _gain(window, role, positive, pack)
        step = own_step(window, role, change.state, lag)
        if step is not None:
            before, drift = step.value, step.drift
        elif lag is not None and lag.told:
            text = f"{lag.text}: its level when positive closed is not known"
            return Doubt(name, "capture-damaged", text, positive.time_ns, code=CLOCKS_APART)
        else:
            before, drift = _level(window, role, positive)
            if change.late_ms and 100 * before / gain / pack >= self.minimum_percent:
                drift = _sunk(window, role, positive, before)
        link_u = window.bench.u(role) + drift
        percent, corrected = 100 * before / pack, ""
        if (percent < self.minimum_percent) != (percent / gain < self.minimum_percent):
            before, link_u, percent = before / gain, link_u / gain, percent / gain
            corrected = f", its sensor corrected by {100 / gain - 100:+.1f} %"
        if percent > FULL:
            text = f"the link read {before:.1f} V and the pack {pack:.1f} V when positive closed"
            return Doubt(name, "sensor-suspect", text, positive.time_ns)
        resistor = window.bench.precharge_resistor_ohm
        amps = max(pack - before, 0.0) / resistor if resistor else None
        inrush = "" if amps is None else f", inrush estimate {amps:.2f} A"
        return margins(
            name,
            positive.time_ns,
            percent - self.minimum_percent,
            measured=percent,
            limit=self.minimum_percent,
            uncertainty=100 * (link_u / pack + abs(before) * pack_u / pack**2),
            start_ns=window.span.start_ns,
            end_ns=positive.time_ns,
            link_V=before,
            pack_V=pack,
            inrush=inrush,
            late=change.told + corrected,
            **({} if amps is None else {"inrush_A": amps}),
        )


def _gain(window: ClosedWindow, role: str, positive: Event, pack_V: float) -> float:
    """What the link's sensor reads of the pack, once they are one circuit; 1 if not known.

    Not beyond the accuracy of a sensor: then the two may not be one circuit.
    """
    begin_ns = positive.time_ns + SAME_NS[0]
    after = window.back(role, begin_ns).between(begin_ns, positive.time_ns + SAME_NS[1]).known
    if len(after) < FEWEST:
        return 1.0
    gain = median(after.value) / pack_V
    return gain if abs(gain - 1) <= ACCURACY else 1.0


def _sunk(window: ClosedWindow, role: str, positive: Event, before: float) -> float:
    """How far the link sank below its first reading in a long interval: charging takes no proof."""
    later = window.back(role, positive.after_ns).between(positive.after_ns, positive.time_ns + 1)
    lowest = float(np.min(later.known.value, initial=before))
    return before - lowest


def _level(window: ClosedWindow, role: str, positive: Event) -> tuple[float, float]:
    """The link just before positive closed, and how far it may have moved by then, both in V.

    A charging link only gets slower, so every slope seen since the circuit last changed bounds what
    follows the last sure reading; the smallest one is taken. A jump within the interval of the
    closing is the closing itself and does not count.
    """
    samples = window.back(role, positive.after_ns - LOOK_BACK_NS).known
    last = int(np.searchsorted(samples.time_ns, positive.after_ns, "right")) - 1
    end = int(np.searchsorted(samples.time_ns, positive.time_ns, "right")) - 1
    reading = float(samples.value[last])
    since = _circuit_ns(window, positive)
    if since is None:
        return reading, 0.0  # only positive itself can charge it
    first = int(np.searchsorted(samples.time_ns, since))
    while last > first and samples.time_ns[last - 1] == samples.time_ns[last]:
        last -= 1  # frames recorded twice have no slope
    if first >= last:
        return _jump(samples[last : end + 1], window.bench.u(role))
    passed = samples.time_ns[last] - samples.time_ns[first:last]
    moved = np.abs(reading - samples.value[first:last]) + 2 * window.bench.u(role)
    slope = float(np.min(moved / passed))
    ahead = positive.time_ns - samples.time_ns[[last, end]]
    seen = float(np.max(np.abs(samples.value[last : end + 1] - reading)))
    return reading, float(min(slope * ahead[0], seen + slope * ahead[1]))


def _circuit_ns(window: ClosedWindow, positive: Event) -> int | None:
    """When the circuit that charges the link last changed; None if pre-charge never closed."""
    changes = [*closings(window, "precharge"), *openings(window, "precharge")]
    changes = [event for event in changes if event.time_ns <= positive.time_ns]
    if not changes and window.bench.has("contactors.precharge"):
        if window.at("contactors.precharge", window.span.start_ns).value[0] != 1:
            return None
        return positive.after_ns - LOOK_BACK_NS  # it has been closed since before the attempt
    changes += [e for e in closings(window, "negative") if e.time_ns <= positive.time_ns]
    return max((event.time_ns for event in changes), default=window.span.start_ns)


def _jump(bracket: Samples, u: float) -> tuple[float, float]:
    """The same where pre-charge and positive both closed within one interval.

    Only the link itself then tells them apart: once two readings have risen along the curve, no
    later one can rise faster. One that does, by half or more, is positive closing. Without such a
    jump the level may be anything seen in the interval.
    """
    times, values = bracket.time_ns, bracket.value
    if len(values) > 3:
        slopes = np.diff(values) / np.maximum(np.diff(times), 1)  # two may share a stamp
        k = int(np.argmax(slopes))
        rising = np.diff(values)[:k] > 2 * u
        if np.count_nonzero(rising) >= 2 and slopes[k] > 1.5 * np.max(slopes[:k]):
            return float(values[k]), float(slopes[k - 1] * (times[k + 1] - times[k]))
    return float(values[0]), float(np.max(np.abs(values - values[0])))
