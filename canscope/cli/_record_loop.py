"""One recording at the screen: from its start, with keys, picture and sound, to its report."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Callable
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
from canscope.live.watching.watchdog import SILENT_S, TRUSTED
from canscope.model.errors import CanscopeError, Where

if TYPE_CHECKING:
    from canscope.live.recording.recorder_config import RecorderConfig
    from canscope.live.watching.session import Session
    from canscope.live.watching.watch import Watch
    from canscope.live.watching.watchdog import Watchdog
    from canscope.plan.plan import Plan

HANGS_S = 30.0  # a judge that comes no further for so long is not waited for
LOOK_S = 0.1  # between two updates of the screen


class RecordLoop:
    """One run: ``run`` until something ends it, then ``close`` for the report."""

    def __init__(
        self,
        config: RecorderConfig,
        seconds: float | None,
        plan: Plan | None,
        session: Session,
        watch: Watch,
        watchdog: Watchdog,
        screen: Screen,
    ) -> None:
        self._config, self._seconds, self._plan = config, seconds, plan
        self._session, self._watch, self._watchdog = session, watch, watchdog
        self._screen = screen
        self._stop_reason = ""
        self._lines = ChangeLines()
        self._rung_s = 0.0
        self._looked_ns = 0  # when a person looked at an instrument
        self._word, self._shown_s = "", time.monotonic()
        self._judging = threading.Thread(
            target=watch.follow, args=(lambda: session.running,), daemon=True
        )

    def run(self, no_sound: str) -> None:
        """Record until something or somebody ends it; ``no_sound`` says why there is no tone."""
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, self._on_signal)
        print_greeting(self._config, self._plan, self._session.status, no_sound)
        self._judging.start()
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
        session, watch = self._session, self._watch
        self._watchdog.tell("ENDING")
        if session.running:
            session.stop(self._stop_reason or "told to stop")
        session.wait()
        self._await_judge()
        watch.glance(self._failure())
        self._lines.print_alarms(watch.alarms)
        print(f"recording ended: {session.reason}")
        try:
            session.finish(watch.summary() if self._plan is not None or watch.unseen else None)
            code = self._report(self._plan) if self._plan is not None else self._no_report()
        except OSError as error:
            raise self._unfinished(error) from error
        finally:
            session.folder.release()
        return 2 if self._failure() else code

    def _await_judge(self) -> None:
        """Let the judge come to the end of what was recorded, unless it comes no further at all."""
        while self._judging.is_alive():
            before_ns = self._watch.judged_ns
            self._judging.join(HANGS_S)
            if self._judging.is_alive() and self._watch.judged_ns == before_ns:
                self._watch.broken = f"the judge stood still for {HANGS_S:g} s at the end"
                self._watch.alarm("judge", "", True, self._watch.broken)
                return

    def _unfinished(self, error: OSError) -> CanscopeError:
        """The run folder cannot be completed: it is gone, or its disk is full."""
        folder = self._config.folder
        if not folder.is_dir():
            what = "the run folder was removed or renamed while the run was recorded"
            hint = "look for it under its new name; what is in it can be judged with --plan"
            return CanscopeError(what, where=Where(str(folder)), hint=hint)
        what = f"the run folder cannot be completed: {error.strerror or error}"
        hint = f"make room, then judge what was recorded: canscope check {folder}"
        return CanscopeError(what, where=Where(str(folder)), hint=hint)

    def _no_report(self) -> int:
        folder = self._config.folder
        print(f"written: {folder} (judge it with: canscope check {folder} --plan PLAN)")
        return 0

    def _report(self, plan: Plan) -> int:
        """The final report, of what is on the disk."""
        from canscope.checking.inputs import inputs_of
        from canscope.checking.judging import judge_files
        from canscope.checking.numbered import write_numbered
        from canscope.cli._summary import print_summary
        from canscope.cli.check import EXIT
        from canscope.live.run_folder.earlier_runs import shown_by

        folder = self._config.folder
        report = judge_files(inputs_of([str(folder)], None))
        if self._watch.latest is not None and not self._watch.broken:
            turned_s = self._watch.latest.turning_time.totals_s()
            self._session.folder.add_shown(shown_by(plan, turned_s, report))
        report, written = write_numbered(report, folder / "reports", "report")
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

    def _failure(self) -> str:
        """Why the recorder stopped; empty while it runs and if it ended as it should."""
        if self._session.running or self._session.ended_well:
            return ""
        return self._session.reason or "it gave no reason"

    def _unseen(self, typed: bool) -> bool:
        """A recorder that stopped by itself stays on the screen until a person has seen it."""
        seen = all(alarm.acknowledged for alarm in self._watch.alarms if alarm.rule == "recorder")
        return typed and not self._screen.lost and bool(self._failure()) and not seen

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
            words = (action.axle, action.seen, action.text, action.asked)
            self._write(
                lambda: self._watch.mark(lambda ns: self._session.mark(*words, not_before_ns=ns))
            )
        elif action.kind == "look":
            self._looked_ns = self._session.now_ns()
        elif action.reading is not None:
            row = asdict(action.reading)
            self._write(lambda: self._session.note({"time_ns": self._looked_ns, **row}))

    def _write(self, write: Callable[[], None]) -> None:
        """Write down what a person saw or read; a full disk ends nothing."""
        try:
            write()
        except OSError as error:
            text = f"a mark could not be written: {error.strerror or error}"
            self._watch.alarm("marks", "", False, text)

    def _show(self, picture: Any, keys: Keys) -> None:
        failure = self._failure()
        if self._session.quiet:
            failure = "its process says nothing any more (suspended?)"
        self._look_at_myself()
        glance, status = self._watch.glance(failure), self._session.status
        standing = [alarm for alarm in glance.alarms if not alarm.acknowledged]
        if standing:
            self._ring("stop" if any(alarm.stops for alarm in standing) else "warn")
        self._word, self._shown_s = glance.word, time.monotonic()
        self._watchdog.tell(glance.word)
        if picture is None:
            self._lines.print(glance, status, keys.prompt)
        else:
            width, height = picture.console.size
            shown = view(
                glance, status, prompt=keys.prompt, legend=keys.legend, width=width, height=height
            )
            picture.update(shown, refresh=True)

    def _look_at_myself(self) -> None:
        """Raise what the person could not see: this process stood still, or its screen is gone."""
        stood_s = time.monotonic() - self._shown_s
        if stood_s > SILENT_S and self._word in TRUSTED:
            text = f"the watching process stood still for {stood_s:.1f} s: nobody judged meanwhile"
            self._watch.alarm("watch", "", True, text)
        if self._screen.lost and not self._watch.unseen:
            self._watch.unseen = self._screen.lost
            text = f"what it shows cannot be written any more: {self._screen.lost}"
            self._watch.alarm("screen", "", True, text)

    def _ring(self, kind: str) -> None:
        """Tone and bell: a stop every second, a warning every four."""
        if time.monotonic() - self._rung_s < PERIOD_S[kind]:
            return
        self._rung_s = time.monotonic()
        self._watchdog.play(kind)
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
