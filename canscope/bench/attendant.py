"""A run in a process of its own, which the page's server may leave and find again.

``python -m canscope.bench.attendant FD`` reads the run that is asked for as one JSON line, answers
on the file descriptor FD with ``{"refused": ...}`` or ``{"socket": ...}``, and attends the run
until it has ended and its report is written. On the socket, which only this user can open, every
connection brings one JSON line and gets one back:

- ``{"after": N, "step": S, "sound": true}``: the state that follows number N, as soon as there is
  one, with the curves from step S on; ``sound`` says whether the page that asks can be heard;
- ``{"do": "acknowledge"}``, ``heard``, ``mark``, ``look``, ``reading``, ``tick``, ``end``;
  and ``leave``, where the run is over and another one is to start.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import socketserver
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

from canscope.attending.attended_run import AttendedRun
from canscope.attending.hand_readings import readable
from canscope.attending.setup import Setup, prepared
from canscope.bench.state import about, state_of
from canscope.live.plain_data import read_as
from canscope.live.watching.sound import PERIOD_S
from canscope.model.errors import CanscopeError
from canscope.model.report import Report

LOOK_S = 0.08  # between two states
UNSEEN_S = 5.0  # without a page that asks, nobody sees what is said here
HEARD_S = 2.5  # a page that asked so recently, and can be heard, rings itself
LONGEST_WAIT_S = 1.0  # that a page is kept waiting for the next state
STAYS_S = 600.0  # after the report, for a page to fetch the result
TICKS_FILE = "card-ticks.jsonl"
LONGEST = 1 << 16  # bytes of a line
WAYS, ASKS = ("forward", "reverse", "still"), ("forward", "reverse", "neutral")


class Attendant:
    """The run and what the page knows of it."""

    def __init__(self, run: AttendedRun, ticks: dict[str, bool], *, heard: bool) -> None:
        self._run, self._confirmed = run, heard  # whether a person said that the test was heard
        self._about = about(run)
        self._readable = readable(run.plan.bench) if run.plan else {}
        self._fresh = threading.Condition()
        self._number, self._state = 0, b"{}"
        self._asked: str | None = None
        self._ticks = dict(ticks)
        self._notes: list[dict[str, Any]] = []  # marks of this run, for the page to show
        self._end_reason = ""
        self._over = False  # the report is written, and waits for a page
        self._seen_s = self._sounded_s = time.monotonic()
        self._rung_s = 0.0
        self.left = threading.Event()  # the result need not be kept any longer

    # -- the main thread ----------------------------------------------------------------------

    def attend(self) -> None:
        """Until a person, the recorder or a signal ends the run."""
        for number in (signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, self._on_signal)
        run, next_s = self._run, time.monotonic()
        run.begin()
        while not self._end_reason and (run.session.running or self._unseen()):
            self._look()
            next_s = max(next_s + LOOK_S, time.monotonic())
            time.sleep(max(0.0, next_s - time.monotonic()))

    def conclude(self) -> None:
        """End it, and write its report."""
        self._publish({"word": "ENDING", "order": "The report is being written", "phase": "ending"})
        run, result = self._run, dict[str, Any]()
        run.end(self._end_reason or "told to stop")
        try:
            found = run.report()
        except CanscopeError as error:
            result["mistake"] = str(error)
        else:
            if found is not None:
                result |= _told(*found, run.config.folder)
        if run.failure:
            result["mistake"] = f"RECORDER STOPPED: {run.failure}"
        reason = run.session.reason
        self._publish(
            {
                "word": "ENDED",
                "order": reason[:1].upper() + reason[1:],
                "phase": "over",
                "result": result,
            }
        )
        self._over = True

    def _look(self) -> None:
        now_s = time.monotonic()
        if now_s - self._seen_s > UNSEEN_S:
            text = f"no page has shown this run for {now_s - self._seen_s:.0f} s"
            self._run.watch.alarm(
                "page", "", True, text, short="for a while no page showed this run"
            )
        sounds = self._sounds(now_s)
        # Heard once is not enough: a page that was opened anew is silent until it is touched.
        self._run.watch.heard = self._confirmed and (sounds or not self._run.no_sound)
        state = state_of(self._run, self._run.glance(), self._asked, confirmed=self._confirmed)
        if not sounds:
            self._ring(state["rings"])
        self._publish({**state, "phase": "running"})

    def _sounds(self, now_s: float) -> bool:
        return now_s - self._sounded_s < HEARD_S

    def _ring(self, kind: str) -> None:
        """No page can be heard: this computer's own loudspeaker, if it has one."""
        if kind and time.monotonic() - self._rung_s >= PERIOD_S[kind]:
            self._rung_s = time.monotonic()
            self._run.watchdog.play(kind)

    def _publish(self, state: dict[str, Any]) -> None:
        whole = {
            **self._about,
            "run": self._run.config.folder.name,
            **state,
            "ticks": self._ticks,
            "marks": self._notes[-8:],
            "hand": self._readable,
        }
        text = json.dumps(whole, separators=(",", ":"), ensure_ascii=False)
        with self._fresh:
            self._number += 1
            self._state = text.encode("utf-8", "backslashreplace")
            self._fresh.notify_all()

    def _unseen(self) -> bool:
        """A recorder that stopped by itself stays on the page until a person has seen it."""
        alarms = self._run.watch.alarms
        seen = all(alarm.acknowledged for alarm in alarms if alarm.rule == "recorder")
        return bool(self._run.failure) and not seen

    def _on_signal(self, number: int, frame: Any) -> None:
        self._end_reason = self._end_reason or f"told to end by {signal.Signals(number).name}"
        if self._over:
            sys.exit(0)

    # -- what a page asks and does ------------------------------------------------------------

    def answer(self, asked: dict[str, Any]) -> bytes:
        """One line for one line."""
        if "do" in asked:
            try:
                said = self._do(asked)
            except CanscopeError as error:
                return json.dumps({"error": str(error)}).encode()
            return json.dumps(said).encode()
        after, step = asked.get("after", 0), asked.get("step", 0)
        self._seen_s = time.monotonic()
        if asked.get("sound"):
            self._sounded_s = self._seen_s
        with self._fresh:
            self._fresh.wait_for(lambda: self._number != after, LONGEST_WAIT_S)
            number, state = self._number, self._state
        self._seen_s = time.monotonic()
        curves = json.dumps(self._run.watch.traces(int(step)), separators=(",", ":"))
        return b'{"number":%d,"curves":%s,"state":%s}' % (number, curves.encode(), state)

    def _do(self, asked: dict[str, Any]) -> dict[str, Any]:
        """What a person does. Raises CanscopeError where it makes no sense."""
        what, run = asked["do"], self._run
        if what == "acknowledge":
            run.watch.acknowledge()
        elif what == "heard":
            self._confirmed = True
        elif what == "mark":
            self._mark(asked)
        elif what == "look":
            return {"time_ns": str(run.session.now_ns())}  # more digits than a script's numbers
        elif what == "reading":
            self._reading(asked)
        elif what == "tick":
            self._tick(str(asked.get("task", "")), bool(asked.get("done")))
        elif what == "end":
            self._end_reason = "ended at the page"
        elif what == "leave":
            self.left.set()
        else:
            raise CanscopeError(f"nobody knows how to {what}")
        return {"done": what}

    def _mark(self, asked: dict[str, Any]) -> None:
        axle, seen, way = (asked.get(key) or None for key in ("axle", "seen", "asked"))
        text = str(asked.get("text") or "").strip()
        if (axle is not None and axle not in self._about["axles"]) or (seen and not axle):
            raise CanscopeError("a mark of what was seen names one of the vehicle's axles")
        if seen not in (None, *WAYS) or way not in (None, *ASKS) or not (seen or way or text):
            raise CanscopeError("a mark says what was seen, what was asked for, or a text")
        self._run.mark(axle, seen, text, way)
        self._asked = way or self._asked
        words = f"{axle} wheel seen: {seen}" if seen else f"asked for: {way}" if way else text
        self._note(words)

    def _reading(self, asked: dict[str, Any]) -> None:
        role = asked.get("role")
        if role not in self._readable:
            raise CanscopeError("that cannot be read by hand on this vehicle")
        try:
            value, apart = float(asked["value"]), float(asked["uncertainty"])
            time_ns = int(asked["time_ns"])
        except (KeyError, TypeError, ValueError) as error:
            hint = "as 357.9, and how far the instrument may be off, as 0.5"
            raise CanscopeError("a reading needs two numbers", hint=hint) from error
        by, instrument = (str(asked.get(key) or "").strip() for key in ("by", "instrument"))
        if not (apart > 0 and abs(value) <= 1e12 and by and instrument):
            raise CanscopeError("a reading needs the instrument, its uncertainty, and who read it")
        row: dict[str, str | float] = {"role": role, "value": value, "unit": self._readable[role]}
        row |= {"uncertainty": apart, "instrument": instrument, "by": by}
        self._run.reading(time_ns, row)
        self._note(f"{role} {value:g} {row['unit']}, {instrument}")

    def _tick(self, task: str, done: bool) -> None:
        """A step of the card, with the time at which somebody ticked it."""
        self._ticks[task] = done
        row = {"time_ns": self._run.session.now_ns(), "task": task, "done": done}
        with (
            suppress(OSError),
            open(self._run.config.folder / TICKS_FILE, "a", -1, "utf-8") as file,
        ):
            file.write(json.dumps(row, ensure_ascii=False) + "\n")

    def _note(self, text: str) -> None:
        status = self._run.status
        after_s = (self._run.session.now_ns() - status.recording_ns) / 1e9
        if status.replays:
            after_s = 0.0
        self._notes.append({"after_s": round(max(0.0, after_s), 1), "text": text})


