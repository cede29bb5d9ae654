"""Rule ``contactor-sequence``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.events import Event, Window
from canscope.model.outcome import Doubt, Margins, Outcome, Subject, margins
from canscope.model.piece import ClosedWindow, Piece, S
from canscope.model.rule import SPINNING, CardStep, Rule, limit, unjudged
from canscope.rules import RULES
from canscope.rules.shared.first_state import first_seen_closed
from canscope.rules.shared.poles import MS, closings, first_after, lapse_ms, last_until
from canscope.rules.shared.true_changes import true_closings, true_openings

NAME = "contactors"
AS_ONE = "one signal tells of both main contactors, so their order cannot be judged"
BOUNCES_NS = S // 10  # an auxiliary contact as it closes; common practice, no source
CHATTERS = 3  # closings of a main contactor within a second; an auxiliary contact may bounce once
SETTLED_NS = S // 2  # positive's own state may come so late
SWAPPED_NS = 3 * S // 100  # as far as stamps put frames out of order, and a contact bounces
PATIENCE_NS = 5 * S  # how long an attempt waits for pre-charge to open once positive is closed
BRIDGED_NS = 2 * S  # after positive closed pre-charge is done; common practice, no source


@RULES.add("contactor-sequence")
@dataclass(frozen=True, kw_only=True)
class ContactorSequence(Rule):
    """Negative and pre-charge close before positive, and pre-charge opens after positive closed.

    Judged
        In every attempt that reaches positive, at each closing of positive, on the states of the
        three contactors. A state that comes late is replaced: by the step of the link (positive),
        the onset of pack current or link (negative, pre-charge), or else by any time since the
        command; the sentence says how late it came. Three orders: negative closed before positive,
        pre-charge closed before positive, pre-charge opened after positive closed. A contactor
        that never closes, or a pre-charge that stays closed, whoever saw it close, fails by the
        time until the window ended (pre-charge: 5 s after positive closed, also where it then
        opens with positive). Negative closing (again) while positive is closed fails as
        well, and so does pre-charge from 0.5 s after that, whenever they do.
    Margin
        The time between the two changes, in ms. Each change lies between two samples: it is taken
        in the middle, give or take half the interval; the two halves and the clock add up to the
        uncertainty. So changes in one sample, or in two neighbouring ones, are too close to call.
    Unproven
        Positive never closed (not-exercised); the order lies within sampling (too-close-to-call);
        a state was not available when positive closed, or the recording ended before pre-charge
        opened; pre-charge opened only as positive did, from 2 s on (not-exercised); a main
        contactor was closed when it was first seen, so that nobody knows how it closed, whatever
        later attempts show (capture-damaged); a main contactor's state said closed
        three times within a second, or opened for 0.1 s and closed again within a second while
        another contactor stayed closed (sensor-suspect); the state of pre-charge or positive is an
        echo of its command, or one signal tells of both main contactors (inferred).
    """

    clock_ms: float = limit(
        1.0,
        "ms",
        high=1000.0,
        note="between two stamps, unless a run folder states more",
        looser="lower",
    )

    window: ClassVar[Window] = Window.ATTEMPT
    follows: ClassVar[bool] = True
    unit: ClassVar[str] = "ms"
    timed: ClassVar[bool] = True
    required_in: ClassVar[frozenset[str]] = SPINNING | {"power-up"}
    limit_source: ClassVar[str] = "order of closing, common practice, no source"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.POWER_UP})
    says: ClassVar[dict[str, str]] = {
        "pass": "negative and pre-charge closed before positive and pre-charge opened after it; "
        "nearest: {right}, time between",
        "fail": "{wrong}",
        "close": "sampling is too coarse to tell whether {right}, time between",
    }
    codes: ClassVar[tuple[str, ...]] = (
        "negative-never-closed",
        "precharge-never-closed",
        "positive-first",
        "closed-again",
    )
    exercise: ClassVar[str] = (
        "close the contactors the way the vehicle does, until positive is closed"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "the controller's closing sequence or its timing",
        "two contactor wires or state inputs exchanged",
        "a contactor or its auxiliary contact sticks",
    )
    next: ClassVar[str] = "compare commands and states of the three contactors, then their wiring"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The three contactors together."""
        needs = tuple(f"contactors.{pole}" for pole in ("positive", "precharge", "negative"))
        return [Subject(NAME, needs, own_word=needs[:2])]  # the link shows that negative closed

    def start(self, bench: Bench) -> frozenset[str]:
        return frozenset()

    def fold(self, state: frozenset[str], piece: Piece) -> tuple[frozenset[str], Sequence[Outcome]]:
        """Doubt the closing that came before the first state; a pre-charge that closes again."""
        after, doubts = first_seen_closed([NAME], state, piece)
        return after, [*doubts, *self._precharge_again(piece)]

    def _precharge_again(self, piece: Piece) -> list[Margins]:
        """Closings of pre-charge with both poles closed for long: nothing asks for them."""
        found = []
        for event in piece.events_of("pole", "precharge"):
            closed = piece.at("@closed", [event.after_ns, event.time_ns])
            if event.value != 1 or (closed.value != 1).any() or closed.age_ns[0] < SETTLED_NS:
                continue
            states = piece.history.samples("contactors.precharge").known
            just = states.between(event.time_ns - SWAPPED_NS, event.time_ns)
            if (just.value == 1).any():
                continue  # as it opened: a contact bounces, and stamps put frames out of order
            wrong = "pre-charge closed again with both main contactors closed; after"
            late_ms = float(closed.age_ns[1]) / MS
            found.append(self._row(event.time_ns, late_ms, event.after_ns, wrong))
        return found

    def margins(self, window: ClosedWindow) -> Sequence[Outcome]:
        """The orders at every closing of positive."""
        reached = _closings(window, "positive")
        again = self._again(window, reached)
        if not reached and not again:
            text = "positive never closed in this attempt"
            return [unjudged(NAME, "not-exercised", text, window.span.start_ns)]
        found: list[Outcome] = [*again]
        if window.bench.poles_as_one:
            found = [Doubt(NAME, "inferred", AS_ONE, window.span.start_ns)]
        for positive in reached:
            if not window.bench.poles_as_one:
                found += self._before(window, "negative", "negative", positive)
            found += self._before(window, "precharge", "pre-charge", positive)
            found += self._opened(window, positive)
        return [*found, *_chatter(window)]

    def _before(self, window: ClosedWindow, pole: str, word: str, positive: Event) -> list[Outcome]:
        """One pole against positive: closed before it, and not opened again in between."""
        right, wrong = f"{word} closed before positive", f"{word} closed only after positive"
        closed = last_until(_closings(window, pole), positive.time_ns)
        if closed is None:
            if pole == "negative" and _is_closed(window, pole, positive.after_ns):
                return []  # since before this attempt, and so before positive
            closed = first_after(_closings(window, pole), positive.time_ns)
            if closed is None:
                return [self._never(window, pole, word, positive)]
        code = "positive-first" if pole == "negative" else ""
        rows: list[Outcome] = [self._order(window, closed, positive, right, wrong, code)]
        opened = first_after(_openings(window, pole), closed.time_ns)
        if pole == "negative" and opened is not None and opened.time_ns <= positive.time_ns:
            wrong = f"{word} had opened again before positive closed"
            right = f"{word} was still closed"
            rows.append(self._order(window, positive, opened, right, wrong))
        return rows

    def _again(self, window: ClosedWindow, reached: list[Event]) -> list[Margins]:
        """Closings of negative, with positive already closed, that connect the link to the pack."""
        found = []
        for negative in _closings(window, "negative"):
            positive = last_until(reached, negative.time_ns)
            earlier = [e for e in _closings(window, "negative") if e.time_ns < negative.time_ns]
            if positive is not None and last_until(earlier, positive.time_ns) is None:
                continue  # the one order of the two that is judged at the closing of positive
            if not all(
                _is_closed(window, "positive", t) for t in (negative.after_ns, negative.time_ns)
            ):
                continue
            since_ns = window.span.start_ns if positive is None else positive.time_ns
            wrong = "negative closed again while positive was closed, positive closed for"
            late = max(1.0, (negative.time_ns - since_ns) / MS)
            found.append(
                self._row(negative.time_ns, late, negative.after_ns, wrong, "closed-again")
            )
        return found

    def _never(self, window: ClosedWindow, pole: str, word: str, positive: Event) -> Outcome:
        """Positive closed, but this pole did not close in the whole attempt."""
        states = window.back(f"contactors.{pole}", positive.time_ns)
        if (states.value == 1).any():
            text = f"{word} was closed, but nobody saw it close"
            return Doubt(NAME, "inferred", text, positive.time_ns)
        if not len(states) or np.isnan(states.value).all():
            text = f"the state of {word} was not known when positive closed"
            return Doubt(NAME, "not-available", text, positive.time_ns)
        wrong = f"positive closed and {word} never did; without it for"
        return self._missed(window, positive, wrong, f"{pole}-never-closed")

    def _opened(self, window: ClosedWindow, positive: Event) -> list[Outcome]:
        """Whether pre-charge opened after positive had closed."""
        closed = last_until(_closings(window, "precharge"), positive.time_ns)
        if closed is None and not _is_closed(window, "precharge", positive.time_ns):
            return []
        # One that was closed when it was first seen has to open all the same.
        since_ns = positive.after_ns if closed is None else closed.time_ns
        opened = first_after(_openings(window, "precharge"), since_ns)
        if opened is not None:
            lasted_ns = opened.after_ns - positive.time_ns
            if lasted_ns >= BRIDGED_NS and not _is_closed(window, "positive", opened.time_ns):
                if lasted_ns < PATIENCE_NS:
                    text = f"pre-charge opened only as positive did, after {lasted_ns / S:.1f} s: "
                    text += "whether it opens by itself is not known"
                    return [Doubt(NAME, "not-exercised", text, opened.time_ns)]
                wrong = "pre-charge stayed closed until positive opened; for"
                return [self._row(opened.time_ns, lasted_ns / MS, positive.after_ns, wrong)]
            right = "pre-charge opened after positive closed"
            wrong = "pre-charge opened before positive closed"
            return [self._order(window, positive, opened, right, wrong)]
        if window.until_ns - positive.time_ns < PATIENCE_NS:
            text = "the recording ended before pre-charge opened"
            return [Doubt(NAME, "not-exercised", text, window.until_ns)]
        if window.at("contactors.precharge", window.until_ns - 1).value[0] != 1:
            text = "the state of pre-charge was lost before it opened"
            return [Doubt(NAME, "stale", text, window.until_ns)]
        return [
            self._missed(window, positive, "pre-charge stayed closed with positive closed; for")
        ]

    def _order(
        self,
        window: ClosedWindow,
        earlier: Event,
        later: Event,
        right: str,
        wrong: str,
        code: str = "",
    ) -> Margins:
        apart, u = lapse_ms(earlier, later)
        clock_ms = max(self.clock_ms, window.bench.clock_ms)
        return margins(
            NAME,
            max(earlier.time_ns, later.time_ns),
            apart,
            measured=apart,
            limit=0.0,
            uncertainty=u + clock_ms,
            start_ns=min(earlier.after_ns, later.after_ns),
            code=code,
            right=right + _late(window),
            wrong=f"{wrong}{_late(window)}, time between",
        )

    def _missed(self, window: ClosedWindow, positive: Event, wrong: str, code: str = "") -> Margins:
        """What never happened: short by all the time there was for it, at least 1 ms."""
        missed = max(1.0, (window.until_ns - positive.time_ns) / MS)
        return self._row(window.until_ns, missed, positive.after_ns, wrong, code)

    def _row(
        self, time_ns: int, late_ms: float, start_ns: int, wrong: str, code: str = ""
    ) -> Margins:
        return margins(
            NAME,
            time_ns,
            -late_ms,
            measured=late_ms,
            limit=0.0,
            start_ns=start_ns,
            code=code,
            right="",
            wrong=wrong,
        )


