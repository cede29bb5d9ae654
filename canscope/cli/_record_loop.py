"""One recording at the screen: from its start, with keys, picture and sound, to its report."""

from __future__ import annotations

import os
import signal
import sys
import time
from contextlib import nullcontext, suppress
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from canscope.cli._keys import Action, Keys, next_keys, single_keys
from canscope.cli._live_view import DRAWN, live_picture, view
from canscope.cli._reading_entry import meters_of
from canscope.cli._record_lines import ChangeLines, print_greeting
from canscope.cli._streams import Screen, can_show
from canscope.live.run_folder.run_file_schema import TERMINAL_CLOSED
from canscope.live.watching.sound import PERIOD_S

if TYPE_CHECKING:
    from canscope.attending.attended_run import AttendedRun

LOOK_S = 0.1  # between two updates of the screen


class RecordLoop:
    """One run: ``run`` until something ends it, then ``close`` for the report."""

    def __init__(self, run: AttendedRun, seconds: float | None, screen: Screen) -> None:
        self._run, self._seconds, self._screen = run, seconds, screen
        self._plan, self._session, self._watch = run.plan, run.session, run.watch
        self._stop_reason = ""
        self._lines = ChangeLines()
        self._rung_s = 0.0
        self._looked_ns = 0  # when a person looked at an instrument

    def run(self) -> None:
        """Record until something or somebody ends it."""
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, self._on_signal)
        print_greeting(self._run.config, self._plan, self._run.status, self._run.no_sound)
        self._run.begin()
        keys = self._keys()
        end_s = time.monotonic() + (self._seconds or float("inf"))
        with single_keys() as typed, _picture(typed) as picture:
            self._watch.heard = not typed
            if typed:
                self._ring("stop")
                if picture is None:
                    print("   ".join(keys.legend))
            while not self._stop_reason and (self._session.running or self._unseen(typed)):
                if typed:
                    for key in next_keys(LOOK_S):
                        self._act(keys.press(key))
                else:
                    time.sleep(LOOK_S)
                if time.monotonic() >= end_s:
                    self._stop_reason = f"the {self._seconds:g} s asked for are over"
                self._show(picture, keys)

    def _keys(self) -> Keys:
        """The keys of this vehicle; without a plan there are none for axles and meters."""
        if self._plan is None:
            return Keys([])
        bench, tester = self._plan.bench, str(self._plan.job.get("tester", ""))
        return Keys([unit.name for unit in bench.units], meters_of(bench, tester))

    def close(self) -> int:
        """End the recording, complete the folder, write and print the report."""
        self._run.end(self._stop_reason or "told to stop")
        self._lines.print_alarms(self._watch.alarms)
        print(f"recording ended: {self._session.reason}")
        code = self._report()
        return 2 if self._run.failure else code

    def _report(self) -> int:
        """The final report, of what is on the disk; the exit code."""
        from canscope.cli._summary import print_summary
        from canscope.cli.check import EXIT

        folder = self._run.config.folder
        found = self._run.report()
        if found is None:
            print(f"written: {folder} (judge it with: canscope check {folder} --plan PLAN)")
            return 0
        report, written = found
        print_summary(report)
        for path in written:
            print(f"written: {path}")
        return EXIT[report.verdict]

    # -- while it runs ------------------------------------------------------------------------

    def _on_signal(self, number: int, frame: Any) -> None:
        why = f"told to end by {signal.Signals(number).name}"
        if number == signal.SIGHUP:
            why = f"{TERMINAL_CLOSED} (SIGHUP)"
        self._stop_reason = self._stop_reason or why

    def _unseen(self, typed: bool) -> bool:
        """A recorder that stopped by itself stays on the screen until a person has seen it."""
        seen = all(alarm.acknowledged for alarm in self._watch.alarms if alarm.rule == "recorder")
        return typed and not self._screen.lost and bool(self._run.failure) and not seen

    def _act(self, action: Action | None) -> None:
        if action is None:
            return
        if action.kind == "acknowledge":
            self._watch.acknowledge()
        elif action.kind == "heard":
            self._watch.heard = True
        elif action.kind == "stop":
            self._stop_reason = "ended by a key"
        elif action.kind == "mark":
            self._run.mark(action.axle, action.seen, action.text, action.asked)
        elif action.kind == "look":
            self._looked_ns = self._session.now_ns()
        elif action.reading is not None:
            self._run.reading(self._looked_ns, asdict(action.reading))

    def _show(self, picture: Any, keys: Keys) -> None:
        self._look_at_the_screen()
        glance, status = self._run.glance(), self._run.status
        standing = [alarm for alarm in glance.alarms if not alarm.acknowledged]
        if standing:
            self._ring("stop" if any(alarm.stops for alarm in standing) else "warn")
        if picture is None:
            self._lines.print(glance, status, keys.prompt)
        else:
            width, height = picture.console.size
            shown = view(
                glance, status, prompt=keys.prompt, legend=keys.legend, width=width, height=height
            )
            picture.update(shown, refresh=True)

    def _look_at_the_screen(self) -> None:
        """Raise what the person could not see: the screen is gone."""
        if self._screen.lost and not self._watch.unseen:
            self._watch.unseen = self._screen.lost
            text = f"what it shows cannot be written any more: {self._screen.lost}"
            self._watch.alarm("screen", "", True, text)

    def _ring(self, kind: str) -> None:
        """Tone and bell: a stop every second, a warning every four."""
        if time.monotonic() - self._rung_s < PERIOD_S[kind]:
            return
        self._rung_s = time.monotonic()
        self._run.watchdog.play(kind)
        for number in (1, 2):  # past the picture, which would swallow it
            if os.isatty(number):
                with suppress(OSError):  # the terminal is gone, as ``_screen`` notices
                    os.write(number, b"\a\a\a" if kind == "stop" else b"\a")
                return


def _picture(typed: bool) -> Any:
    """A live picture where a person sits at a terminal; else None."""
    plain = os.environ.get("TERM", "dumb") == "dumb" or not can_show(DRAWN)
    if not (typed and sys.stdout.isatty()) or plain:
        return nullcontext(None)
    return live_picture()