def _told(report: Report, written: list[Path], folder: Path) -> dict[str, Any]:
    pages = [path for path in written if path.suffix == ".html"]
    return {
        "verdict": report.verdict,
        "headline": report.headline,
        "report": pages[0].relative_to(folder).as_posix() if pages else "",
    }


class Desk(socketserver.ThreadingUnixStreamServer):
    """The socket on which pages ask; one thread for each that waits."""

    daemon_threads = True
    request_queue_size = 64

    def __init__(self, path: str, attendant: Attendant) -> None:
        self.attendant = attendant
        super().__init__(path, _Visitor)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A page that went away while it waited is no error."""
        if not isinstance(sys.exception(), OSError):
            super().handle_error(request, client_address)


class _Visitor(socketserver.StreamRequestHandler):
    server: Desk

    def handle(self) -> None:
        line = self.rfile.readline(LONGEST)
        with suppress(ValueError, RecursionError):
            asked = json.loads(line)
            if isinstance(asked, dict):
                self.wfile.write(self.server.attendant.answer(asked) + b"\n")


def main() -> int:
    """Attend one run; 0, or 2 if it could not be started."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # meant for the server at the terminal
    wanted = json.loads(sys.stdin.readline())
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    setup: Setup = read_as(Setup, wanted["setup"])
    with os.fdopen(int(sys.argv[1]), "w") as reply:
        try:
            run = AttendedRun(*prepared(setup))
        except CanscopeError as error:
            reply.write(json.dumps({"refused": str(error)}) + "\n")
            return 2
        heard = wanted.get("heard") is True
        attendant = Attendant(run, wanted.get("ticks", {}), heard=heard)
        place = tempfile.mkdtemp(prefix="canscope-")  # only this user can look into it
        desk = Desk(os.path.join(place, "desk"), attendant)
        reply.write(json.dumps({"socket": desk.server_address}) + "\n")
    try:
        threading.Thread(target=desk.serve_forever, daemon=True).start()
        attendant.attend()
        attendant.conclude()
        attendant.left.wait(STAYS_S)
    finally:
        run.watchdog.end()
        shutil.rmtree(place, ignore_errors=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
