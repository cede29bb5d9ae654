"""Every mistake of a signal definition in plain words, by itself and against a capture."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.cli._options import add_bus, add_format, by_bus, command

if TYPE_CHECKING:
    from canscope.model.definition import Problem

Found = list[tuple[str, "Problem"]]  # (file, problem)
WEIGHTS = {
    "unusable": "cannot be used, and is not decoded",
    "doubt": "is read as written, which can hardly be meant",
    "mended": "is read all the same",
    "note": "worth knowing",
}
SHOWN = 200  # lines of a weight
TEXT = f"""{__doc__.strip()}

exit codes: 0 all of it can be used, 2 something cannot be used (or not be read)"""
EXAMPLE = "canscope definitions check drive_unit.dbc --capture first_spin.log"


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = command(subparsers, "definitions", __doc__, EXAMPLE)
    tasks = parser.add_subparsers(dest="task", metavar="TASK", required=True)
    check = command(tasks, "check", TEXT, EXAMPLE)
    check.add_argument("files", nargs="*", metavar="D", help="definitions (DBC, KCD, ARXML)")
    add_bus(check, "without it each is taken for the buses that it fits best")
    check.add_argument(
        "--capture", nargs="+", default=[], metavar="C", help="hold them against this capture"
    )
    add_format(check)
    check.add_argument("--json", type=Path, metavar="F", help="write everything found as JSON")


def run(args: argparse.Namespace) -> int:
    """Print what was found, a line a mistake; 0, or 2 if something cannot be used."""
    from canscope.checking.inputs import captures_of
    from canscope.decoding.parsed_file import lines_of
    from canscope.proofreading.against_capture import compare
    from canscope.proofreading.by_itself import problems_of

    channels = _channels(args)
    files = list(dict.fromkeys([*args.files, *channels]))
    captures = [str(name) for name in captures_of(args.capture)] if args.capture else []
    _check_inputs(files, captures)
    found: Found = []
    messages = {}
    for file in files:
        problems, messages[file] = problems_of(file)
        found += ((file, problem) for problem in problems)
    buses: dict[str, list[str]] = {}
    if captures:
        usable = {name: own for name, own in messages.items() if any(m.signals for m in own)}
        lines = {name: lines_of(name) for name in usable}
        known = {name: channel for name, channel in channels.items() if name in usable}
        more, buses = compare(
            captures, usable, known, lines, format=args.format, bus=args.channel or None
        )
        found += more
    _print(found, messages, buses)
    if args.json is not None:
        _write(args.json, found, buses)
    return 2 if any(problem.weight == "unusable" for _, problem in found) else 0


def _channels(args: argparse.Namespace) -> dict[str, str]:
    """Bus by file, of the files that --bus names."""
    return {file: bus for bus, files in by_bus(args.bus).items() for file in files}


def _check_inputs(files: Sequence[str], captures: Sequence[str]) -> None:
    from canscope.model.errors import CanscopeError

    if not files:
        hint = "canscope definitions check drive_unit.dbc"
        raise CanscopeError("no definition file is given", hint=hint)
    if "-" in captures:
        hint = "write the capture to a file first"
        raise CanscopeError("the capture is read twice; standard input cannot be", hint=hint)


def _print(found: Found, messages: dict[str, Any], buses: dict[str, list[str]]) -> None:
    from canscope.report.wording import visible

    for file, own in messages.items():
        signals = sum(len(message.signals) for message in own)
        on = sorted(channel for channel, names in buses.items() if file in names)
        where = f", compared with {', '.join(on)}" if on else ""
        many = (
            f"{len(own)} message{'s'[: len(own) != 1]} with {signals} signal{'s'[: signals != 1]}"
        )
        print(visible(f"{file}: {many} can be used{where}"))
    for weight, title in WEIGHTS.items():
        lines = _lines(found, weight)
        if lines:
            print(f"\n{title}: {len(lines)}")
        for line in lines[:SHOWN]:
            print(visible(line))
        if len(lines) > SHOWN:
            print(f"and {len(lines) - SHOWN} more; --json F has all of them")


def _lines(found: Found, weight: str) -> list[str]:
    """One line a mistake, in the order of files and lines; what is said twice once."""
    order = {name: place for place, name in enumerate(dict.fromkeys(file for file, _ in found))}
    ranked = sorted(
        ((file, problem) for file, problem in found if problem.weight == weight),
        key=lambda one: (order[one[0]], one[1].line or 0),
    )
    lines = []
    for file, problem in ranked:
        place = file if problem.line is None else f"{file}:{problem.line}"
        hint = f"; {problem.hint}" if problem.hint else ""
        lines.append(" ".join(f"{place}: {problem.what}{hint}".split()))
    return list(dict.fromkeys(lines))


def _write(path: Path, found: Found, buses: dict[str, list[str]]) -> None:
    from dataclasses import asdict

    from canscope.model.errors import ReportError, Where

    data = {
        "format": 1,
        "buses": buses,
        "problems": [{"file": file, **asdict(problem)} for file, problem in found],
    }
    try:
        path.write_text(json.dumps(data, indent=1) + "\n", "utf-8")
    except OSError as error:
        what = f"cannot be written: {error.strerror or error}"
        raise ReportError(what, where=Where(str(path)), hint="name another file") from error
