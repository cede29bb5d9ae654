"""``canscope plan new``: draft a plan from a capture and definitions, and ask where one can ask."""

from __future__ import annotations

import argparse
import shlex
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.cli._options import add_bus, add_format, by_bus
from canscope.model.errors import CanscopeError, PlanError, ReportError, Where

if TYPE_CHECKING:
    from canscope.draft.inventory import Inventory
    from canscope.draft.plan import Draft
    from canscope.plan.lines import KeyPath

EXAMPLE = (
    "canscope plan new first_spin.log --definitions vehicle.dbc drive_unit.dbc --to bench.toml"
)


def add(tasks: Any) -> None:
    """Tell the command line what this task takes."""
    task = tasks.add_parser(
        "new",
        help="draft a plan from a capture and definitions",
        description="Draft a bench plan: buses, units and roles as far as names, units and the\n"
        "capture tell them, each with how sure that is; what only a person can know is asked.",
        epilog=f"example:\n  {EXAMPLE}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    task.add_argument(
        "captures", nargs="*", metavar="CAPTURE", help="capture file(s), or a run folder"
    )
    add_definitions(task)
    task.add_argument(
        "--to",
        type=Path,
        default=Path("bench.toml"),
        metavar="F",
        help="the file to write, never over another one (default: bench.toml)",
    )
    task.add_argument("--yes", action="store_true", help="ask nothing; leave every question open")
    add_format(task)


def add_definitions(parser: argparse.ArgumentParser) -> None:
    """The options that name definition files."""
    parser.add_argument(
        "--definitions",
        nargs="+",
        action="extend",
        default=[],
        metavar="D",
        help="signal definitions (DBC, KCD, ARXML); each is taken for the buses that it fits",
    )
    add_bus(parser, "whatever fits; may be repeated")


def run(args: argparse.Namespace) -> int:
    """Draft, ask, write, and say what is still missing; 0, or 2 while something is."""
    if args.to.exists():
        hint = "name another file with --to; a plan is never overwritten"
        raise ReportError("this file exists already", where=Where(str(args.to)), hint=hint)
    if not args.definitions and not args.bus:
        hint = "name them with --definitions, e.g. --definitions vehicle.dbc drive_unit.dbc"
        raise CanscopeError("without definitions there are no signals to bind", hint=hint)
    draft = _draft(args)
    _check_usable(draft.inventory, args)
    answers: dict[KeyPath, str] = {}
    if not args.yes and sys.stdin.isatty() and sys.stdout.isatty():
        answers = _ask(draft)
    text = draft.text(answers)
    try:
        with args.to.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except OSError as error:
        what = f"cannot be written: {error.strerror or error}"
        raise ReportError(what, where=Where(str(args.to)), hint="name another file") from error
    return _tell(draft, args.to, args.captures)


def _draft(args: argparse.Namespace) -> Draft:
    from canscope.draft.plan import draft_plan

    frames: Any = ()
    if args.captures:
        from canscope.capture.read import read_capture
        from canscope.checking.inputs import captures_of
        from canscope.cli._progress import shown

        names = captures_of([str(name) for name in args.captures])
        frames = shown(read_capture(*names, format=args.format, channel=args.channel))
    named = by_bus(args.bus)
    return draft_plan(frames, args.definitions, by_bus=named, folder=args.to.parent)


def _check_usable(inventory: Inventory, args: argparse.Namespace) -> None:
    """Raises ``CanscopeError`` where nothing in the capture is known to any definition."""
    if args.captures and not inventory.frames:
        hint = "look at it with: canscope signals CAPTURE"
        raise CanscopeError("no frame in the capture", where=Where(args.captures[0]), hint=hint)
    if not any(bus.files for bus in inventory.buses):
        seen = ", ".join(bus.channel for bus in inventory.buses)
        hint = (
            "canscope signals CAPTURE lists what is there; --bus NAME=FILE takes a file "
            "for a bus whatever fits; canscope survey CAPTURE looks into a bus without one"
        )
        raise CanscopeError(f"no definition fits any bus of the capture ({seen})", hint=hint)


def _ask(draft: Draft) -> dict[KeyPath, str]:
    """Ask every question that the draft has; Enter leaves one open."""
    from rich.console import Console
    from rich.prompt import Prompt

    from canscope.draft.answers import in_words, is_taken, value_of
    from canscope.plan.questions import question_at
    from canscope.report.wording import visible

    console = Console(highlight=False)
    console.print(
        f"Roles that have a signal: {draft.bound}. What follows only you can know. "
        "Enter leaves a question open, Ctrl-D leaves all the rest open.",
        markup=False,
    )
    answers: dict[KeyPath, str] = {}
    left: set[KeyPath] = set()
    while path := _next(draft.questions(answers), left):
        question = question_at(path)
        if path == ("not_on_this_vehicle", "reason"):
            absent = ", ".join(draft.absent(answers))
            console.print(f"\nNo signal was found for {absent}.", markup=False)
        console.print(f"\n{visible(in_words(question, path))}", style="bold", markup=False)
        form = question.spoken
        if path[0] == "buses":
            form = f"one of {', '.join(map(visible, draft.files_of(str(path[1]))))}"
        for line in form.splitlines():
            console.print(f"  {line}", markup=False)
        try:
            said = Prompt.ask("  answer", console=console, default="", show_default=False)
        except EOFError:
            break
        if not said.strip():
            left.add(path)
            continue
        value = value_of(question, path, said.strip(), draft)
        if value is None or is_taken(path, value, draft.questions(answers)):
            console.print("  This cannot be read as an answer. Once more:", style="yellow")
            continue
        answers[path] = value
    return answers


def _next(questions: Sequence[KeyPath], left: set[KeyPath]) -> KeyPath | None:
    """The question to ask now; what the units are called comes before all else about them."""
    rest = [path for path in questions if path not in left]
    names = [path for path in rest if path[0] == "units" and len(path) == 2]
    if names and rest[0][0] == "units":
        return names[0]
    return rest[0] if rest else None


def _tell(draft: Draft, path: Path, captures: Sequence[str]) -> int:
    """Say what was written and what is missing, line by line."""
    from canscope.plan.load import read_plan
    from canscope.report.wording import visible

    print(f"written: {path} ({draft.bound} role{'s'[: draft.bound != 1]} bound)")
    for bus in draft.inventory.buses:
        files = ", ".join(Path(file).name for file in bus.files) or "no definition fits"
        print(visible(f"  {bus.channel}: {files}"))
    for doubt in draft.inventory.doubts:
        print(visible(f"  mind: {doubt}"))
    for file in draft.inventory.unused:
        print(visible(f"  {file}: fits no bus of this capture"))
    try:
        read_plan(path)
    except PlanError as error:
        for mistake in error.mistakes:
            print(visible(str(mistake).splitlines()[0]), file=sys.stderr)
        left = f"{len(error.mistakes)} left to answer or to correct"
        print(f"\n{left}; then: canscope plan check {path}", file=sys.stderr)
        return 2
    print(f"nothing is missing; what it can prove: canscope plan check {path}")
    if captures:
        print(visible(f"judge the capture: canscope check {shlex.join(captures)} --plan {path}"))
    return 0
