"""Watching a run: the same judge as offline, fed from the disk, and the alarms of a person.

One thread judges (``follow``); the thread that draws asks for a ``glance``.
"""

from __future__ import annotations

import threading
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from canscope.capture.order import DISORDER_NS, ordered
from canscope.decoding.columns import decode
from canscope.judge.check import Run
from canscope.judge.judge import Alarm
from canscope.live.recording.clock import ticks_ns
from canscope.live.recording.status import RecorderStatus
from canscope.live.run_folder.run_file_schema import Bus, RunAlarm, RunWatch
from canscope.live.watching.alarm_latch import AlarmLatch, LatchedAlarm
from canscope.live.watching.delays import Delays
from canscope.live.watching.follow import followed
from canscope.live.watching.latest import Latest, ShownTemperature
from canscope.model.signals import Signals
from canscope.plan.plan import Plan, PlanMark

FEED_S = 0.08  # between two reads of the disk: a feed costs the same however few frames it holds
LATE_S = 0.5  # a round of judging that takes longer raises a warning
HUNG_S = 2.0  # a mark waits so long for the judge; then only later checks judge it
BLIND_S = 0.35  # a frame that waits longer to be judged takes READY away
NEVER_SEEN_NS = 3_000_000_000  # after the contactors closed; common practice, no source
BUS_AGE_NS = 1_000_000_000  # a bus silent for longer is not ready; common practice, no source
UNHEARD = "the sound test was not confirmed"
FEEDING_NS = 50_000_000  # frames so young may not be on the disk yet


@dataclass(frozen=True)
class Glance:
    """What a person sees at one instant. ``word`` is READY, NOT READY, TURNING or STOP."""

    word: str
    why: tuple[str, ...]
    turning: tuple[str, ...] = ()
    dry_left: tuple[tuple[str, float | None, float | None], ...] = ()  # unit, burst s, total s
    temperatures: tuple[ShownTemperature, ...] = ()
    values: dict[str, float | None] = field(default_factory=dict)  # role -> value, None: unknown
    age_s: dict[str, float | None] = field(default_factory=dict)  # of every role; None: never heard
    stale: frozenset[str] = frozenset()  # roles
    bus_age_s: dict[str, float | None] = field(default_factory=dict)
    alarms: tuple[LatchedAlarm, ...] = ()
    late_s: float = 0.0


class Behind:
    """For how long the frames that arrive have not been judged."""

    def __init__(self) -> None:
        self._mark_ns, self._since_s = 0, 0.0  # a frame that was not judged yet, seen when

    def waits_s(self, latest_ns: int, judged_ns: int, now_s: float) -> float:
        """The time since which a frame waits that had come then; 0 if none does."""
        if judged_ns >= self._mark_ns:
            self._mark_ns, self._since_s = latest_ns, now_s
        return now_s - self._since_s if judged_ns < self._mark_ns else 0.0


