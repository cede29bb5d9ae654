"""Rule ``contactor-weld``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import MAINS, SAFE_V, Bench
from canscope.model.events import Event, Window
from canscope.model.median import median
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import ClosedWindow, S
from canscope.model.rule import CardStep, Rule, limit, unjudged
from canscope.rules import RULES
from canscope.rules.shared.poles import MAIN_ROLES
from canscope.trust.movement.impossible_fall import link_fall
from canscope.trust.samples.missing_value import absence_at

PACK = "pack.voltage"
OTHER = {"negative": "positive", "positive": "negative"}
BEFORE_NS = S  # the difference of the last second before opening is removed
SETTLES_NS = 3 * S // 10  # after the second pole opened; common practice, no source
MEASURED_NS = (S, 10 * S)  # how long a bleed has to be seen to be known, and is at most; likewise
SURE = 5.0  # times what can be told, that a bleed known so has to take; likewise
SLOW = 0.3  # of what the bleed takes: a link that lost less is held by something; likewise
FAST_S = 5.0  # down to 60 V: as fast as an active bleed, IEC 60204-1 6.2.4
LAST_NS = S // 2  # the median of the last half second decides, so that one reading cannot


@RULES.add("contactor-weld")
@dataclass(frozen=True, kw_only=True)
class ContactorWeld(Rule):
    """Each main contactor really opens: with the other one still closed, the link leaves the pack.

    Judged
        For each pole, from its opening command, else from its state (the sentence says which),
        only while the other pole stays closed for ``held_s`` or longer and pre-charge is open, for
        at most ``judged_s``. The difference link minus pack, less the same difference in the last
        second before opening, in the median of the last 0.5 s of that time.
        A link that left passes, with whatever bleed. A link that did not leave fails with an
        active bleed, since that must bring it below 60 V in 5 s: in the shortest time judged, 2 s,
        a 400 V link falls by 88 V even at constant power (V^2 falls evenly), by 136 V at constant
        current, by 213 V through a resistor; 2 V are no doubt. With a passive bleed it fails where
        the fall after the second opening shows that the bleed takes 5 times as much in that time
        as can be told. Without either it is unproven: a charged capacitor is no weld. A weld shows
        on every link of the bus, so links that disagree prove nothing.
    Margin
        The size of that difference minus ``within_V``, in V, of the link that left least. The
        uncertainty is half the raw steps of link and pack, twice: after and before the opening.
        (What an instrument is off by is the same before and after, and is removed.)
    Unproven
        Both poles opened together, or the other one had opened before: one welded pole cannot be
        seen (not-exercised); no bleed that is known to act and the link stayed, or it lost less
        than 30 % of what its passive bleed takes afterwards (inferred); link or pack voltage
        were not known (stale, not-available); the state of the other pole is an echo of its
        command, so nothing shows that it was still closed (inferred); the link read next to
        nothing at once, faster than any bleed empties it (sensor-suspect). Two attempts, one for
        each order, prove both poles.
    """

    within_V: float = limit(2.0, "V", low=0.5, high=20.0, looser="lower")
    held_s: float = limit(
        2.0, "s", low=1.0, high=60.0, note="that the other pole must stay closed", looser="lower"
    )
    judged_s: float = limit(10.0, "s", low=2.0, high=60.0, note="at most")

    window: ClassVar[Window] = Window.OPENING
    unit: ClassVar[str] = "V"
    order: ClassVar[bool] = True
    required_in: ClassVar[frozenset[str]] = frozenset({"power-up"})
    limit_parameter: ClassVar[str] = "within_V"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.OPEN_ONE_POLE})
    cross_checks: ClassVar[tuple[str, ...]] = (
        "contactors.negative",
        "contactors.positive",
        "contactors.negative.command",
        "contactors.positive.command",
    )
    says: ClassVar[dict[str, str]] = {
        "pass": "opened: judged from its {judged_from}, the link left the pack "
        "voltage while the other pole stayed closed for {held_s:.1f} s, by",
        "fail": "looks welded: judged from its {judged_from}, the link stayed at "
        "pack voltage for {seen_s:.1f} s while the other pole stayed closed, leaving by",
        "close": "cannot be told: judged from its {judged_from}, the link left the "
        "pack voltage by about as much as can be seen",
    }
    exercise: ClassVar[str] = (
        "open one pole and hold the other closed for 2 s or more; then the same the other way round"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "the contactor is welded or mechanically stuck",
        "the active bleed did not work, or acts only once both poles are open",
        "the state or command bound to this pole belongs to another one",
    )
    next: ClassVar[str] = (
        "isolate the pack at its disconnect, then measure across the opened contactor"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The two main poles."""
        roles = tuple(bench.link_roles().values()) or ("units.*.link_voltage",)
        needs = (*roles, PACK, *MAIN_ROLES)
        return [
            Subject(f"{pole} pole", needs, own_word=(f"contactors.{OTHER[pole]}",))
            for pole in MAINS
        ]

    def margins(self, window: ClosedWindow) -> Sequence[Outcome]:
        """Both poles, each as long as the other one stayed closed."""
        return [self._judge(window, pole) for pole in MAINS]

    def _judge(self, window: ClosedWindow, pole: str) -> Outcome:
        name = f"{pole} pole"
        opened = _opened(window, pole)
        if opened is None:
            text = "it was not opened in this opening"
            return unjudged(name, "not-exercised", text, window.span.start_ns)
        other = _opened(window, OTHER[pole], state_too=True)
        until_ns = other.after_ns if other else window.until_ns - 1
        if other is not None and other.time_ns <= opened.after_ns:
            text = f"{OTHER[pole]} had opened before it: one welded pole cannot be seen"
            return unjudged(name, "not-exercised", text, opened.time_ns)
        held_s = (until_ns - opened.time_ns) / S
        if held_s < self.held_s:
            together = "both poles opened together" if other else "it ended soon after opening"
            if other is not None and other.after_ns > opened.time_ns:
                together = f"{OTHER[pole]} was read closed for only {held_s:.1f} s longer, of "
                together += f"{self.held_s:g} s"
            text = f"{together}: one welded pole cannot be seen"
            return unjudged(name, "not-exercised", text, opened.time_ns)
        if _closed_between(window, "precharge", opened.time_ns, until_ns):
            text = "pre-charge was closed meanwhile and fed the link"
            return unjudged(name, "not-exercised", text, opened.time_ns)
        return self._left(window, name, opened, other, until_ns)

    def _left(
        self, window: ClosedWindow, name: str, opened: Event, other: Event | None, until_ns: int
    ) -> Outcome:
        """How far the links had left the pack at the end of the judged time."""
        held_s = (until_ns - opened.time_ns) / S
        end_ns = min(until_ns, opened.time_ns + round(self.judged_s * S))
        seen: list[tuple[float, float]] = []
        gone: Doubt | None = None
        for role in window.bench.link_roles().values():
            for needed in (role, PACK):
                for at_ns in (opened.after_ns, end_ns):
                    if np.isnan(window.at(needed, at_ns).value[0]):
                        reason = absence_at(window, needed, at_ns)
                        return Doubt(name, reason, f"{needed} was not known then", at_ns)
            bindings = window.bench.bindings
            u = 2 * (bindings[role].half_step + bindings[PACK].half_step)
            away = _difference(window, role, end_ns - LAST_NS, end_ns)
            away -= _difference(window, role, opened.after_ns - BEFORE_NS, opened.after_ns)
            if np.isnan(away):
                text = f"too few readings of {role} to compare with the pack"
                return Doubt(name, "stale", text, end_ns)
            seen.append((abs(away), u))
            gone = gone or link_fall(window, role, opened.after_ns, end_ns)
        if not seen:
            return unjudged(name, "not-exercised", "no link voltage is bound")
        (least, u), (most, _) = min(seen), max(seen)
        stayed = least - self.within_V < u
        if stayed and most - self.within_V >= u:
            text = f"the links disagree: one left by {least:.1f} V, one by {most:.1f} V"
            return Doubt(name, "inferred", text, end_ns, measured=least)
        bled_V = _bled(window, opened, other, end_ns) if window.bench.bleed == "passive" else 0.0
        determined = bled_V >= SURE * (self.within_V + u)
        if determined and not stayed and least < SLOW * bled_V:
            text = f"the link left by only {least:.1f} V in {held_s:.1f} s, of {bled_V:.0f} V that "
            text += "its bleed takes in that time once both poles are open: something held it"
            return Doubt(name, "inferred", text, end_ns, measured=least)
        if stayed and window.bench.bleed != "active" and not determined:
            text = f"the link left by only {least:.1f} V in {held_s:.1f} s, but without an active "
            text += "bleed a charged capacitor is no weld"
            return Doubt(name, "inferred", text, end_ns, measured=least)
        if gone and not stayed:
            return replace(gone, subject=name, measured=least)
        return margins(
            name,
            end_ns,
            least - self.within_V,
            measured=least,
            limit=self.within_V,
            uncertainty=u,
            start_ns=opened.after_ns,
            judged_from="opening command" if opened.kind == "command" else "state",
            held_s=held_s,
            seen_s=(end_ns - opened.time_ns) / S,
        )


