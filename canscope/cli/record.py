"""Record silently into a run folder; with a plan, watch live and raise the alarm."""

from __future__ import annotations

import argparse
import os
import signal
import sys
import threading
import time
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.model.errors import CanscopeError, Where

if TYPE_CHECKING:
    from canscope.live.adapters.address import Address
    from canscope.live.watching.session import Session
    from canscope.live.watching.watch import Watch
    from canscope.plan.plan import Plan

LOW_DISK_BYTES = 1 << 30
LOOK_S = 0.1  # between two looks at everything
TELL_S = 5.0  # between two plain lines where nothing happens
CAUTION = (
    "canscope only listens and cannot stop a motor: keep a hand on the emergency stop. "
    "No value on the bus proves a circuit dead."
)


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = subparsers.add_parser("record", help=__doc__, description=__doc__)
    parser.add_argument("run", type=Path, metavar="RUN", help="a new folder for this run")
    parser.add_argument(
        "--bus",
        action="append",
        required=True,
        metavar="NAME=KIND:ADDRESS",
        help="can0=socketcan:can0, can1=slcan:/dev/ttyACM0@500000, any python-can interface, "
        "or '*=replay:FILE@SPEED'; once for each bus",
    )
    parser.add_argument("--plan", type=Path, help="the bench plan to judge by while recording")
    parser.add_argument(
        "--not-silent",
        default="",
        metavar="REASON",
        help="sign for recording through an adapter that is not known to listen only",
    )
    parser.add_argument("--for", type=float, dest="seconds", help="end after so many seconds")
    parser.add_argument("--who", default="", help="who records, for the run's papers")
    parser.add_argument("--note", default="", help="free text for the run's papers")
    parser.add_argument(
        "--rotate-mb", type=float, default=256.0, help="begin a new capture file at this size"
    )
    parser.add_argument(
        "--rotate-minutes", type=float, default=60.0, help="and when the last one is so old"
    )


def run(args: argparse.Namespace) -> int:
    """Record until told to stop; then the report. 2 if the recorder did not end in order."""
    from canscope.live.adapters.adapter import stamp_uncertainty_ms
    from canscope.live.recording.recorder_config import Orders
    from canscope.live.run_folder.earlier_runs import as_recorded
    from canscope.live.run_folder.folder import RunFolder
    from canscope.live.watching.session import Session
    from canscope.live.watching.watch import Watch
    from canscope.plan.load import read_plan

    plan = read_plan(args.plan) if args.plan else None
    addresses = _addresses(args.bus, plan)
    for option in ("rotate_mb", "rotate_minutes"):
        if not getattr(args, option) > 0:
            raise CanscopeError(f"--{option.replace('_', '-')}: it has to be above zero")
    earlier = _earlier(args.run, plan)
    if plan is not None:
        clock = {"uncertainty_ms": stamp_uncertainty_ms(addresses)}
        plan = as_recorded(plan, {"earlier": earlier, "clock": clock})
    folder = RunFolder(args.run)
    about = {key: text for key, text in (("who", args.who), ("note", args.note)) if text}
    orders = Orders(
        args.run,
        addresses,
        args.not_silent,
        round(args.rotate_mb * 2**20),
        LOW_DISK_BYTES,
        60 * args.rotate_minutes,
        about,
        earlier,
    )
    try:
        session = Session(folder, orders, plan)
    except CanscopeError:
        folder.abandon()
        raise
    watch = Watch(args.run, plan, status=lambda: session.status)
    recorded = _Recorded(args, plan, session, watch)
    recorded.go()
    return recorded.close()


def _earlier(folder: Path, plan: Plan | None) -> dict[str, Any] | None:
    """What earlier runs of the plan's vehicle have shown, told as run.toml keeps it."""
    if plan is None:
        return None
    from canscope.live.run_folder.earlier_runs import earlier_of

    earlier = earlier_of(folder, plan.bench.vehicle)
    for name in earlier.uncounted:
        print(f"warning: the run {name} cannot be counted: how long it turned dry is not known")
    if earlier.runs:
        seconds = ", ".join(f"{unit} {s:.1f} s" for unit, s in earlier.turned_dry_s.items())
        told = f"earlier runs of this vehicle: {', '.join(earlier.runs)}"
        print(f"{told}; turned dry: {seconds or 'nothing'}")
    return earlier.facts()


