"""Does a contactor's state ever follow its command?

A contact follows its coil within tens of ms, a slow node says so within 0.3 s, and a box may wait
for the current to end before it opens. A state that still says otherwise after that has stopped, or
the contact sticks, is welded or does not pull in. Where the state changed and not the command, such
as by an emergency stop that cuts the coils, it may take longer; but no state closes by itself while
its command is open, whether the command follows or not, and none opens by itself while the others
stay closed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from canscope.model.bench import POLES, Bench
from canscope.model.history import History
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS
from canscope.trust.remark import Remark

LATE_NS = 3 * SECOND_NS  # common practice, no source
FOLLOW_NS = 3 * SECOND_NS // 10  # no contact and no slow node takes longer; likewise
OTHER_BUS_NS = 55 * 10**6  # as far as clocks of two adapters may differ unnoticed; likewise
STAMPS_NS = 30 * 10**6  # as far as stamps of one bus may be late; likewise
BREAKS_A = 2.0  # a box may wait for a larger current to end before it opens, as opening-current
BOUNCES_NS = 10**8  # a contact that has just closed; common practice, no source
STOP = "driver.emergency_stop"
CURRENT = "pack.current"


@dataclass(frozen=True)
class Apart:
    """A stretch in which a state says otherwise than its command, from sample to sample."""

    begin_ns: int
    last_ns: int
    said: float  # by the state
    led: bool  # the command changed, and not the state


class Obeys:
    """Follows every pole that has a state and a command, over one segment."""

    def __init__(self, bench: Bench) -> None:
        roles = [f"contactors.{pole}" for pole in POLES]
        self._apart: dict[str, Apart | None] = {
            role: None for role in roles if bench.has(role, f"{role}.command")
        }
        self._last: dict[str, float] = {}  # of each state
        self._bench = bench

    def feed(self, new: Mapping[str, Samples], history: History) -> Iterator[Remark]:
        """States of this piece (already in ``history``) that are late for their command."""
        for role in self._apart:
            state = new[role].known if role in new else None
            command = history.samples(f"{role}.command").known
            if state is None or not len(state) or not len(command):
                continue
            row = np.searchsorted(command.time_ns, state.time_ns, "right") - 1
            asked = np.where(row >= 0, command.value[np.maximum(row, 0)], state.value)
            before = np.concatenate(([self._last.get(role, state.value[0])], state.value[:-1]))
            self._last[role] = float(state.value[-1])
            differs = asked != state.value
            after = np.concatenate(([self._apart[role] is not None], differs[:-1]))
            rows = np.flatnonzero(differs | after)
            columns = (c[rows] for c in (state.time_ns, state.value, asked, before))
            for now_ns, says, told, said in zip(*(c.tolist() for c in columns), strict=True):
                yield from self._step(role, now_ns, says, told, said, history)

    def _step(
        self, role: str, now_ns: int, says: float, told: float, said: float, history: History
    ) -> Iterator[Remark]:
        apart = self._apart[role]
        if apart is None:
            if says != told:
                self._apart[role] = Apart(now_ns, now_ns, says, led=says == said)
            return
        if says != told and says == apart.said:
            self._apart[role] = replace(apart, last_ns=now_ns)
            if apart.last_ns - apart.begin_ns < LATE_NS <= now_ns - apart.begin_ns:
                yield self._remark(role, apart, LATE_NS)
            return
        self._apart[role] = None if says == told else Apart(now_ns, now_ns, says, led=says == said)
        late_ns = apart.last_ns - apart.begin_ns
        limit_ns = self._follows_ns(role, closes=apart.said == 0)
        followed, key = says != apart.said, self._bench.bindings[f"{role}.command"].key
        if followed and apart.said == 1 and not apart.led:
            text = f"said closed for {(now_ns - apart.begin_ns) / SECOND_NS:.2g} s, which {key} "
            yield Remark(role, "wrong", text + "never asked", apart.begin_ns)
        if followed and apart.said == 0 and not apart.led and self._let_go(role, apart, history):
            text = f"said open for {(now_ns - apart.begin_ns) / SECOND_NS:.2g} s, which {key} "
            text += "never asked: the contact let go for a moment, or its state is wrong"
            yield Remark(role, "wrong", text, apart.begin_ns)
        early = not followed and not apart.led and late_ns > self._leads_ns(role)
        if early and apart.said == 1:
            text = f"said closed {late_ns / SECOND_NS:.2g} s before {key} did: something else "
            yield Remark(role, "wrong", text + "closes it", apart.begin_ns)
        if early and apart.said == 0 and self._opens_alone(role, apart, history):
            text = f"said open {late_ns / SECOND_NS:.2g} s before {key} did, and no other pole "
            yield Remark(role, "wrong", text + "opened with it", apart.begin_ns)
        if apart.led and late_ns > limit_ns and not (followed and self._waits(apart, history)):
            yield self._remark(role, apart, limit_ns)

    def _let_go(self, role: str, apart: Apart, history: History) -> bool:
        """Whether a state opened and closed again while its command surely asked for closed.

        A pressed stop cuts the coil and not the command, and what is a request for several poles
        may take them one after the other again.
        """
        if self._is_request(role, closes=True):
            return False
        stretch = apart.begin_ns, apart.last_ns + 1
        asked = history.samples(f"{role}.command").known.between(*stretch)
        stop = history.samples(STOP).known.between(stretch[0] - SECOND_NS, stretch[1])
        if not len(asked) or (asked.value == 0).any() or (stop.value != 0).any():
            return False
        return apart.last_ns - int(asked.time_ns[0]) >= BOUNCES_NS + self._clocks_ns(role)

    def _opens_alone(self, role: str, apart: Apart, history: History) -> bool:
        """Whether another pole stayed closed, and none opened as where a stop cuts the coils."""
        if self._is_request(role, closes=True):
            return False
        beside = apart.begin_ns - SECOND_NS, apart.last_ns + 1
        others = (f"contactors.{pole}" for pole in POLES)
        states = [history.samples(r).known.between(*beside).value for r in others if r != role]
        stop = history.samples(STOP).known.between(*beside)
        stayed = any(len(each) and (each == 1).all() for each in states)
        opened = any(((each[:-1] == 1) & (each[1:] == 0)).any() for each in states)
        return stayed and not opened and not (stop.value != 0).any()

    def _is_request(self, role: str, *, closes: bool) -> bool:
        """Whether what asks for a pole asks for several at once, one of which waits for another.

        Or for positive where nothing else asks for pre-charge: the box takes one pole after the
        other.
        """
        keys = {r: b.key for r, b in self._bench.bindings.items() if r.endswith(".command")}
        alone = sum(key == keys[f"{role}.command"] for key in keys.values()) == 1
        waits = role == "contactors.positive" and "contactors.precharge.command" not in keys
        return not alone or (closes and waits)

    def _follows_ns(self, role: str, *, closes: bool) -> int:
        """How late a state may surely be for its command."""
        if self._is_request(role, closes=closes):
            return LATE_NS
        return FOLLOW_NS + self._clocks_ns(role) + round(2e6 * self._bench.clock_ms)

    def _leads_ns(self, role: str) -> int:
        """By how much a state may seem to be early for its command, which may be sent seldom."""
        cycle_ns = self._bench.bindings[f"{role}.command"].cycle_ns or FOLLOW_NS
        return 3 * cycle_ns // 2 + STAMPS_NS + self._clocks_ns(role)

    def _clocks_ns(self, role: str) -> int:
        """By how much the clocks of a state and of its command may differ unnoticed."""
        signals = [self._bench.bindings[r].signal for r in (role, f"{role}.command")]
        return OTHER_BUS_NS if signals[0].channel != signals[1].channel else 0

    def _waits(self, apart: Apart, history: History) -> bool:
        """Whether the box may have waited for a current to end before it opened."""
        amps = history.samples(CURRENT).known.between(0, apart.begin_ns + 1)
        return apart.said == 1 and bool(len(amps)) and abs(float(amps.value[-1])) > BREAKS_A

    def _remark(self, role: str, apart: Apart, late_ns: int) -> Remark:
        word, order = ("closed", "open") if apart.said == 1 else ("open", "closed")
        key = self._bench.bindings[f"{role}.command"].key
        text = f"still said {word} {late_ns / SECOND_NS:g} s after {key} said {order}"
        return Remark(role, "wrong", text, apart.begin_ns)
