"""Watching a run: the very same judge, fed from the disk, and what a person must know at once.

Judged, state and alarms are one thread's work (``follow``); whoever draws asks for ``glance``.
"""

from __future__ import annotations

import threading
import time
import traceback
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from canscope.capture.order import ordered
from canscope.decoding.columns import decode
from canscope.judge.check import Run
from canscope.judge.judge import Alarm
from canscope.judge.roles import samples_of
from canscope.live.clock import ticks_ns
from canscope.live.follow import followed
from canscope.live.turned import Turned
from canscope.model.history import History
from canscope.model.signals import Signals
from canscope.plan.plan import Plan, PlanMark

FEED_S = 0.08  # between two looks at the disk: a feed costs the same however few frames it holds
KEEP_NS = 30_000_000_000
SLOPE_NS = 10_000_000_000  # over which the shown slope of a temperature is fitted
MOST_DELAYS = 20_000
LATE_S = 0.5  # a round of judging that took so long is told
STALE_FLOOR_NS = 100_000_000  # no silence shorter than this stops: common practice, no source
NEVER_SEEN_NS = 3_000_000_000  # after the contactors closed: common practice, no source
BUS_AGE_NS = 1_000_000_000  # a bus silent for longer is not ready: common practice, no source
RAIL_DEGC, RAIL_WIDTH_K = -40.0, 2.0  # where a broken sensor stands: common practice, no source


@dataclass(frozen=True)
class Latched:
    """An alarm that stays until a person has acknowledged it."""

    rule: str
    subject: str
    stops: bool
    text: str
    at_ns: int  # of the frame that shows it
    judged_ns: int  # how far the judge was when it was raised
    raised_ns: int  # by the run's clock; of a replay, when it was raised here
    acknowledged: bool = False


@dataclass(frozen=True)
class Heat:
    """One temperature as shown."""

    role: str
    value_degC: float
    slope_K_s: float | None
    ceiling_degC: float | None
    to_ceiling_s: float | None  # at the present slope


@dataclass(frozen=True)
class Glance:
    """What a person sees at one instant. ``word`` is READY, NOT READY, TURNING or STOP."""

    word: str
    why: tuple[str, ...]
    turning: tuple[str, ...] = ()
    dry_left: tuple[tuple[str, float | None, float | None], ...] = ()  # unit, burst s, total s
    heats: tuple[Heat, ...] = ()
    speeds_rpm: dict[str, float] = field(default_factory=dict)
    bus_age_s: dict[str, float | None] = field(default_factory=dict)
    alarms: tuple[Latched, ...] = ()
    late_s: float = 0.0


