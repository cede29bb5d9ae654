"""Write the demo vehicles' captures and plans, check them, and say what to look at."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.cli._options import command
from canscope.model.errors import CanscopeError, Where

if TYPE_CHECKING:
    from canscope.model.report import Report
    from canscope.simulate.runs import Run

SIGN = "canscope-demo.txt"
SIGN_TEXT = """A canscope demo folder: everything in it is invented, made by canscope's simulator.
One folder a run: capture.log, plan.toml with vehicle.toml, the definitions (*.dbc), truth.csv
(what really happened) and the reports. 'canscope demo' writes here again; reports are kept.
"""


@dataclass(frozen=True)
class Show:
    """One run of the demo: vehicle, stage and fault."""

    vehicle: str
    fault: str | None = None
    stage: str = "dry-spin"


SHOWS = (
    Show("bramble", stage="power-up"),
    Show("bramble"),
    Show("thistle"),
    Show("bramble", "front-axle-wrong-way"),
    Show("bramble", "phases-not-swapped"),
    Show("bramble", "hot-while-dry"),
    Show("bramble", "weak-pack"),
    Show("bramble", "bad-precharge"),
    Show("thistle", "direction-without-brake"),
    Show("bramble", "sensor-frozen"),
)


@dataclass(frozen=True)
class Shown:
    """One run, checked."""

    run: Run
    report: Report
    page: Path

    @property
    def as_expected(self) -> bool:
        """Whether the verdict and the rules that had to speak up are the expected ones."""
        failed = {f.rule for f in self.report.findings if f.verdict == "fail"}
        unproven = {f.rule for f in self.report.findings if f.verdict == "unproven"}
        fault = self.run.fault
        if self.report.verdict != self.run.expected:
            return False
        if fault is None:
            return not failed
        allowed = fault.must | fault.may
        return fault.must <= failed <= allowed and fault.unproven <= unproven


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = command(subparsers, "demo", __doc__, "canscope demo")
    parser.add_argument(
        "folder",
        nargs="?",
        type=Path,
        default=Path("canscope-demo"),
        metavar="FOLDER",
        help="where to write (default: canscope-demo)",
    )
    parser.add_argument(
        "--seed", type=int, default=1, help="of the noise in the captures (default: 1)"
    )


def run(args: argparse.Namespace) -> int:
    """Write, check and show every run; 0 if each came out as expected, else 1."""
    claim(args.folder)
    shown = list(_checked(args.folder, args.seed))
    _print_table(shown)
    _print_advice(args.folder, shown)
    return 0 if all(one.as_expected for one in shown) else 1


def claim(folder: Path) -> None:
    """Make the folder a demo folder; a folder with anything else in it is left alone.

    Raises:
        CanscopeError: it holds something else, is a file, or cannot be written.
    """
    sign = folder / SIGN
    hint = "name another folder: canscope demo FOLDER"
    try:
        if folder.is_dir() and not sign.is_file() and any(folder.iterdir()):
            what = "this folder is not empty and no demo folder: nothing was written"
            raise CanscopeError(what, where=Where(str(folder)), hint=hint)
        folder.mkdir(parents=True, exist_ok=True)
        sign.write_text(SIGN_TEXT, "utf-8")
    except OSError as error:
        what = f"cannot write the demo here: {error.strerror}"
        raise CanscopeError(what, where=Where(str(folder)), hint=hint) from error


def _checked(folder: Path, seed: int) -> Iterator[Shown]:
    """Make, write and check one run after the other, with a bar where there is a terminal."""
    from rich.console import Console
    from rich.progress import track

    from canscope.checking.inputs import Inputs
    from canscope.checking.judging import judge_files
    from canscope.checking.numbered import write_numbered
    from canscope.simulate.folder import write_run
    from canscope.simulate.runs import make_run

    console = Console(stderr=True)
    steps = track(SHOWS, "demo runs", console=console, transient=True)
    for number, show in enumerate(steps, start=1):
        made = make_run(show.vehicle, stage=show.stage, fault=show.fault, seed=seed)
        files = write_run(made, folder / f"{number:02}-{made.name}")
        inputs = Inputs((str(files.capture),), files.plan)
        reports = files.capture.parent / "reports"
        report, written = write_numbered(judge_files(inputs), reports, inputs.stem)
        page = next(path for path in written if path.suffix == ".html")
        yield Shown(made, report, page)


def _print_table(shown: list[Shown]) -> None:
    from rich.console import Console
    from rich.padding import Padding
    from rich.text import Text

    console = Console(highlight=False)
    for one in shown:
        fault = one.run.fault
        rules = ", ".join(sorted((fault.must or fault.unproven) if fault else ()))
        expected = "" if one.as_expected else f"  NOT AS EXPECTED ({one.run.expected}: {rules})"
        style = {"pass": "bold green", "fail": "bold red"}.get(one.report.verdict, "bold yellow")
        console.print(
            Text.assemble(
                (f"{one.report.verdict.upper():9}", style),
                (one.run.name, "bold"),
                (expected, "bold red"),
            )
        )
        if fault:
            console.print(Padding(Text(f"what is wrong: {fault.says}"), (0, 0, 0, 9)))
        console.print(Padding(Text(first_look(one.report)), (0, 0, 0, 9)))
        console.print(Padding(Text(f"report: {one.page}", overflow="fold"), (0, 0, 1, 9)))


def first_look(report: Report) -> str:
    """The first thing to look at in a report: its own lead, else a finding that is no pass."""
    if report.verdict == "pass":
        return "nothing failed"
    for text in report.look_first[:1]:
        # The text may go on with other findings; the table has room for the first one alone.
        lead = report.lead(text)
        return lead.sentence if lead else text
    for verdict in ("fail", "unproven"):
        for finding in sorted(report.findings, key=lambda f: not f.required):
            if finding.verdict == verdict:
                return finding.sentence
    return report.headline


def _print_advice(folder: Path, shown: list[Shown]) -> None:
    from rich.console import Console
    from rich.markup import escape

    console = Console(highlight=False)
    odd = [one for one in shown if not one.as_expected]
    for one in odd:
        failed = sorted({f.rule for f in one.report.findings if f.verdict == "fail"})
        console.print(escape(f"not as expected: {one.run.name}: failed {', '.join(failed) or '-'}"))
    first = next((one for one in odd or shown if one.report.verdict == "fail"), shown[0])
    says = first.run.fault.says if first.run.fault else "This run should have passed."
    console.print(escape(f"Open this report first: {first.page}"))
    console.print(escape(f"  {says}"))
    capture = first.page.parent.parent / "capture.log"
    console.print(escape(f"Check it yourself: canscope check {capture.parent}"))
    console.print("Everything here is simulated. No CAN value proves that a circuit is dead.")
