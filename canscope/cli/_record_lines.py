"""The plain lines that ``canscope record`` prints: the greeting, then whatever changes."""

from __future__ import annotations

import shutil
import time
from typing import TYPE_CHECKING

from canscope.attending.words import ARMED, errors, listening
from canscope.live.adapters.address import EVERY
from canscope.model.errors import Where

if TYPE_CHECKING:
    from canscope.live.recording.recorder_config import RecorderConfig
    from canscope.live.recording.status import RecorderStatus
    from canscope.live.watching.alarm_latch import LatchedAlarm
    from canscope.live.watching.watch import Glance
    from canscope.plan.plan import Plan

LINE_S = 5.0  # between two lines where nothing changes
CAUTION = (
    "canscope only listens and cannot stop a motor: keep a hand on the emergency stop. "
    "No value on the bus proves a circuit dead."
)


def print_greeting(
    config: RecorderConfig, plan: Plan | None, status: RecorderStatus, no_sound: str
) -> None:
    """What is recorded, how silently, and what is missing; ``no_sound`` says why there is none."""
    print(CAUTION)
    print(f"{ARMED}; q twice or Ctrl-C ends it")
    for name, bus in status.buses.items():
        print(f"{bus.address}: {bus.found}; {bus.silent_how}")
        print(f"  {name}: {bus.state}, {listening(bus)}")
    recorded = {address.name for address in config.addresses}
    if plan is not None and EVERY not in recorded:
        for name in sorted({b.signal.channel for b in plan.bench.bindings.values()} - recorded):
            print(f"warning: the plan binds signals of {name}, which is not recorded")
    free = shutil.disk_usage(config.folder).free
    if free < config.low_disk_bytes:
        where = Where(str(config.folder))
        print(f"warning: {where}: the disk is low: {free / 1e6:.0f} MB are free")
    if no_sound:
        print(f"there is no sound but the terminal's bell: {no_sound}")


class ChangeLines:
    """Prints what changed since the last time, and every ``LINE_S`` how it stands."""

    def __init__(self) -> None:
        self._alarms = 0
        self._checked: set[str] = set()
        self._word, self._printed_s = "", 0.0
        self._prompt = ""

    def print(self, glance: Glance, status: RecorderStatus, prompt: str) -> None:
        """Everything that changed; ``prompt`` says what the next key will do."""
        if prompt != self._prompt:
            self._prompt = prompt
            print(prompt or "done", flush=True)
        self.print_alarms(glance.alarms)
        self._print_checks(status)
        now_s = time.monotonic()
        if glance.word != self._word or now_s - self._printed_s > LINE_S:
            self._word, self._printed_s = glance.word, now_s
            frames = sum(bus.frames for bus in status.buses.values())
            why = f": {'; '.join(glance.why[:3])}" if glance.why else ""
            print(f"{glance.word}{why} ({frames} frames)", flush=True)

    def print_alarms(self, alarms: tuple[LatchedAlarm, ...]) -> None:
        """The new alarms of all that were raised so far."""
        for alarm in alarms[self._alarms :]:
            word = "STOP" if alarm.stops else "WARNING"
            print(f"{word} {alarm.rule}: {alarm.text}", flush=True)
        self._alarms = len(alarms)

    def _print_checks(self, status: RecorderStatus) -> None:
        """Each adapter's check, once it has given frames for a while."""
        for name, per_s in status.per_s.items():
            if per_s and name not in self._checked and name in status.buses:
                self._checked.add(name)
                bus = status.buses[name]
                steps = (bus.found, listening(bus), f"{per_s} frames/s", errors(bus))
                print(f"{name}: {' -> '.join(steps)}", flush=True)
