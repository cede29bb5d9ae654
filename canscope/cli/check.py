"""The main job: judge a capture against a bench plan; report and exit code."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.cli._memory import (
    collecting_garbage,
    return_freed_memory,
    returning_freed_memory,
    without_collecting_garbage,
)
from canscope.cli._options import add_reading, command
from canscope.model.errors import CanscopeError, ReportError, UnknownNameError, Where
from canscope.model.report import ReadAs, Report
from canscope.report import RENDERERS

if TYPE_CHECKING:
    from canscope.live.run_folder.run_file_schema import RunFile
    from canscope.plan.plan import Plan

EXAMPLE = "canscope check first_spin.log --plan bench.toml"
EXIT = {"pass": 0, "fail": 1, "unproven": 3}
REPORT_KINDS = ("html", "json", "junit")  # written where no kind is asked for
PLAN_NAMES = ("plan.toml",)
CAPTURE_PATTERNS = ("*.log", "*.log.gz")


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
        progress=not args.quiet,
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


@dataclass(frozen=True)
class Inputs:
    """What to judge against what."""

    captures: tuple[str, ...]
    plan: Path
    notes: tuple[str, ...] = ()
    marks: Path | None = None  # that a run folder brings
    run_file: RunFile | None = None  # its run.toml
    folder: Path | None = None  # the run folder, where there is one

    @property
    def stem(self) -> str:
        """A file name for reports, made of the run folder's or the first capture's own."""
        if self.folder is not None and (name := self.folder.resolve().name):
            return re.sub(r"[^\w.-]+", "_", name)
        name = "standard-input" if self.captures[0] == "-" else Path(self.captures[0]).name
        return re.sub(r"[^\w.-]+", "_", re.sub(r"(\.\w+)(\.gz)?$", "", name)) or "capture"


def captures_of(names: Sequence[str]) -> list[str]:
    """Captures as named, or those of the one run folder that is named.

    Raises CanscopeError if there are none in it.
    """
    if len(names) != 1 or names[0] == "-" or not Path(names[0]).is_dir():
        return list(names)
    folder = Path(names[0])
    found = sorted({path for pattern in CAPTURE_PATTERNS for path in folder.glob(pattern)})
    if not (filled := [str(path) for path in found if path.stat().st_size]):
        hint = "a run folder holds its captures as *.log or *.log.gz"
        raise CanscopeError("no capture in this folder", where=Where(str(folder)), hint=hint)
    return filled


def inputs_of(captures: Sequence[str], plan: Path | None) -> Inputs:
    """Captures and plan from the command line, or from a run folder.

    Raises CanscopeError where one of them is missing.
    """
    if len(captures) == 1 and captures[0] != "-" and Path(captures[0]).is_dir():
        folder = Path(captures[0])
        found = captures_of(captures)
        own = next((folder / name for name in PLAN_NAMES if (folder / name).is_file()), None)
        from canscope.live.run_folder.layout import MARKS_FILE
        from canscope.live.run_folder.notes import recording_notes
        from canscope.live.run_folder.run_file import read_run_file

        run_file = read_run_file(folder)
        notes = recording_notes(folder, run_file)
        if plan is not None and own is not None:
            notes += (f"judged against {plan} instead of the run's own plan {own.name}",)
        plan = plan or own
        captures = found
        if plan is None:
            hint = "name one with --plan, or put plan.toml into the folder"
            raise CanscopeError("no bench plan in this folder", where=Where(str(folder)), hint=hint)
        marks = folder / MARKS_FILE
        found_marks = marks if marks.is_file() else None
        return Inputs(tuple(captures), plan, notes, found_marks, run_file, folder)
    folder_among = next((name for name in captures if name != "-" and Path(name).is_dir()), None)
    if folder_among is not None:
        hint = "give one run folder by itself, or the capture files in it"
        raise CanscopeError("a folder among captures", where=Where(folder_among), hint=hint)
    if plan is None:
        for name in captures:
            if name != "-" and not Path(name).exists():
                hint = "check the path; give captures and --plan, or a run folder"
                what = "no file or folder of that name"
                raise CanscopeError(what, where=Where(name), hint=hint)
        if plans := [name for name in captures if name.endswith(".toml")]:
            others = " ".join(name for name in captures if name not in plans) or "CAPTURE"
            hint = f"name the plan with --plan: canscope check {others} --plan {plans[0]}"
            raise CanscopeError("a bench plan among the captures", where=Where(plans[0]), hint=hint)
        hint = "name the bench plan with --plan; 'canscope demo' writes an example"
        raise CanscopeError("a capture alone cannot be judged", hint=hint)
    return Inputs(tuple(captures), plan)


def judge_files(
    inputs: Inputs,
    *,
    marks: Path | None = None,
    format: str | None = None,
    channel: Sequence[str] | None = None,
    offsets: Mapping[str, float] | None = None,
    columns: Mapping[str, str] | None = None,
    progress: bool = False,
    written_at: str | None = None,
) -> Report:
    """Read, decode and judge; the report is not written anywhere yet."""
    from canscope.capture.order import gathered
    from canscope.capture.read import read_capture
    from canscope.cli._progress import shown
    from canscope.decoding.columns import decode
    from canscope.judge.check import check
    from canscope.plan.load import read_plan

    plan = read_plan(inputs.plan, marks=marks or inputs.marks)
    if inputs.run_file is not None:
        from canscope.live.run_folder.earlier_runs import as_recorded

        plan = as_recorded(plan, inputs.run_file)
    capture = read_capture(
        *inputs.captures,
        format=format,
        channel=_channel(channel, plan),
        offsets=offsets,
        columns=columns,
    )
    frames = shown(capture) if progress else capture
    signals = decode(gathered(frames), plan.definitions, wanted=plan.wanted)
    now = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    with collecting_garbage():
        report = check(
            returning_freed_memory(signals), plan, capture=capture, written_at=written_at or now
        )
    read_as = ReadAs(format, tuple(channel or ()), dict(offsets or {}), dict(columns or {}))
    warnings = (*inputs.notes, *capture.notes, *report.warnings)
    return replace(report, warnings=warnings, read_as=read_as)


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


def _channel(given: Sequence[str] | None, plan: Plan) -> str | Sequence[str] | None:
    """The bus of captures that do not name it: as given, else the plan's if it has only one."""
    buses = {message.channel for message in plan.definitions.messages} | {*plan.bench.bitrates}
    for name in given or ():
        if name not in buses:
            raise UnknownNameError("bus", name, buses, where=Where(str(plan.path)))
    return given or (next(iter(buses)) if len(buses) == 1 else None)