def _opened(window: ClosedWindow, pole: str, *, state_too: bool = False) -> Event | None:
    """A pole's opening command, else its change of state (with ``state_too``: the earlier)."""

    def first(kind: str) -> Event | None:
        found = [
            event
            for event in window.events_of(kind, pole)
            if event.value == 0 and event.time_ns >= window.span.start_ns
        ]
        return min(found, key=lambda event: event.time_ns, default=None)

    command, state = first("command"), first("pole")
    if command is not None and state is not None and state_too:
        return min(command, state, key=lambda event: event.after_ns)
    return command or state


def _bled(window: ClosedWindow, opened: Event, other: Event | None, end_ns: int) -> float:
    """What the bleed of the slowest link takes from opening to ``end_ns``, in V; 0 if not known.

    By its fall once both poles are open, unless that is as fast as an active bleed's: that may
    have begun to act only then.
    """
    if other is None:
        return 0.0
    start_ns, least = other.time_ns + SETTLES_NS, float("inf")
    for role in window.bench.link_roles().values():
        link = window.back(role, start_ns).between(start_ns, start_ns + MEASURED_NS[1]).known
        held_V = float(window.at(role, opened.after_ns).value[0])
        if len(link) < 4 or np.isnan(held_V) or not held_V > SAFE_V:
            return 0.0
        passed_ns = int(link.time_ns[-1] - link.time_ns[0])
        begin_V, end_V = float(link.value[:2].max()), float(link.value[-2:].max())
        if passed_ns < MEASURED_NS[0] or not 0 < end_V < begin_V:
            return 0.0
        tau_s = passed_ns / S / float(np.log(begin_V / end_V))
        if tau_s * float(np.log(held_V / SAFE_V)) <= FAST_S:
            return 0.0
        least = min(least, held_V * (1 - float(np.exp((opened.time_ns - end_ns) / S / tau_s))))
    return least if least < float("inf") else 0.0


def _closed_between(window: ClosedWindow, pole: str, start_ns: int, end_ns: int) -> bool:
    """Whether a pole was seen closed between two instants, or was closed when last read before."""
    role = f"contactors.{pole}"
    states = window.back(role, start_ns).between(start_ns, end_ns + 1)
    return bool((states.value == 1).any()) or window.at(role, start_ns).value[0] == 1


def _difference(window: ClosedWindow, role: str, start_ns: int, end_ns: int) -> float:
    """Median of link minus pack between two instants, including the last reading before."""
    samples = window.back(role, start_ns - BEFORE_NS).known
    first, last = np.searchsorted(samples.time_ns, (start_ns, end_ns), ("right"))
    part = samples[max(int(first) - 1, 0) : int(last)]
    apart = part.value - window.at(PACK, part.time_ns).value
    apart = apart[~np.isnan(apart)]
    return median(apart) if len(apart) else float("nan")
