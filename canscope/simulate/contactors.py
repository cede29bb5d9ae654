"""The contactor box: closes and opens its poles by the driver's request and the link voltage."""

from __future__ import annotations

from canscope.simulate.script import Script
from canscope.simulate.vehicle import FOREVER, Box

POLES = ("negative", "precharge", "positive")


class Sequencer:
    """Closes negative, pre-charge, positive; opens in the order of the script.

    ``closed`` are the true positions, as the auxiliary contacts see them: a welded pole reads
    open although it conducts (``conducts``).
    """

    def __init__(self, box: Box, script: Script) -> None:
        self.box, self.script = box, script
        self.closed = dict.fromkeys(POLES, False)
        self.conducts = dict.fromkeys(POLES, False)
        self.on = False
        self._due: list[tuple[float, str, bool]] = []
        self._waiting = False  # pre-charge is in progress, positive not yet commanded
        self._full_since = FOREVER
        self._stopped_since = FOREVER
        self._attempt = -1

    def step(self, time_s: float, link_V: float, pack_V: float, wanted: bool, stop: bool) -> None:
        """Move on to ``time_s``; ``wanted`` and ``stop`` are the two requests."""
        self._stopped_since = min(self._stopped_since, time_s) if stop else FOREVER
        stop = time_s - self._stopped_since >= self.box.stop_delay_s
        if wanted and not stop and not self.on:
            self._power_up(time_s)
        elif self.on and (stop or not wanted):
            self._open(time_s, at_once=stop)
        if self._waiting:
            self._watch(time_s, link_V, pack_V)
        while self._due and self._due[0][0] <= time_s:
            self._move(*self._due.pop(0))

    @property
    def at_rest(self) -> bool:
        """Whether nothing moves until a request changes."""
        pending = self._stopped_since < FOREVER and self.on
        return not self._due and not self._waiting and not pending

    def _move(self, time_s: float, pole: str, closed: bool) -> None:
        self.closed[pole] = closed
        self.conducts[pole] = closed or pole in self.box.welded

    def _plan(self, time_s: float, pole: str, closed: bool) -> None:
        delay = self.box.close_delay_s if closed else self.box.open_delay_s
        self._due.append((time_s + delay, pole, closed))
        self._due.sort()

    def _power_up(self, time_s: float) -> None:
        self.on, self._attempt = True, self._attempt + 1
        self._due.clear()
        self._plan(time_s, "negative", True)
        if self.box.skips_precharge:
            self._plan(time_s + self.box.negative_lead_s, "positive", True)
            return
        self._plan(time_s + self.box.negative_lead_s, "precharge", True)
        self._waiting, self._full_since = True, FOREVER

    def _watch(self, time_s: float, link_V: float, pack_V: float) -> None:
        if not self.closed["precharge"] or link_V < self.box.close_at_share * pack_V:
            self._full_since = FOREVER
            return
        self._full_since = min(self._full_since, time_s)
        if time_s - self._full_since >= self.box.settle_s:
            self._waiting = False
            self._plan(time_s, "positive", True)
            if not self.box.keeps_precharge:
                self._plan(time_s + self.box.precharge_overlap_s, "precharge", False)

    def _open(self, time_s: float, *, at_once: bool) -> None:
        self.on = self._waiting = False
        self._due.clear()
        order = ["negative", "positive"]
        number = min(self._attempt, len(self.script.positive_first) - 1)
        if self.script.positive_first[number]:
            order.reverse()
        hold = 0.0 if at_once else self.script.hold_s
        self._plan(time_s, order[0], False)
        self._plan(time_s + hold, order[1], False)
        self._plan(time_s + hold, "precharge", False)
