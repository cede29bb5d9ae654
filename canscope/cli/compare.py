"""Hold two runs against each other: findings, values and curves, with the difference.

Curves are laid over each other at an event (ready, first turn), not by the clock.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.cli._options import command
from canscope.model.errors import ReportError, Where

if TYPE_CHECKING:
    from canscope.model.comparison import Comparison
    from canscope.model.report import Report

EXAMPLE = "canscope compare runs/0007 runs/0009 --html before_and_after.html"


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = command(subparsers, "compare", __doc__, EXAMPLE)
    parser.add_argument("a", type=Path, metavar="A", help="a report (json) or a run folder")
    parser.add_argument("b", type=Path, metavar="B", help="the one to compare it with")
    parser.add_argument(
        "--html", type=Path, metavar="F", help="write the comparison with its curves here"
    )
    parser.add_argument("--json", type=Path, metavar="F", help="write the comparison as JSON here")


def run(args: argparse.Namespace) -> int:
    """Compare, write, print; 0 however different they are."""
    from canscope.build_record.comparison import compare
    from canscope.report import comparison_page
    from canscope.report.write import write_sealed

    found = compare(report_of(args.a), report_of(args.b))
    if args.html:
        write_sealed(args.html, comparison_page.page(found))
    if args.json:
        write_sealed(args.json, [comparison_page.data(found).encode()])
    _print(found)
    for path in filter(None, (args.html, args.json)):
        print(f"written: {path}")
    return 0


def report_of(path: Path) -> Report:
    """The report in a JSON file, or the newest one of a run folder; judged now if it has none.

    Raises CanscopeError if there is none and the folder cannot be judged.
    """
    from canscope.build_record.verification import newest_report, read_report
    from canscope.checking.inputs import inputs_of
    from canscope.checking.judging import judge_files

    if path.is_dir():
        newest = newest_report(path)
        return newest[1] if newest else judge_files(inputs_of([str(path)], None))
    if path.suffix == ".json":
        return read_report(path)
    hint = "give the JSON that canscope check wrote, or a run folder"
    raise ReportError(
        "neither a report as JSON nor a run folder", where=Where(str(path)), hint=hint
    )


def _print(found: Comparison) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from canscope.model.comparison import CHANGED, OPEN, SAME
    from canscope.report.comparison_page import change, value
    from canscope.report.wording import one_line

    console = Console()
    for note in found.notes:
        console.print(Text(one_line(f"mind: {note}"), "yellow"))
    counts = ", ".join(f"{found.count(kind)} {kind}" for kind in (CHANGED, SAME, OPEN))
    console.print(Text(f"{found.a.verdict} -> {found.b.verdict}: {counts}", "bold"))
    grid = Table.grid(padding=(0, 2, 0, 0))
    for ratio in (3, 2, 2, 2, 3):
        grid.add_column(overflow="fold", ratio=ratio)
    for one in found.differences:
        if one.kind == CHANGED:
            cells = (f"{one.rule}, {one.subject}", value(one.a), value(one.b), change(one), one.why)
            grid.add_row(*(Text(one_line(cell)) for cell in cells))
    console.print(grid)