def check_run(captures: Sequence[Path], plan: Path, out: Path) -> tuple[Report, list[Path]]:
    """Judge captures and write numbered reports into a folder; for the demo and the like."""
    inputs = Inputs(tuple(map(str, captures)), plan)
    report, written = write_numbered(judge_files(inputs), out, inputs.stem)
    return report, written


def write_numbered(
    report: Report, folder: Path, stem: str, kinds: Sequence[str] = REPORT_KINDS
) -> tuple[Report, list[Path]]:
    """Write these kinds of report under the next free number; nothing is ever overwritten.

    Raises ReportError if the folder cannot be used or a file cannot be written.
    """
    from canscope.report.write import SUFFIXES, write_report

    try:
        folder.mkdir(parents=True, exist_ok=True)
        taken = [path.name for path in folder.iterdir()]
    except OSError as error:
        raise ReportError(
            f"cannot use this folder for reports: {error.strerror}",
            where=Where(str(folder)),
            hint="name another one with --out",
        ) from error
    matches = [re.fullmatch(re.escape(stem) + r"-(\d+)\.[\w-]+", name) for name in taken]
    first = max((int(m[1]) for m in matches if m), default=0) + 1
    with _number(folder, stem, first) as number:
        report = replace(report, number=number)
        paths = {kind: folder / f"{stem}-{number:03}.{SUFFIXES.get(kind, kind)}" for kind in kinds}
        for kind, path in paths.items():
            write_report(report, path, kind=kind)
    return report, [*paths.values()]


@contextmanager
def _number(folder: Path, stem: str, first: int) -> Iterator[int]:
    """The first free number from ``first`` on, which nobody else has while its reports are written.

    Raises ReportError if the folder cannot be used.
    """
    for number in count(first):
        mine = folder / f".{stem}-{number:03}"
        try:
            mine.mkdir()  # of two checks that make it at once, one succeeds
        except FileExistsError:
            continue
        except OSError as error:
            what = f"cannot use this folder for reports: {error.strerror}"
            hint = "name another one with --out"
            raise ReportError(what, where=Where(str(folder)), hint=hint) from error
        try:
            if not any(path.name.startswith(f"{stem}-{number:03}.") for path in folder.iterdir()):
                yield number
                return
        finally:
            mine.rmdir()


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