def _addresses(texts: list[str], plan: Plan | None) -> tuple[Address, ...]:
    """The buses to record, with the plan's bit rates where none is given."""
    from canscope.live.adapters.address import parse_address

    rates = plan.bench.bitrates if plan else {}
    addresses = tuple(
        replace(a, bitrate=a.bitrate or rates.get(a.name)) for a in map(parse_address, texts)
    )
    names = [address.name for address in addresses]
    for name in names:
        if names.count(name) > 1:
            raise CanscopeError(
                f"--bus: {name} is given twice", hint="each bus has a name of its own"
            )
    return addresses


class _Recorded:
    """One run from its start to its report."""

    def __init__(
        self, args: argparse.Namespace, plan: Plan | None, session: Session, watch: Watch
    ) -> None:
        self._args, self._plan, self._session, self._watch = args, plan, session, watch
        self._stop_reason = ""
        self._told_alarms = self._told_events = 0
        self._told_word, self._told_s = "", 0.0
        self._told_buses: set[str] = set()
        self._rung_s = 0.0
        self._judging = threading.Thread(
            target=watch.follow, args=(lambda: session.running,), daemon=True
        )

    def go(self) -> None:
        """Record until something or somebody ends it."""
        from canscope.cli._keys import Keys, next_key, pressed
        from canscope.live.watching.sound import Sound

        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, self._signalled)
        sound = Sound()
        self._greet(sound.why_not)
        self._judging.start()
        keys = Keys([unit.name for unit in self._plan.bench.units] if self._plan else [])
        end_s = time.monotonic() + (self._args.seconds or float("inf"))
        with pressed() as typed, self._live(typed) as live:
            self._watch.heard = not typed
            if typed:
                self._ring(sound, "stop")
            while not self._stop_reason and (self._session.running or self._unseen(typed)):
                for key in next_key(LOOK_S) if typed else self._pause():
                    self._act(keys.press(key))
                if time.monotonic() >= end_s:
                    self._stop_reason = f"the {self._args.seconds:g} s asked for are over"
                self._show(live, keys, sound)

    def close(self) -> int:
        """End the recording, complete the folder, write and print the report."""
        session, watch = self._session, self._watch
        if session.running:
            session.stop(self._stop_reason or "told to stop")
        session.wait()
        self._judging.join()
        watch.glance(self._badly_ended())
        self._tell_alarms()
        session.finish(watch.facts() if self._plan is not None else None)
        ended = session.reason
        print(f"recording ended: {ended}")
        bad = bool(self._badly_ended())
        code = self._report()
        session.folder.release()
        return 2 if bad else code

    def _report(self) -> int:
        """The final report, of what is on the disk."""
        folder = self._args.run
        if self._plan is None:
            print(f"written: {folder} (judge it with: canscope check {folder} --plan PLAN)")
            return 0
        from canscope.cli._summary import print_summary
        from canscope.cli.check import EXIT, inputs_of, judge_files, write_numbered
        from canscope.live.run_folder.earlier_runs import SHOWN, shown

        report = judge_files(inputs_of([str(folder)], None))
        if self._watch.latest is not None and not self._watch.broken:
            turned_s = self._watch.latest.turned.seconds()
            self._session.folder.add({SHOWN: shown(self._plan, turned_s, report)})
        report, written = write_numbered(report, folder / "reports", "report")
        print_summary(report)
        for path in written:
            print(f"written: {path}")
        return EXIT[report.verdict]

    # -- while it runs ------------------------------------------------------------------------

    def _signalled(self, number: int, frame: Any) -> None:
        self._stop_reason = self._stop_reason or f"told to end by {signal.Signals(number).name}"

    def _badly_ended(self) -> str:
        """Why the recorder stopped, unless it runs or ended in order."""
        if self._session.running or self._session.status.get("end", {}).get("in_order"):
            return ""
        return self._session.reason or "it gave no reason"

    def _unseen(self, typed: bool) -> bool:
        """A recorder that stopped by itself stays on the screen until a person has seen it."""
        seen = all(alarm.acknowledged for alarm in self._watch.alarms if alarm.rule == "recorder")
        return typed and bool(self._badly_ended()) and not seen

    def _pause(self) -> str:
        time.sleep(LOOK_S)
        return ""

    def _act(self, action: Any) -> None:
        if action is None:
            return
        if action.kind == "acknowledge":
            self._watch.acknowledge()
        elif action.kind == "heard":
            self._watch.heard = True
        elif action.kind == "stop":
            self._stop_reason = "ended by a key"
        elif action.kind == "mark":
            words = (action.axle, action.seen, action.text)
            self._watch.mark(lambda ns: self._session.mark(*words, not_before_ns=ns))

    def _live(self, typed: bool) -> Any:
        if not (typed and sys.stdout.isatty()):
            return nullcontext(None)
        from rich.live import Live

        return Live(auto_refresh=False, transient=True)

    def _show(self, live: Any, keys: Any, sound: Any) -> None:
        ended = self._badly_ended()
        if self._session.quiet:
            ended = "its process says nothing any more (suspended?)"
        glance = self._watch.glance(ended)
        standing = [alarm for alarm in glance.alarms if not alarm.acknowledged]
        if standing:
            self._ring(sound, "stop" if any(alarm.stops for alarm in standing) else "warn")
        if live is None:
            self._tell(glance)
            return
        from canscope.cli._live_view import view

        status = self._session.status
        live.update(view(glance, status, prompt=keys.prompt, legend=keys.legend), refresh=True)

    def _ring(self, sound: Any, kind: str) -> None:
        """Tone and bell: a stop every second, a warning every four."""
        from canscope.live.watching.sound import PERIOD_S

        if time.monotonic() - self._rung_s < PERIOD_S[kind]:
            return
        self._rung_s = time.monotonic()
        sound.play(kind)
        for number in (1, 2):  # past the picture, which would swallow it
            if os.isatty(number):
                os.write(number, b"\a\a\a" if kind == "stop" else b"\a")
                return

    def _greet(self, no_sound: str) -> None:
        from canscope.cli._live_view import ARMED, bus_cells

        print(CAUTION)
        print(f"{ARMED}; q twice or Ctrl-C ends it")
        for name, bus in self._session.status["buses"].items():
            print(f"{bus['address']}: {bus['found']}; {bus['silent_how']}")
            print("  " + ", ".join(bus_cells(name, bus, None, None)[1:3]))
        if self._plan is not None:
            heard = {address.partition("=")[0] for address in self._args.bus}
            if "*" not in heard and not any(a.startswith("replay:") for a in self._args.bus):
                for name in sorted({b.signal.channel for b in self._plan.bench.bindings.values()}):
                    if name not in heard:
                        print(f"warning: the plan binds signals of {name}, which is not recorded")
        _say_disk(self._args.run)
        if no_sound:
            print(f"there is no sound but the terminal's bell: {no_sound}")

    def _tell(self, glance: Any) -> None:
        """Plain lines: what changed, and a sign of life."""
        self._tell_alarms()
        self._tell_buses()
        now = time.monotonic()
        if glance.word != self._told_word or now - self._told_s > TELL_S:
            self._told_word, self._told_s = glance.word, now
            status = self._session.status
            frames = sum(bus["frames"] for bus in status["buses"].values())
            why = f": {'; '.join(glance.why[:3])}" if glance.why else ""
            print(f"{glance.word}{why} ({frames} frames)", flush=True)

    def _tell_buses(self) -> None:
        """Each adapter's check, once it has given frames for a while."""
        from canscope.cli._live_view import adapter_check

        status = self._session.status
        for name, per_s in status.get("per_s", {}).items():
            if per_s and name not in self._told_buses and name in status["buses"]:
                self._told_buses.add(name)
                print(adapter_check(name, status["buses"][name], per_s), flush=True)

    def _tell_alarms(self) -> None:
        alarms = self._watch.alarms
        for alarm in alarms[self._told_alarms :]:
            word = "STOP" if alarm.stops else "WARNING"
            print(f"{word} {alarm.rule}: {alarm.text}", flush=True)
        self._told_alarms = len(alarms)


def _say_disk(folder: Path) -> None:
    import shutil

    free = shutil.disk_usage(folder).free
    if free < LOW_DISK_BYTES:
        print(f"warning: {Where(str(folder))}: the disk is low: {free / 1e6:.0f} MB are free")
