"""The main job: judge a capture against a bench plan; report and exit code."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from canscope.checking.inputs import inputs_of
from canscope.checking.judging import judge_files
from canscope.checking.memory import return_freed_memory, without_collecting_garbage
from canscope.checking.numbered import REPORT_KINDS, write_numbered
from canscope.cli._options import add_reading, command
from canscope.model.errors import CanscopeError, ReportError, Where
from canscope.report import RENDERERS

EXAMPLE = "canscope check first_spin.log --plan bench.toml"
EXIT = {"pass": 0, "fail": 1, "unproven": 3}


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = command(subparsers, "check", __doc__, EXAMPLE)
    parser.add_argument(
        "captures",
        nargs="+",
        metavar="CAPTURE",
        help="capture file(s), '-' for standard input, or one run folder",
    )
    parser.add_argument("--plan", type=Path, help="the bench plan (TOML)")
    parser.add_argument("--marks", type=Path, help="marks of this run, JSON Lines")
    add_reading(parser)
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FOLDER",
        help="folder for numbered reports (default: canscope-reports)",
    )
    parser.add_argument(
        "--report",
        action="append",
        metavar="KIND",
        help="a kind of numbered report to write, once or more: "
        f"{', '.join(RENDERERS)} (default: {', '.join(REPORT_KINDS)})",
    )
    parser.add_argument("--html", type=Path, metavar="F", help="write the report to this file")
    parser.add_argument(
        "--json", type=Path, metavar="F", help="write the report as JSON to this file"
    )
    parser.add_argument(
        "--junit", type=Path, metavar="F", help="write the report as JUnit XML to this file"
    )
    parser.add_argument("--quiet", action="store_true", help="print only the verdict")


def run(args: argparse.Namespace) -> int:
    """Check, write the reports, print the summary."""
    with without_collecting_garbage():
        return _run(args)


def _run(args: argparse.Namespace) -> int:
    from canscope.cli._progress import shown
    from canscope.report.wording import one_line
    from canscope.report.write import write_report

    wanted = _named(args)
    kinds = _kinds(args.report)
    inputs = inputs_of([str(c) for c in args.captures], args.plan)
    is_numbered = args.out or args.report or not wanted
    out = (args.out or Path("canscope-reports")) if is_numbered else None
    report = judge_files(
        inputs,
        marks=args.marks,
        format=args.format,
        channel=args.channel,
        offsets=offsets_of(args.offset),
        columns=columns_of(args.columns),
        passing=iter if args.quiet else shown,
    )
    return_freed_memory()  # what judging took, before the page of a report takes as much again
    written = [write_report(report, path) for path in wanted]
    if out is not None:
        report, numbered = write_numbered(report, out, inputs.stem, kinds)
        written += numbered
    if args.quiet:
        print(one_line(report.headline))
    else:
        from canscope.cli._summary import print_summary

        print_summary(report)
        for path in written:
            print(one_line(f"written: {path}"))
    return EXIT[report.verdict]


def offsets_of(texts: Sequence[str]) -> dict[str, float]:
    """What --offset says: seconds by file.

    Raises CanscopeError for anything that is not FILE=SECONDS.
    """
    found = {}
    for text in texts:
        file, _, seconds = text.rpartition("=")
        try:
            found[file] = float(seconds)
        except ValueError as error:
            hint = "name a capture as it is given, and a number: --offset front.log=-1.25"
            raise CanscopeError(f"--offset {text}: not FILE=SECONDS", hint=hint) from error
    return found


def columns_of(text: str | None) -> dict[str, str]:
    """What --columns says: headings by meaning.

    Raises CanscopeError for anything that is not MEANING=HEADING.
    """
    found = {}
    for part in text.split(",") if text else ():
        meaning, _, heading = map(str.strip, part.partition("="))
        if not meaning or not heading:
            hint = "write it as --columns time_ms=Stamp,id_hex=Ident,data=Bytes"
            raise CanscopeError(f"--columns {part}: not MEANING=HEADING", hint=hint)
        found[meaning] = heading
    return found


def _kinds(asked: Sequence[str] | None) -> Sequence[str]:
    """The kinds of numbered report to write, refused before the work if there is no such kind."""
    for kind in asked or ():
        RENDERERS.file(kind)
    return asked or REPORT_KINDS


def _named(args: argparse.Namespace) -> list[Path]:
    """The report files asked for by name, refused before the work if they cannot be written."""
    paths = []
    for option, suffix in (("html", ".html"), ("json", ".json"), ("junit", ".xml")):
        path = getattr(args, option)
        if path is None:
            continue
        if path.suffix.lower() != suffix:
            hint = f"give the file of --{option} a name that ends in {suffix}"
            raise ReportError(f"not a {suffix} file", where=Where(str(path)), hint=hint)
        if path.exists():
            hint = "reports are never overwritten: name another file, or use --out"
            raise ReportError("this file exists already", where=Where(str(path)), hint=hint)
        paths.append(path)
    return paths