def _chatter(window: ClosedWindow) -> list[Doubt]:
    """A main contactor whose state says that it closed again and again within a second."""
    found = []
    for pole in ("negative", "positive"):
        events = closings(window, pole)
        for first, last in zip(events, events[CHATTERS - 1 :], strict=False):
            if last.time_ns - first.time_ns <= S:
                text = f"the state of {pole} said closed {CHATTERS} times within a second: the "
                text += "contactor chatters, or its state does"
                found.append(
                    Doubt(NAME, "sensor-suspect", text, last.time_ns, code="suspect-state")
                )
                break
    return found or _lets_go(window)


def _lets_go(window: ClosedWindow) -> list[Doubt]:
    """A main contactor that opens for a moment and closes again while another one stays closed."""
    for pole, other in (("negative", "positive"), ("positive", "negative")):
        held = [f"contactors.{other}"]
        held += ["contactors.precharge"] if window.bench.has("contactors.precharge") else []
        for event in closings(window, pole):
            states = window.history.samples(f"contactors.{pole}").known
            before = states.between(event.time_ns - S, event.time_ns)
            shut_ns = before.time_ns[before.value == 1]
            if not len(shut_ns) or event.after_ns - int(shut_ns[-1]) < BOUNCES_NS:
                continue
            while_open = int(shut_ns[-1]), event.time_ns + 1
            beside = [window.history.samples(role).known.between(*while_open) for role in held]
            if any(len(one) and (one.value == 1).all() for one in beside):
                open_s = (event.time_ns - int(shut_ns[-1])) / S
                text = f"the state of {pole} read open for {open_s:.2g} s and closed again, while "
                text += "another contactor stayed closed: it let go, or its state is wrong"
                return [Doubt(NAME, "sensor-suspect", text, event.time_ns, code="suspect-state")]
    return []


def _closings(window: ClosedWindow, pole: str) -> list[Event]:
    return [change.event for change in true_closings(window, pole)]


def _openings(window: ClosedWindow, pole: str) -> list[Event]:
    return [change.event for change in true_openings(window, pole)]


def _late(window: ClosedWindow) -> str:
    """How late states came in this attempt, for the sentence."""
    poles = ("negative", "precharge", "positive")
    closed = [change.told for pole in poles for change in true_closings(window, pole)]
    return "".join(closed + [change.told for change in true_openings(window, "precharge")])


def _is_closed(window: ClosedWindow, pole: str, time_ns: int) -> bool:
    return bool(window.at(f"contactors.{pole}", time_ns).value[0] == 1)
