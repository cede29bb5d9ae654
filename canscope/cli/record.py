"""Record silently into a run folder; with a plan, watch live and raise the alarm."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.cli._options import command
from canscope.model.errors import CanscopeError

if TYPE_CHECKING:
    from canscope.live.run_folder.run_file_schema import EarlierRuns

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
    from canscope.attending.attended_run import AttendedRun
    from canscope.attending.setup import Setup, prepared
    from canscope.cli._record_loop import RecordLoop
    from canscope.cli._streams import keep_streams

    screen = keep_streams()
    for option in ("rotate_mb", "rotate_minutes"):
        if not getattr(args, option) > 0:
            raise CanscopeError(f"--{option.replace('_', '-')}: it has to be above zero")
    setup = Setup(
        args.run,
        tuple(args.bus),
        args.plan,
        args.not_silent,
        {"who": args.who, "note": args.note},
        rotate_bytes=round(args.rotate_mb * 2**20),
        rotate_s=60 * args.rotate_minutes,
    )
    config, plan = prepared(setup)
    if config.earlier is not None:
        _print_earlier(config.earlier)
    attended = AttendedRun(config, plan)
    try:
        loop = RecordLoop(attended, args.seconds, screen)
        loop.run()
        return loop.close()
    finally:
        attended.watchdog.end()


def _print_earlier(earlier: EarlierRuns) -> None:
    """What earlier runs of the vehicle have shown."""
    for name in earlier.uncounted:
        print(f"warning: the run {name} cannot be counted: how long it turned dry is not known")
    if earlier.runs:
        seconds = ", ".join(f"{unit} {s:.1f} s" for unit, s in earlier.turned_dry_s.items())
        runs = f"earlier runs of this vehicle: {', '.join(earlier.runs)}"
        print(f"{runs}; turned dry: {seconds or 'nothing'}")