class Watch:
    """Watches one run against a plan. ``heard`` is set once a person has heard the sound test."""

    def __init__(
        self,
        folder: Path,
        plan: Plan | None = None,
        *,
        status: Callable[[], RecorderStatus],
        run: Run | None = None,
        heard: bool = False,
    ) -> None:
        self._folder, self._plan, self._status = folder, plan, status
        self.run = run or (Run(plan) if plan is not None else None)
        self.heard = heard
        self.judged_ns = 0
        self.late_s = 0.0
        self.delays = Delays()
        self.broken = ""  # traceback of the judge's own bug
        self.unseen = ""  # why what is shown reaches nobody any more
        self._lock, self._judging = threading.Lock(), threading.Lock()
        self._latch = AlarmLatch()
        self.latest = Latest(plan) if plan is not None else None
        self._closed_since_ns: int | None = None
        self._round_s = time.monotonic()
        self._behind, self.blind = Behind(), False
        self._relied = False  # whether the last glance said READY or TURNING
        self._outages: dict[str, int] = {}  # of each adapter, as far as alarms were raised
        self._replugs: dict[str, int] = {}

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
            rising = not self._status().replays
            chunks = ordered(followed(self._folder, wait, self._begin_round, rising=rising))
            if self._plan is None:
                for frames in chunks:
                    self.judged_ns = frames.until_ns or self.judged_ns
                return
            wanted = self._plan.wanted
            for signals in decode(chunks, self._plan.definitions, wanted=wanted, live=True):
                self._feed(signals)
        except Exception as error:  # the recorder goes on, and the person must know
            self.broken = traceback.format_exc()
            self.alarm("judge", "", True, f"nobody judges any more: a bug: {error!r}")

    def _begin_round(self) -> None:
        self._round_s = time.monotonic()

    def _feed(self, signals: Signals) -> None:
        assert self.run is not None
        with self._judging:
            raised = self.run.feed(signals)
            self._note(signals)
        for alarm in raised:
            self._raise(alarm)
        status = self._status()
        if len(signals.frames) and not status.replays:
            now_ns = status.anchor_ns + ticks_ns()
            self.delays.add(now_ns - int(signals.frames.time_ns[0]))
        late_s = time.monotonic() - self._round_s
        self.late_s = max(self.late_s, late_s)
        if late_s > LATE_S and not status.replays:
            self.alarm("judge", "late", False, f"judging is {late_s:.1f} s late; nothing is lost")

    def _note(self, signals: Signals) -> None:
        """Keep the roles' latest values, and who turns."""
        assert self.latest is not None
        until = signals.frames.until_ns or self.judged_ns
        with self._lock:
            self.latest.feed(signals, until)
            self.judged_ns = until

    def _raise(self, alarm: Alarm) -> None:
        assert self.run is not None
        finding = self.run.finding(alarm.rule, alarm.subject)
        text = finding.sentence if finding else alarm.subject
        short = finding.short if finding else ""
        self.alarm(alarm.rule, alarm.subject, alarm.stops, text, alarm.at_ns, short)

    def summary(self) -> RunWatch:
        """What run.toml says of the watching."""
        return RunWatch(
            pieces=self.delays.count,
            delay_ms=self.delays.summary_ms(),
            slow_s=round(self.late_s, 3) if self.late_s > LATE_S else None,
            broken=self.broken or None,
            unseen=self.unseen or None,
            alarms=tuple(
                RunAlarm(a.rule, a.subject, a.stops, a.at_ns, a.raised_ns, a.text)
                for a in self.alarms
            ),
        )

    def alarm(
        self, rule: str, subject: str, stops: bool, text: str, at_ns: int = 0, short: str = ""
    ) -> None:
        """Raise an alarm now; see ``AlarmLatch.add`` for one that stands already."""
        raised = self._status().anchor_ns + ticks_ns()
        at = at_ns or self.judged_ns
        alarm = LatchedAlarm(rule, subject, stops, text, at, self.judged_ns, raised, short=short)
        self._latch.add(alarm)

    def acknowledge(self) -> None:
        """Acknowledge all alarms that stand now."""
        self._latch.acknowledge()

    @property
    def alarms(self) -> tuple[LatchedAlarm, ...]:
        """All alarms so far, in the order in which they were raised."""
        return self._latch.all

    def mark(self, write: Callable[[int], PlanMark]) -> None:
        """Judge a mark of what a person has just seen.

        ``write`` is given the time up to which everything has been judged, and writes the mark down
        with a later time, so that the recording is judged as it was live.
        """
        free = self._judging.acquire(timeout=HUNG_S)  # a judge that hangs must not hold the screen
        try:
            mark = write(self.judged_ns)
            if self.run is not None and free:
                self.run.mark(mark)
        finally:
            if free:
                self._judging.release()

    # -- the drawer's thread ------------------------------------------------------------------

    def glance(self, recorder_ended: str = "") -> Glance:
        """The state of everything now. Raises the alarms that no frame can raise.

        ``recorder_ended`` is why the recorder stopped, if nobody asked it to.
        """
        status = self._status()
        now_ns = self._heard_until_ns(status)
        if recorder_ended:
            self.alarm("recorder", "", True, f"RECORDER STOPPED: {recorder_ended}")
        self._check_recorder(status)
        self._check_judge(status)
        self._check_silence(now_ns)
        alarms = self.alarms
        standing = [alarm for alarm in alarms if not alarm.acknowledged]
        reasons = self._reasons(status, now_ns, recorder_ended)
        values = self._values(now_ns)
        stops = [alarm for alarm in standing if alarm.stops]
        if stops:
            word, why = "STOP", tuple(alarm.text for alarm in stops)
        elif values.turning:
            word, why = "TURNING", values.turning
        elif reasons:
            word, why = "NOT READY", tuple(reasons)
        else:
            word, why = "READY", ()
        self._relied = word in ("READY", "TURNING")
        return replace(
            values,
            word=word,
            why=why,
            bus_age_s=_bus_ages_s(status),
            alarms=alarms,
            late_s=self.late_s,
        )

    def _values(self, now_ns: int) -> Glance:
        """A glance that has the latest values, but no word yet."""
        latest = self.latest
        if latest is None:
            return Glance("", ())
        with self._lock:
            stale = frozenset(latest.stale(now_ns))
            return Glance(
                "",
                (),
                latest.turning_time.turning,
                tuple(latest.dry_left()),
                tuple(latest.temperatures()),
                latest.values(stale),
                latest.ages_s(now_ns),
                stale,
            )

    def traces(self, step: int) -> dict[str, Any]:
        """The curves from this step on, as ``Traces.since`` gives them; empty without a plan."""
        if self.latest is None:
            return {"from": step, "roles": {}}
        with self._lock:
            return self.latest.traces.since(step)

    def _heard_until_ns(self, status: RecorderStatus) -> int:
        """The run's time up to which every frame there was has been judged.

        While frames wait to be judged that is as far as the judge has come, else nearly now.
        """
        waiting = any(bus.last_ns > self.judged_ns for bus in status.buses.values())
        if waiting or status.replays:
            return self.judged_ns
        return max(self.judged_ns, status.now_ns - FEEDING_NS)

    def _check_judge(self, status: RecorderStatus) -> None:
        """Compare what was judged with what arrived; the judge itself may stand still."""
        if status.hurried:  # a rehearsal faster than life may run ahead of its judge
            return
        latest_ns = max((bus.last_ns for bus in status.buses.values()), default=0)
        if status.replays:  # its frames may be out of order, and wait for later ones
            latest_ns -= 2 * DISORDER_NS
        waits_s = self._behind.waits_s(latest_ns, self.judged_ns, time.monotonic())
        self.blind = waits_s > BLIND_S
        if self.blind and self._relied:
            text = f"frames have waited for {waits_s:.1f} s and were not judged"
            self.alarm("judge", "blind", True, text)

    def _check_recorder(self, status: RecorderStatus) -> None:
        for name, bus in status.buses.items():
            self._check_adapter(name, bus)
            if name in status.hung:
                self.alarm("recorder", name, True, f"RECORDER STOPPED on {name}: no answer")
        for name in status.gone:
            text = f"{name} was deleted or renamed while it was recorded: what it held is lost"
            self.alarm("recorder", name, True, f"{text}, unless it is found again")
        if status.disk_low:
            free = (status.disk_free or 0) / 1e6
            self.alarm("disk", "", False, f"the disk is low: {free:.0f} MB are free")

    def _check_adapter(self, name: str, bus: Bus) -> None:
        """Each time that an adapter goes away is an alarm of its own, and so is its return."""
        for number in range(self._outages.get(name, 0) + 1, bus.gaps + 1):
            self._outages[name] = number
            why = f": {bus.lost_why}" if bus.lost_why else ""
            text = f"RECORDER STOPPED on {name}: its adapter went away ({number}){why}"
            self.alarm("recorder", _numbered(name, number), True, text)
        if bus.state == "lost" and bus.refused:
            text = f"{name}: its adapter does not come back: {bus.refused}"
            self.alarm("recorder", f"{_numbered(name, bus.gaps)}, refused", True, text)
        if bus.state == "recording" and self._replugs.get(name, 0) < bus.gaps:
            self._replugs[name] = bus.gaps
            text = (
                f"{name}: an adapter is back at {bus.address}; whether it hears the same bus as"
                " before is for a person to check: two that changed places swap two buses"
            )
            self.alarm("replug", _numbered(name, bus.gaps), False, text)

    def _check_silence(self, now_ns: int) -> None:
        """Stop on any bound role that is stale while the contactors are closed."""
        if self._plan is None or self.latest is None:
            return
        with self._lock:
            closed = self.latest.engaged
            if not closed:
                self._closed_since_ns = None
            elif self._closed_since_ns is None:
                self._closed_since_ns = now_ns
            stale = self.latest.stale(now_ns) if closed else {}
            since_ns = self._closed_since_ns
        for role, age_ns in stale.items():
            if age_ns is None and (since_ns is None or now_ns - since_ns < NEVER_SEEN_NS):
                continue
            key = self._plan.bench.bindings[role].key
            silent = "was never heard" if age_ns is None else f"is silent for {age_ns / 1e9:.2f} s"
            text = f"{role} ({key}) {silent} while the contactors are closed"
            short = f"{role.removeprefix('units.').replace('.', ' ')} is silent"
            self.alarm("stale", role, True, text, now_ns, short)

    def _reasons(self, status: RecorderStatus, now_ns: int, ended: str) -> list[str]:
        """Why it is not ready."""
        reasons = [f"the recorder has stopped: {ended}"] if ended else []
        reasons += _recorder_reasons(status)
        if self.blind:
            reasons.append("what arrives is not judged in time")
        if not self.heard:
            reasons.append(UNHEARD)
        if self._plan is None or self.latest is None:
            return [*reasons, "no plan: nothing is judged"]
        with self._lock:
            stale = self.latest.stale(now_ns)
            suspects = [r for r in self._plan.bench.bindings if self.latest.suspect(r)]
        reasons += [f"{r} {'is stale' if age else 'was never heard'}" for r, age in stale.items()]
        reasons += [f"{role}: its sensor cannot be believed" for role in suspects]
        if self._plan.bench.dry and self._plan.bench.uncounted:
            runs = ", ".join(self._plan.bench.uncounted)
            reasons.append(f"nobody can tell how long it turned dry in earlier runs: {runs}")
        failed = []
        for alarm in self.alarms:
            if not alarm.acknowledged:
                reasons.append(f"not acknowledged: {alarm.text}")
            elif alarm.rule in self._plan.rules and alarm.stops:
                failed.append(f"failed in this run: {alarm.rule}, {alarm.subject}")
        return [*failed, *reasons]


def _numbered(name: str, number: int) -> str:
    """An adapter's bus, with the number of its outage from the second one on."""
    return name if number < 2 else f"{name}, outage {number}"


def _recorder_reasons(status: RecorderStatus) -> list[str]:
    """Why the recorder is not ready."""
    reasons = []
    for name, bus in status.buses.items():
        if bus.state == "lost":
            reasons.append(f"{name}: its adapter is away")
        if name in status.hung:
            reasons.append(f"{name}: its adapter gives no answer")
        if not bus.silent and not status.not_silent:
            reasons.append(f"{name}: not known to be silent")
    for name, age_s in _bus_ages_s(status).items():
        if age_s is None:
            reasons.append(f"{name}: no frame yet")
        elif age_s > BUS_AGE_NS / 1e9:
            reasons.append(f"{name}: no frame for {age_s:.1f} s")
    if status.disk_low:
        reasons.append("the disk is low")
    return reasons


def _bus_ages_s(status: RecorderStatus) -> dict[str, float | None]:
    """Seconds since each bus's last frame; None: no frame yet."""
    return {
        name: max(0.0, (status.now_ns - bus.last_ns) / 1e9) if bus.last_ns else None
        for name, bus in status.buses.items()
    }