class Watch:
    """Watches one run against a plan. ``heard`` has to be set once the sound test was heard."""

    def __init__(
        self,
        folder: Path,
        plan: Plan | None = None,
        *,
        status: Callable[[], dict[str, Any]],
        run: Run | None = None,
        heard: bool = False,
    ) -> None:
        self._folder, self._plan, self._status = folder, plan, status
        self.run = run or (Run(plan) if plan is not None else None)
        self.heard = heard
        self.judged_ns = 0
        self.late_s = 0.0
        self.delays_ms: deque[float] = deque(maxlen=MOST_DELAYS)
        self.broken = ""  # the judge's own bug, if it met one
        self._lock, self._judging = threading.Lock(), threading.Lock()
        self._alarms: dict[tuple[str, str], Latched] = {}
        bench = plan.bench if plan else None
        cycles = {r: b.cycle_ns for r, b in bench.bindings.items()} if bench else {}
        self._history = History(cycles)
        self.turned = Turned(bench) if bench else None
        self._closed_since_ns: int | None = None
        self._round_s = time.monotonic()

    # -- the judge's thread -------------------------------------------------------------------

    def follow(self, going_on: Callable[[], bool]) -> None:
        """Judge what is recorded, until ``going_on`` is False and all of it was judged."""

        looked_s = time.monotonic()

        def wait() -> bool:
            nonlocal looked_s
            still = going_on()
            if still:
                time.sleep(max(0.0, looked_s + FEED_S - time.monotonic()))
            looked_s = time.monotonic()
            return still

        try:
            rising = not self._status().get("replays")
            chunks = ordered(followed(self._folder, wait, self._took, rising=rising))
            if self._plan is None:
                for frames in chunks:
                    self.judged_ns = frames.until_ns or self.judged_ns
                return
            wanted = self._plan.wanted
            for signals in decode(chunks, self._plan.definitions, wanted=wanted):
                self._feed(signals)
        except Exception as error:  # the recorder goes on; the person must hear of it
            self.broken = traceback.format_exc()
            self.alarm("judge", "", True, f"nobody judges any more: a bug: {error!r}")

    def _took(self) -> None:
        self._round_s = time.monotonic()

    def _feed(self, signals: Signals) -> None:
        assert self.run is not None
        with self._judging:
            raised = self.run.feed(signals)
            self._note(signals)
        for alarm in raised:
            self._raise(alarm)
        status = self._status()
        if len(signals.frames) and not status.get("replays"):
            now_ns = status.get("anchor_ns", 0) + ticks_ns()
            self.delays_ms.append((now_ns - int(signals.frames.time_ns[0])) / 1e6)
        late_s = time.monotonic() - self._round_s
        self.late_s = max(self.late_s, late_s)
        if late_s > LATE_S and not status.get("replays"):
            self.alarm("judge", "late", False, f"judging is {late_s:.1f} s late; nothing is lost")

    def _note(self, signals: Signals) -> None:
        """Keep the roles' latest values, and who turns."""
        assert self._plan is not None
        until = signals.frames.until_ns or self.judged_ns
        bindings = self._plan.bench.bindings
        with self._lock:
            for role, binding in bindings.items():
                series = signals.series.get(binding.key)
                if series is not None and len(series.time_ns):
                    self._history.append(role, samples_of(binding, series))
            if self.turned is not None:
                self.turned.feed(signals, until)
            self._history.forget(until - KEEP_NS)
            self.judged_ns = until

    def _raise(self, alarm: Alarm) -> None:
        assert self.run is not None
        finding = self.run.finding(alarm.rule, alarm.subject)
        text = finding.sentence if finding else alarm.subject
        self.alarm(alarm.rule, alarm.subject, alarm.stops, text, alarm.at_ns)

    def facts(self) -> dict[str, Any]:
        """What run.toml says of the watching: how late it was, and every alarm.

        ``delay`` is the time from a frame's stamp to its judgement; the oldest frame of each piece
        counts, so these are the longest ones.
        """
        delays = np.array(self.delays_ms or [0.0])
        shown = {"median": 50, "p99": 99, "longest": 100}
        alarms = [
            {
                "rule": alarm.rule, "subject": alarm.subject, "stop": alarm.stops,
                "at_ns": alarm.at_ns, "raised_ns": alarm.raised_ns, "text": alarm.text,
            }
            for alarm in self.alarms
        ]  # fmt: skip
        return {
            "pieces": len(self.delays_ms),
            "delay_ms": {k: round(float(np.percentile(delays, q)), 1) for k, q in shown.items()},
            "slow_s": round(self.late_s, 3) if self.late_s > LATE_S else None,
            "broken": self.broken or None,
            "alarms": alarms,
        }

    # -- alarms -------------------------------------------------------------------------------

    def alarm(self, rule: str, subject: str, stops: bool, text: str, at_ns: int = 0) -> None:
        """Latch an alarm; one that is latched already is left as it is."""
        key = (rule, subject)
        with self._lock:
            if key not in self._alarms or (
                self._alarms[key].acknowledged and self._alarms[key].text != text
            ):
                at = at_ns or self.judged_ns
                raised = self._status().get("anchor_ns", 0) + ticks_ns()
                self._alarms[key] = Latched(rule, subject, stops, text, at, self.judged_ns, raised)

    def acknowledge(self) -> None:
        """A person has seen all alarms that stand now."""
        with self._lock:
            for key, alarm in self._alarms.items():
                self._alarms[key] = replace(alarm, acknowledged=True)

    @property
    def alarms(self) -> tuple[Latched, ...]:
        """All alarms so far, in the order in which they were raised."""
        with self._lock:
            return tuple(self._alarms.values())

    def mark(self, write: Callable[[int], PlanMark]) -> None:
        """What a person has just seen.

        ``write`` is given the time before which nothing can be judged any more, and writes the mark
        down with a time not before that, so that the recording says the same as was judged live.
        """
        with self._judging:
            mark = write(self.judged_ns)
            if self.run is not None:
                self.run.mark(mark)

    # -- the drawer's thread ------------------------------------------------------------------

    def glance(self, recorder_ended: str = "") -> Glance:
        """The state of everything now; raises the alarms that no frame can raise.

        ``recorder_ended`` is why the recorder stopped, if it did and nobody asked it to.
        """
        status = self._status()
        now_ns = self._now(status)
        if recorder_ended:
            self.alarm("recorder", "", True, f"RECORDER STOPPED: {recorder_ended}")
        self._look_at_buses(status)
        self._look_at_silence(now_ns)
        alarms = self.alarms
        standing = [alarm for alarm in alarms if not alarm.acknowledged]
        turning = self.turned.now if self.turned is not None else ()
        reasons = self._reasons(status, now_ns, recorder_ended)
        stops = [alarm for alarm in standing if alarm.stops]
        if stops:
            word, why = "STOP", tuple(alarm.text for alarm in stops)
        elif turning:
            word, why = "TURNING", turning
        elif reasons:
            word, why = "NOT READY", tuple(reasons)
        else:
            word, why = "READY", ()
        return Glance(
            word,
            why,
            turning,
            tuple(self._dry_left()),
            tuple(self._heats()),
            self._speeds(),
            self._ages(status),
            alarms,
            self.late_s,
        )

    def _now(self, status: dict[str, Any]) -> int:
        """The run's time up to which silence is known to be silence.

        While frames wait to be judged that is as far as the judge has come, else nearly now.
        """
        buses = status.get("buses", {}).values()
        waiting = any(bus["last_ns"] > self.judged_ns for bus in buses)
        if waiting or status.get("replays") or not status:
            return self.judged_ns
        return max(self.judged_ns, int(status["now_ns"]) - 50_000_000)

    def _look_at_buses(self, status: dict[str, Any]) -> None:
        for name, bus in status.get("buses", {}).items():
            if bus["state"] == "lost":
                text = f"RECORDER STOPPED on {name}: its adapter went away ({bus['gaps']})"
                self.alarm("recorder", name, True, text)
            if name in status.get("hung", ()):
                self.alarm("recorder", name, True, f"RECORDER STOPPED on {name}: no answer")
        if status.get("disk_low"):
            free = (status.get("disk_free") or 0) / 1e6
            self.alarm("disk", "", False, f"the disk is low: {free:.0f} MB are free")

    def _look_at_silence(self, now_ns: int) -> None:
        """Stop on any bound role that is stale while the contactors are closed."""
        if self._plan is None:
            return
        with self._lock:
            closed = self._engaged()
            if not closed:
                self._closed_since_ns = None
            elif self._closed_since_ns is None:
                self._closed_since_ns = now_ns
            stale = self._stale(now_ns) if closed else {}
            since_ns = self._closed_since_ns
        for role, age_ns in stale.items():
            if age_ns is None and (since_ns is None or now_ns - since_ns < NEVER_SEEN_NS):
                continue
            key = self._plan.bench.bindings[role].key
            said = "was never heard" if age_ns is None else f"is silent for {age_ns / 1e9:.2f} s"
            text = f"{role} ({key}) {said} while the contactors are closed"
            self.alarm("stale", role, True, text, now_ns)

    def _engaged(self) -> bool:
        poles = ("contactors.negative", "contactors.positive")
        turning = self.turned is not None and self.turned.now
        return bool(turning) or any(self._last(role) == 1 for role in poles)

    def _last(self, role: str) -> float | None:
        samples = self._history.samples(role)
        known = samples.value[~np.isnan(samples.value)]
        return float(known[-1]) if len(known) else None

    def _stale(self, now_ns: int) -> dict[str, int | None]:
        """Roles that should have been heard by now, with their age; None if they never were."""
        assert self._plan is not None
        found: dict[str, int | None] = {}
        for role in self._plan.bench.bindings:
            samples = self._history.samples(role)
            if not len(samples):
                found[role] = None
                continue
            last_ns = int(samples.time_ns[-1])
            patience = int(self._history.patience_ns(role, np.array([last_ns]))[0])
            if now_ns - last_ns > max(patience, STALE_FLOOR_NS):
                found[role] = now_ns - last_ns
        return found

    def _reasons(self, status: dict[str, Any], now_ns: int, ended: str) -> list[str]:
        """Why it is not ready."""
        reasons = [f"the recorder has stopped: {ended}"] if ended else []
        signed = bool(status.get("not_silent"))
        for name, bus in status.get("buses", {}).items():
            if bus["state"] == "lost":
                reasons.append(f"{name}: its adapter is away")
            if not bus["silent"] and not signed:
                reasons.append(f"{name}: not known to be silent")
        for name, age_s in self._ages(status).items():
            if age_s is None:
                reasons.append(f"{name}: no frame yet")
            elif age_s > BUS_AGE_NS / 1e9:
                reasons.append(f"{name}: no frame for {age_s:.1f} s")
        if status.get("disk_low"):
            reasons.append("the disk is low")
        if not self.heard:
            reasons.append("the sound test was not confirmed")
        if self._plan is None:
            return [*reasons, "no plan: nothing is judged"]
        with self._lock:
            stale = self._stale(now_ns)
            suspects = [role for role in self._plan.bench.bindings if self._suspect(role)]
        reasons += [f"{r} {'is stale' if age else 'was never heard'}" for r, age in stale.items()]
        reasons += [f"{role}: its sensor cannot be believed" for role in suspects]
        if self._plan.bench.dry and self._plan.bench.uncounted:
            runs = ", ".join(self._plan.bench.uncounted)
            reasons.append(f"nobody can tell how long it turned dry in earlier runs: {runs}")
        standing = [alarm for alarm in self.alarms if not alarm.acknowledged]
        return reasons + [f"not acknowledged: {alarm.text}" for alarm in standing]

    def _suspect(self, role: str) -> bool:
        """A temperature at the rail, or a value that its node says it does not have."""
        samples = self._history.samples(role)
        if not len(samples):
            return False
        value = samples.value[-1]
        railed = abs(value - RAIL_DEGC) <= RAIL_WIDTH_K and ".temperatures." in role
        return bool(np.isnan(value) or railed)

    def _ages(self, status: dict[str, Any]) -> dict[str, float | None]:
        """Seconds since each bus's last frame."""
        ages: dict[str, float | None] = {}
        for name, bus in status.get("buses", {}).items():
            seen = bus["last_ns"]
            ages[name] = max(0.0, (int(status["now_ns"]) - seen) / 1e9) if seen else None
        return ages

    def _speeds(self) -> dict[str, float]:
        units = self._plan.bench.units if self._plan else ()
        with self._lock:
            last = {unit.name: self._last(unit.role("speed")) for unit in units}
        return {name: value for name, value in last.items() if value is not None}

    def _dry_left(self) -> list[tuple[str, float | None, float | None]]:
        """For each unit: seconds left of this burst and of all, as the plan limits them."""
        if self._plan is None or not self._plan.bench.dry:
            return []
        rule = self._plan.rules.get("dry-exposure")
        burst_s, total_s = getattr(rule, "burst_s", None), getattr(rule, "total_s", None)
        earlier = self._plan.bench.turned_dry_s or {}
        rows = []
        with self._lock:
            assert self.turned is not None
            for name in (unit.name for unit in self._plan.bench.units):
                used = earlier.get(name, 0.0) + self.turned.total_s(name)
                burst = None if burst_s is None else burst_s - self.turned.burst_s(name)
                rows.append((name, burst, None if total_s is None else total_s - used))
        return rows

    def _heats(self) -> list[Heat]:
        if self._plan is None:
            return []
        bench, rows = self._plan.bench, []
        with self._lock:
            for unit in bench.units:
                for word, role in unit.temperature_roles().items():
                    samples = self._history.samples(role)
                    known = samples[~np.isnan(samples.value)]
                    if len(known):
                        rows.append(_heat(role, known, bench.ceilings_degC.get(word)))
        return rows


def _heat(role: str, known: Any, ceiling: float | None) -> Heat:
    """The last value, the fitted slope of the last seconds, and when the ceiling is reached."""
    value = float(known.value[-1])
    recent = known.between(int(known.time_ns[-1]) - SLOPE_NS, int(known.time_ns[-1]) + 1)
    seconds = (recent.time_ns - recent.time_ns[0]) / 1e9
    if len(recent) < 5 or seconds[-1] < 2.0:
        return Heat(role, value, None, ceiling, None)
    centred = seconds - seconds.mean()
    slope = float(centred @ recent.value / (centred @ centred))
    left = None
    if ceiling is not None and slope > 0.02:
        left = max(0.0, (ceiling - value) / slope)
    return Heat(role, value, slope, ceiling, left)
