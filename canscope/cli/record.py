"""Record silently into a run folder; with a plan, watch live and raise the alarm."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.cli._options import command
from canscope.model.errors import CanscopeError

if TYPE_CHECKING:
    from canscope.live.adapters.address import Address
    from canscope.live.recording.recorder_config import RecorderConfig
    from canscope.live.run_folder.folder import RunFolder
    from canscope.live.run_folder.run_file_schema import EarlierRuns
    from canscope.live.watching.session import Session
    from canscope.plan.plan import Plan

EXAMPLE = "canscope record runs/0007 --plan bench.toml --bus can0=socketcan:can0"


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = command(subparsers, "record", __doc__, EXAMPLE)
    parser.add_argument("run", type=Path, metavar="RUN", help="a new folder for this run")
    parser.add_argument(
        "--bus",
        action="append",
        required=True,
        metavar="NAME=KIND:ADDRESS",
        help="the adapter of the bus of that name, once for each: can0=socketcan:can0, "
        "can1=slcan:/dev/ttyACM0@500000, any python-can interface, or '*=replay:FILE@SPEED'",
    )
    parser.add_argument("--plan", type=Path, help="the bench plan to judge by while recording")
    parser.add_argument(
        "--not-silent",
        default="",
        metavar="REASON",
        help="sign for recording through an adapter that is not known to listen only",
    )
    parser.add_argument(
        "--for", type=float, dest="seconds", metavar="SECONDS", help="end after so many seconds"
    )
    parser.add_argument("--who", default="", help="who records, for the run's papers")
    parser.add_argument("--note", default="", help="free text for the run's papers")
    parser.add_argument(
        "--rotate-mb",
        type=float,
        default=256.0,
        help="begin a new capture file at this size (default: 256)",
    )
    parser.add_argument(
        "--rotate-minutes",
        type=float,
        default=60.0,
        help="and when the last one is so old (default: 60)",
    )


def run(args: argparse.Namespace) -> int:
    """Record until told to stop; then the report. 2 if the recorder did not end in order."""
    from canscope.cli._record_loop import RecordLoop
    from canscope.cli._streams import keep_streams
    from canscope.live.adapters.kinds import stamp_uncertainty_ms
    from canscope.live.recording.recorder_config import RecorderConfig
    from canscope.live.run_folder.earlier_runs import as_recorded
    from canscope.live.run_folder.folder import RunFolder
    from canscope.live.run_folder.run_file_schema import RunClock, RunFile
    from canscope.live.watching.watch import Watch
    from canscope.live.watching.watchdog import Watchdog
    from canscope.plan.load import read_plan

    screen = keep_streams()
    plan = read_plan(args.plan) if args.plan else None
    addresses = _addresses(args.bus, plan)
    for option in ("rotate_mb", "rotate_minutes"):
        if not getattr(args, option) > 0:
            raise CanscopeError(f"--{option.replace('_', '-')}: it has to be above zero")
    earlier = None
    if plan is not None:
        earlier = _earlier_runs(args.run, plan.bench.vehicle)
        clock = RunClock(uncertainty_ms=stamp_uncertainty_ms(addresses))
        plan = as_recorded(plan, RunFile(earlier=earlier, clock=clock))
    folder = RunFolder(args.run)
    config = RecorderConfig(
        folder=args.run,
        addresses=addresses,
        not_silent=args.not_silent,
        rotate_bytes=round(args.rotate_mb * 2**20),
        rotate_s=60 * args.rotate_minutes,
        about={key: text for key, text in (("who", args.who), ("note", args.note)) if text},
        earlier=earlier,
    )
    watchdog = Watchdog()
    try:
        # Asked before the recorder starts: nothing looks for libraries while frames come.
        no_sound = watchdog.silent_why
        session = _started(folder, config, plan)
        watch = Watch(args.run, plan, status=lambda: session.status)
        loop = RecordLoop(config, args.seconds, plan, session, watch, watchdog, screen)
        loop.run(no_sound)
        return loop.close()
    finally:
        watchdog.end()


def _started(folder: RunFolder, config: RecorderConfig, plan: Plan | None) -> Session:
    """The recorder, running; where it refuses, nothing is left behind."""
    from canscope.live.watching.session import Session

    try:
        return Session(folder, config, plan)
    except CanscopeError:
        folder.abandon()
        raise


def _earlier_runs(folder: Path, vehicle: str) -> EarlierRuns:
    """What earlier runs of the vehicle have shown; it is printed as well."""
    from canscope.live.run_folder.earlier_runs import earlier_runs_of

    earlier = earlier_runs_of(folder, vehicle)
    for name in earlier.uncounted:
        print(f"warning: the run {name} cannot be counted: how long it turned dry is not known")
    if earlier.runs:
        seconds = ", ".join(f"{unit} {s:.1f} s" for unit, s in earlier.turned_dry_s.items())
        runs = f"earlier runs of this vehicle: {', '.join(earlier.runs)}"
        print(f"{runs}; turned dry: {seconds or 'nothing'}")
    return earlier


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
