"""The build record: all runs of a folder, the stage each vehicle has earned, what the next lacks.

Changes of the vehicle stand in FOLDER/changes.toml, an entry each:
[[changes]] at = 2026-03-02, what = "weld", unit = "front", text = "...", by = "...".
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.cli._options import command

if TYPE_CHECKING:
    from canscope.model.build_record import VehicleRecord

EXAMPLE = "canscope record-book runs --html record.html"


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = command(subparsers, "record-book", __doc__, EXAMPLE)
    parser.add_argument(
        "folder", type=Path, metavar="FOLDER", help="the folder in which the run folders lie"
    )
    parser.add_argument("--html", type=Path, metavar="F", help="write the record as a page here")
    parser.add_argument("--json", type=Path, metavar="F", help="write the record as JSON here")


def run(args: argparse.Namespace) -> int:
    """Print the record of each vehicle, and write it where asked."""
    from canscope.build_record.records import records_of
    from canscope.checking.inputs import inputs_of
    from canscope.checking.judging import judge_files
    from canscope.report import build_record_page
    from canscope.report.wording import one_line
    from canscope.report.write import write_sealed

    records, uncounted = records_of(
        args.folder, lambda run: judge_files(inputs_of([str(run)], None))
    )
    for record in records:
        _print(record)
    for row in uncounted:
        print(one_line(f"not counted: {row.name}: {row.why_not}"))
    if args.html:
        write_sealed(args.html, build_record_page.page(records))
    if args.json:
        write_sealed(args.json, [build_record_page.data(records).encode()])
    for path in filter(None, (args.html, args.json)):
        print(f"written: {path}")
    return 0


def _print(record: VehicleRecord) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from canscope.report.build_record_page import when
    from canscope.report.wording import one_line

    console = Console()
    console.print(Text(one_line(record.vehicle), "bold"))
    console.print(Text(f"earned: {record.earned or 'no stage yet'}", "bold"))
    if record.missing:
        console.print(Text(one_line(f"next: {record.missing}")))
    grid = Table.grid(padding=(0, 2, 0, 2))
    for step in record.steps:
        name = f"{step.stage} {step.unit}".strip()
        grid.add_row(
            "earned" if step.earned else "open", Text(one_line(name)), Text(one_line(step.why))
        )
    console.print(grid)
    grid = Table.grid(padding=(0, 2, 0, 2))
    for row in (*record.runs, *record.rehearsals):
        state = row.verdict if row.counts else f"{row.verdict}, not counted: {row.why_not}"
        cells = (row.name, when(row.at_ns), row.stage, state)
        grid.add_row(*(Text(one_line(cell)) for cell in cells))
    console.print(grid)
    for change in record.changes:
        text = f"{when(change.at_ns)} {change.what} {change.unit} {change.text} ({change.by})"
        console.print(Text(one_line(f"change: {text}: needs {change.needs} again")))
    for unit, seconds in record.dry_s.items():
        console.print(Text(one_line(f"{unit} turned dry for {seconds:.1f} s in all")))
    console.print()
