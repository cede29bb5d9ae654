"""Hold a report or a run folder against its own bytes, its inputs and its findings computed anew.

Exit codes: 0 all is the same, 1 something differs, 2 it could not be read, 3 something could not
be compared.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.cli._options import add_reading, command
from canscope.model.errors import CanscopeError, ReportError, Where

if TYPE_CHECKING:
    from canscope.build_record.verification import Check
    from canscope.model.report import Input, ReadAs, Report


SUFFIXES = (".json", ".html", ".xml")


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = command(subparsers, "verify", __doc__, "canscope verify runs/0007")
    parser.add_argument(
        "target", type=Path, metavar="TARGET", help="a report (json, html, xml) or a run folder"
    )
    parser.add_argument("--plan", type=Path, help="the plan, if it is not where the report says")
    parser.add_argument("--marks", type=Path, help="the marks, if the report was made with any")
    add_reading(parser)  # instead of what the report says was given to check


def run(args: argparse.Namespace) -> int:
    """Print what was compared; 1 if anything differs."""
    from canscope.build_record.verification import Outcome
    from canscope.report.wording import one_line

    outcomes = set()
    for report in reports_of(args.target):
        for check in _checks(report, args):
            outcomes.add(check.outcome)
            print(one_line(f"{check.outcome.upper():13} {check.what}: {check.text}"))
    if Outcome.DIFFERS in outcomes:
        print("Something is not what it was: do not rely on this report.")
        return 1
    if Outcome.OPEN in outcomes:
        print("Nothing differs, but not everything could be compared.")
        return 3
    print("Everything is what it was.")
    return 0


def reports_of(target: Path) -> list[Path]:
    """The report named, or those in a run folder.

    Raises ReportError if there is none.
    """
    if not target.is_dir():
        return [target]
    found = [
        p for p in sorted((target / "reports").glob("*")) if p.suffix in (".json", ".html", ".xml")
    ]
    if not found:
        hint = "reports of a run lie in its folder 'reports'; make one with canscope check"
        raise ReportError("no report in this folder", where=Where(str(target)), hint=hint)
    return found


def _checks(path: Path, args: argparse.Namespace) -> Iterator[Check]:
    from canscope.build_record import verification

    yield verification.check_bytes(path)
    if path.suffix != ".json":  # html and xml are views; the data are in the JSON beside them
        return
    report = verification.read_report(path)
    near = [args.plan.absolute().parent] if args.plan else []
    inputs = verification.found_inputs(report, path, *near)
    yield from verification.check_inputs(inputs)
    try:
        anew = _anew(report, path, inputs, args)
    except CanscopeError as error:
        text = f"cannot be computed anew: {error}"
        yield verification.Check("findings", verification.Outcome.OPEN, text)
        return
    yield from verification.check_findings(report, anew)


def _anew(
    report: Report,
    path: Path,
    files: Sequence[tuple[Input, Path | None]],
    args: argparse.Namespace,
) -> Report:
    """The report computed from the inputs that it names."""
    from canscope.checking.inputs import inputs_of
    from canscope.checking.judging import judge_files
    from canscope.cli.check import columns_of, offsets_of

    by_kind: dict[str, list[Path]] = {}
    for entry, place in files:
        if place is not None:
            by_kind.setdefault(entry.kind, []).append(place)
    folder = args.target if args.target.is_dir() else path.absolute().parent.parent
    if (folder / "run.toml").is_file():  # a run folder knows more than its capture and its plan
        inputs = inputs_of([str(folder)], args.plan)
    elif "capture" not in by_kind:
        hint = "put the capture back where the report says, or beside the report"
        raise ReportError("the capture is not there", where=Where(str(path)), hint=hint)
    else:
        plan = args.plan or next(iter(by_kind.get("plan", [])), None)
        inputs = inputs_of(list(map(str, by_kind["capture"])), plan)
    said = _said(report, path, files)
    marks = args.marks or next(iter(by_kind.get("marks", [])), None)
    return judge_files(
        inputs,
        marks=marks,
        format=args.format or said.format,
        channel=args.channel or said.channels or None,
        offsets=offsets_of(args.offset) or said.offsets,
        columns=columns_of(args.columns) or said.columns,
        written_at=report.written_at,
    )


def _said(report: Report, path: Path, files: Sequence[tuple[Input, Path | None]]) -> ReadAs:
    """How the captures were read, by the names under which they are found now.

    Raises ReportError if the report does not say it in a way that can be used.
    """
    from canscope.model.report import ReadAs

    said = report.read_as
    places = {entry.name: str(place) for entry, place in files if entry.kind == "capture"}
    try:
        return ReadAs(
            format=None if said.format is None else str(said.format),
            channels=tuple(map(str, said.channels)),
            offsets={places.get(name, name): float(s) for name, s in said.offsets.items()},
            columns={meaning: str(heading) for meaning, heading in said.columns.items()},
        )
    except (TypeError, ValueError) as error:
        hint = "give it as it was given to check: --format, --channel, --offset, --columns"
        what = "it does not say how its captures were read"
        raise ReportError(what, where=Where(str(path)), hint=hint) from error
