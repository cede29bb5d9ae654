"""Rule ``closing-inrush``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.events import Event, Window
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import ClosedWindow, S
from canscope.model.rule import Rule, limit, unjudged
from canscope.rules import RULES
from canscope.rules.shared.true_changes import true_closings

NAME, CURRENT, POSITIVE = "pack", "pack.current", "contactors.positive"


@RULES.add("closing-inrush")
@dataclass(frozen=True, kw_only=True)
class ClosingInrush(Rule):
    """No rush of current goes into the link when the positive contactor closes.

    Judged
        At every closing of the positive contactor: the largest magnitude of the pack current that
        was sampled in the ``within_ms`` after it. The rush itself is over within a millisecond or
        less, and a current sensor averages over more: CAN is too slow to prove that there was none.
        So this fails or stays unproven, and never passes; precharge-level tells how much inrush the
        voltage that was missing makes.
    Margin
        ``limit_A`` minus that current, in A, where it is above the limit (or nearer to it than its
        uncertainty).
    Unproven
        Always, if no sampled current was above the limit (inferred); positive never closed
        (not-exercised); no current was sampled in that time (stale, not-available); the plan gives
        no limit (no-limit).
    """

    limit_A: float | None = limit(None, "A", high=5000.0, example=50)
    # An attempt is followed until 500 ms after its last closing.
    within_ms: float = limit(
        200.0, "ms", low=20.0, high=450.0, note="after the closing", looser="lower"
    )

    window: ClassVar[Window] = Window.ATTEMPT
    unit: ClassVar[str] = "A"
    order: ClassVar[bool] = True
    limit_source: ClassVar[str] = "plan"
    says: ClassVar[dict[str, str]] = {
        "pass": "no sampled current exceeded the limit, which CAN is too slow to prove",
        "fail": "a rush of current was sampled just after positive closed",
        "close": "a current at about the limit was sampled just after positive closed",
    }
    exercise: ClassVar[str] = (
        "give the plan a limit and close the contactors; to prove that there is no inrush, measure "
        "it with a current clamp and an oscilloscope"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "positive closes before the link is charged",
        "the link is loaded while positive closes",
        "a second capacitor sits behind the contactors that pre-charge does not reach",
    )
    next: ClassVar[str] = "compare link and pack voltage just before positive closes"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The pack."""
        missing = "" if self.limit_A is not None else "limit_A is not given"
        return [Subject(NAME, (CURRENT, POSITIVE), (CURRENT,), missing)]

    def margins(self, window: ClosedWindow) -> Sequence[Outcome]:
        """The largest current sampled after every closing of positive."""
        if self.limit_A is None:
            return ()
        closed = [change.event for change in true_closings(window, "positive")]
        if not closed:
            return [unjudged(NAME, "not-exercised", "positive never closed in this attempt")]
        return [self._judge(window, event, self.limit_A) for event in closed]

    def _judge(self, window: ClosedWindow, event: Event, limit_A: float) -> Outcome:
        end_ns = event.time_ns + round(self.within_ms * S / 1000)
        # It really closed somewhere between the two samples of its state.
        every = window.back(CURRENT, event.after_ns + 1).between(0, end_ns + 1)
        samples = every.known
        if not len(samples):
            reason = "not-available" if len(every) else "stale"
            text = f"no current was sampled within {self.within_ms:g} ms of positive closing"
            return Doubt(NAME, reason, text, event.time_ns)
        row = int(np.argmax(np.abs(samples.value)))
        largest, u = float(abs(samples.value[row])), window.bench.u(CURRENT)
        if limit_A - largest < u:
            return margins(
                NAME,
                samples.time_ns[row],
                limit_A - largest,
                measured=largest,
                limit=limit_A,
                uncertainty=u,
                start_ns=event.after_ns,
                end_ns=end_ns,
            )
        text = f"the largest current sampled in {self.within_ms:g} ms was {largest:.1f} A, limit "
        text += f"{limit_A:g} A, but inrush is shorter than a sample: CAN is too slow to prove it"
        return Doubt(NAME, "inferred", text, event.time_ns, measured=largest)
