"""One run from its start to its report. Who draws it, rings and prints decides nothing here."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from pathlib import Path

from canscope.checking.inputs import inputs_of
from canscope.checking.judging import judge_files
from canscope.checking.numbered import write_numbered
from canscope.live.recording.recorder_config import RecorderConfig
from canscope.live.recording.status import RecorderStatus
from canscope.live.run_folder.earlier_runs import shown_by
from canscope.live.run_folder.folder import RunFolder
from canscope.live.watching.session import Session
from canscope.live.watching.watch import Glance, Watch
from canscope.live.watching.watchdog import SILENT_S, TRUSTED, Watchdog
from canscope.model.errors import CanscopeError, Where
from canscope.model.report import Report
from canscope.plan.plan import Plan

HANGS_S = 30.0  # a judge that comes no further for so long is not waited for
STANDS = "its process says nothing any more (suspended?)"


class AttendedRun:
    """``begin``, then ``glance`` some ten times a second, ``end``, and ``report``.

    Raises CanscopeError if the folder or an adapter cannot be used; then nothing is left behind.
    """

    def __init__(self, config: RecorderConfig, plan: Plan | None) -> None:
        self.config, self.plan = config, plan
        folder = RunFolder(config.folder)
        self.watchdog = Watchdog()
        try:
            # Asked before the recorder starts: nothing looks for libraries while frames come.
            self.no_sound = self.watchdog.silent_why
            self.session = _started(folder, config, plan)
        except BaseException:
            self.watchdog.end()
            raise
        self.watch = Watch(config.folder, plan, status=lambda: self.session.status)
        self._word, self._shown_s = "", time.monotonic()
        self._judging = threading.Thread(
            target=self.watch.follow, args=(lambda: self.session.running,), daemon=True
        )

    def begin(self) -> None:
        """Judge from now on."""
        self._judging.start()

    @property
    def status(self) -> RecorderStatus:
        """The recorder's last report."""
        return self.session.status

    @property
    def failure(self) -> str:
        """Why the recorder stopped; empty while it runs and if it ended as it should."""
        if self.session.running or self.session.ended_well:
            return ""
        return self.session.reason or "it gave no reason"

    def glance(self) -> Glance:
        """What is to be shown now; has to be asked for again and again."""
        stood_s = time.monotonic() - self._shown_s
        if stood_s > SILENT_S and self._word in TRUSTED:
            text = f"the watching process stood still for {stood_s:.1f} s: nobody judged meanwhile"
            self.watch.alarm("watch", "", True, text)
        glance = self.watch.glance(STANDS if self.session.quiet else self.failure)
        self._word, self._shown_s = glance.word, time.monotonic()
        self.watchdog.tell(glance.word)
        return glance

    # -- what a person does -------------------------------------------------------------------

    def mark(self, axle: str | None, seen: str | None, text: str, asked: str | None) -> None:
        """Write down, and judge, what a person saw or set just now."""
        try:
            self.watch.mark(lambda ns: self.session.mark(axle, seen, text, asked, not_before_ns=ns))
        except OSError as error:
            self._unwritten(error)

    def reading(self, time_ns: int, row: Mapping[str, str | float]) -> None:
        """Write down what a person's own instrument said at that time of the run's clock."""
        try:
            self.session.note({"time_ns": time_ns, **row})
        except OSError as error:
            self._unwritten(error)

    def _unwritten(self, error: OSError) -> None:
        """A full disk ends nothing."""
        text = f"a mark could not be written: {error.strerror or error}"
        self.watch.alarm("marks", "", False, text)

    # -- its end ------------------------------------------------------------------------------

    def end(self, reason: str) -> None:
        """Let the recorder end where it still runs, and judge the rest of what it wrote."""
        self.watchdog.tell("ENDING")
        if self.session.running:
            self.session.stop(reason)
        self.session.wait()
        self._await_judge()
        self.watch.glance(self.failure)

    def report(self) -> tuple[Report, list[Path]] | None:
        """Complete the folder, judge what is on the disk, write numbered reports; None: no plan.

        Raises CanscopeError if the folder cannot be completed.
        """
        watch = self.watch
        try:
            summary = watch.summary() if self.plan is not None or watch.unseen else None
            self.session.finish(summary)
            return None if self.plan is None else self._judged(self.plan)
        except OSError as error:
            raise _unfinished(self.config.folder, error) from error
        finally:
            self.session.folder.release()

    def _judged(self, plan: Plan) -> tuple[Report, list[Path]]:
        folder, watch = self.config.folder, self.watch
        report = judge_files(inputs_of([str(folder)], None))
        if watch.latest is not None and not watch.broken:
            turned_s = watch.latest.turning_time.totals_s()
            self.session.folder.add_shown(shown_by(plan, turned_s, report))
        return write_numbered(report, folder / "reports", "report")

    def _await_judge(self) -> None:
        """Let the judge come to the end of what was recorded, unless it comes no further at all."""
        while self._judging.is_alive():
            before_ns = self.watch.judged_ns
            self._judging.join(HANGS_S)
            if self._judging.is_alive() and self.watch.judged_ns == before_ns:
                self.watch.broken = f"the judge stood still for {HANGS_S:g} s at the end"
                self.watch.alarm("judge", "", True, self.watch.broken)
                return


def _started(folder: RunFolder, config: RecorderConfig, plan: Plan | None) -> Session:
    """The recorder, running; where it refuses, nothing is left behind."""
    try:
        return Session(folder, config, plan)
    except CanscopeError:
        folder.abandon()
        raise


def _unfinished(folder: Path, error: OSError) -> CanscopeError:
    """The run folder cannot be completed: it is gone, or its disk is full."""
    if not folder.is_dir():
        what = "the run folder was removed or renamed while the run was recorded"
        hint = "look for it under its new name; what is in it can be judged with --plan"
        return CanscopeError(what, where=Where(str(folder)), hint=hint)
    what = f"the run folder cannot be completed: {error.strerror or error}"
    hint = f"make room, then judge what was recorded: canscope check {folder}"
    return CanscopeError(what, where=Where(str(folder)), hint=hint)
