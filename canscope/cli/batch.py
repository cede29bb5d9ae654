"""Judge many captures or run folders at once, and put their results into tables and a page.

Each run gets the findings that canscope check gives it alone. A run folder brings its own plan,
marks and clock; --plan overrides the plan. A run that cannot be judged is named with its reason
and never stops the rest. Given again, the same command goes on where it stopped: what was judged
with the same files, plan and canscope is not judged again.

Workers read captures and write results by their paths, so they run on this machine or share its
files. By default they are processes that listen on 127.0.0.1 only.

Exit codes: 1 a run failed, else 2 a run could not be judged, else 3 a run is unproven, 0 all pass.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope import __version__
from canscope.cli._options import add_columns, add_format, command
from canscope.model.errors import CanscopeError, Where
from canscope.model.report import ReadAs

if TYPE_CHECKING:
    from canscope.batch.task import Terms
    from canscope.model.batch import Batch, BatchRun

EXAMPLE = "canscope batch runs --plan bench.toml --workers 4 --to results"
EXIT = {"pass": 0, "fail": 1, "not judged": 2, "unproven": 3}
INDEX = "index"
MOST = 20  # runs of a kind that are listed on the terminal


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = command(subparsers, "batch", __doc__, EXAMPLE)
    parser.add_argument(
        "targets",
        nargs="+",
        metavar="FOLDER|PATTERN",
        help="a folder, searched down to its last one, for run folders (run.toml, or plan.toml "
        "beside captures) and for captures, each of which is a run; or a pattern in quotes, as "
        "'runs/*/spin*.log'",
    )
    parser.add_argument("--plan", type=Path, help="the bench plan (TOML); a run folder has its own")
    parser.add_argument(
        "--to",
        type=Path,
        default=Path("canscope-batch"),
        metavar="OUT",
        help="folder for the results (default: canscope-batch): index.html, index.json, "
        "runs.parquet, findings.parquet, bursts.parquet, values.parquet",
    )
    parser.add_argument(
        "--report",
        action="append",
        default=[],
        metavar="KIND",
        help="a kind of full report to write of each run as well: html (5 MB each), json, junit",
    )
    parser.add_argument(
        "--workers",
        type=int,
        metavar="N",
        help="processes that judge, each with up to 300 MB (default: as many as processors)",
    )
    parser.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="use the workers of this Dask scheduler, as tcp://127.0.0.1:8786; start them with "
        "dask worker ADDRESS --nthreads 1",
    )
    add_format(parser)
    add_columns(parser)
    parser.add_argument("--quiet", action="store_true", help="print only the headline")


def run(args: argparse.Namespace) -> int:
    """Judge all runs, write the results, print what came of them."""
    from canscope.batch.find import find_runs
    from canscope.batch.tables import NAMES, write_tables
    from canscope.model.batch import Batch
    from canscope.report import batch_page
    from canscope.report.write import write_sealed

    if args.workers is not None and (args.workers < 1 or args.scheduler):
        hint = "give --workers 1 or more; an existing scheduler has workers of its own"
        raise CanscopeError(f"--workers {args.workers} cannot be used here", hint=hint)
    terms = _terms(args)
    names, left_out = find_runs(args.targets, args.plan, args.to)
    _prepare(args.to, [f"{INDEX}.html", f"{INDEX}.json", *(f"{name}.parquet" for name in NAMES)])
    runs = _judge(names, terms, args)
    written, rules = write_tables(runs, args.to)
    batch = Batch(
        runs=tuple(runs),
        rules=tuple(rules),
        left_out=tuple(left_out),
        plan=str(args.plan or ""),
        read_as=terms.read_as,
        version=__version__,
        written_at=f"{datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC",
    )
    parts = {"json": [batch_page.data(batch).encode("utf-8", "backslashreplace")]}
    parts["html"] = batch_page.page(batch)
    for suffix, part in parts.items():
        written.insert(0, write_sealed(args.to / f"{INDEX}.{suffix}", part, replace=True))
    _print(batch, written, quiet=args.quiet)
    return EXIT[batch.worst]


def _terms(args: argparse.Namespace) -> Terms:
    """How the runs are to be judged; a plan for all of them that cannot be used is refused now."""
    from canscope.batch.task import Terms, this_canscope
    from canscope.cli.check import columns_of
    from canscope.plan.load import read_plan
    from canscope.report import RENDERERS

    for kind in args.report:
        RENDERERS.file(kind)
    if args.plan is not None:
        read_plan(args.plan)
    return Terms(
        plan=args.plan.absolute() if args.plan else None,
        out=args.to.absolute(),
        kinds=tuple(dict.fromkeys(args.report)),
        read_as=ReadAs(args.format, tuple(args.channel or ()), {}, columns_of(args.columns)),
        canscope=this_canscope(),
    )


def _prepare(out: Path, own: Sequence[str]) -> None:
    """Make the folder for results, and take away what an earlier batch said of all its runs.

    Raises CanscopeError if it holds other things, or cannot be used.
    """
    from canscope.batch.task import JUDGED, REPORTS

    try:
        if out.is_dir() and not (out / JUDGED).is_dir() and any(out.iterdir()):
            hint = "name a new or an empty one with --to"
            raise CanscopeError("this folder holds other things", where=Where(str(out)), hint=hint)
        for folder in (JUDGED, REPORTS):
            (out / folder).mkdir(parents=True, exist_ok=True)
        for name in own:
            (out / name).unlink(missing_ok=True)
    except OSError as error:
        what = f"cannot use this folder for results: {error.strerror}"
        hint = "name another one with --to"
        raise CanscopeError(what, where=Where(str(out)), hint=hint) from error


def _judge(names: Sequence[str], terms: Terms, args: argparse.Namespace) -> list[BatchRun]:
    """The answers in the order of ``names``. Raises CanscopeError if the keyboard stops it."""
    from canscope.batch.cluster import answers, workers
    from canscope.cli._progress import shown_runs

    found: dict[str, BatchRun] = {}
    try:
        with workers(args.workers, args.scheduler, most=len(names)) as client:
            told = answers(client, names, terms)
            for answer in told if args.quiet else shown_runs(told, len(names)):
                found[answer.name] = answer
    except KeyboardInterrupt as stop:
        what = f"stopped by the keyboard; {len(found)} of {len(names)} runs are done"
        raise CanscopeError(what, hint="the same command goes on from there") from stop
    return [found[name] for name in names]


def _print(batch: Batch, written: Sequence[Path], *, quiet: bool) -> None:
    from rich.console import Console
    from rich.text import Text

    from canscope.cli._summary import STYLES
    from canscope.report.wording import one_line

    styles = {"fail": STYLES["failed"], "pass": STYLES["proven"], "unproven": STYLES["unproven"]}
    console = Console()

    def say(text: str, style: str = "", indent: int = 0) -> None:
        console.print(Text(" " * indent + one_line(text), style))

    if quiet:
        print(batch.headline)
        return
    say(batch.headline, styles.get(batch.worst, "bold"))
    if earlier := sum(run.work.earlier for run in batch.runs):
        say(f"{earlier} of them were judged before, with the same files, plan and canscope")
    for state in ("fail", "unproven", "not judged"):
        lines = list(_lines(batch, state))
        if lines:
            say("")
            say(state.capitalize(), styles.get(state, "bold"))
        for line in lines[:MOST]:
            say(line, indent=2)
        if len(lines) > MOST:
            say(f"and {len(lines) - MOST} more: {written[0]} names all", indent=2)
    say("")
    if batch.left_out:
        names = ", ".join(batch.left_out[:3]) + (", ..." if len(batch.left_out) > 3 else "")
        say(f"not taken for captures, by their names: {len(batch.left_out)} files: {names}")
    for path in written:
        print(one_line(f"written: {path}"))
    say("A value on the bus never proves a circuit dead: measure before touching.")


def _lines(batch: Batch, state: str) -> Iterator[str]:
    from canscope.report.batch_page import about

    for run in batch.runs:
        if run.state == state:
            yield f"{run.name}: {about(run)}"
