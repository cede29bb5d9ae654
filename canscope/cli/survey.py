"""Survey a bus without a definition: what each identifier carries, and which fields follow a thing.

All of it is inferred from the capture: it shows where to look, and proves nothing.

What makes a clear answer: a meter logged over the whole run, or ten readings at four different
values or more; or eight presses while nothing else happens, three at least. Every time counts
from the first frame and has to be right within half a second.

Two sensors of one thing (the links of two units, two tracks of a pedal) no reading tells apart:
they are told as undecided, and get no name in a definition until one is picked. Say which bus it is
on if you know it: --reference can1:units.front.link_voltage=...
"""

from __future__ import annotations

import argparse
import shlex
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.cli._options import add_reading, command
from canscope.model.errors import CaptureError, ReportError, Where

if TYPE_CHECKING:
    from canscope.model.survey import Candidate, Identifier, Ranking, Survey

MOST_RARE = 12  # identifiers named
EXAMPLE = (
    "canscope survey first_spin.log --accept found.dbc "
    "--reference pack.voltage=12.5:357.9,40:356.1,71:341.0,90:352.4"
)


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = command(subparsers, "survey", __doc__, EXAMPLE)
    parser.add_argument(
        "captures", nargs="+", metavar="CAPTURE", help="capture file(s), a run folder, or '-'"
    )
    parser.add_argument(
        "--reference",
        action="append",
        default=[],
        metavar="F.csv|ROLE=...",
        help="something you know: ROLE=12.5:357.9,40:356 (seconds:value; with decimal commas "
        "'1,5:357,9; 40:356'), ROLE=3.2,8.1 (marks), "
        "ROLE=F.csv, or F.csv with the columns at_s, role, value; ROLE*9.1=... multiplies by a "
        "ratio; can1:ROLE=... looks on that bus only; may be repeated",
    )
    parser.add_argument(
        "--pick",
        action="append",
        default=[],
        metavar="ROLE=NUMBER",
        help="of the fields listed for a reference, the one that you take to be it, by its number; "
        "may be repeated",
    )
    parser.add_argument(
        "--accept",
        type=Path,
        metavar="F.dbc",
        help="write what was found as a definition, its signals marked as inferred; of several "
        "buses one file each, with the bus in its name",
    )
    parser.add_argument("--html", type=Path, metavar="F", help="write a page with plots here")
    parser.add_argument("--json", type=Path, metavar="F", help="write everything as JSON here")
    add_reading(parser)


def run(args: argparse.Namespace) -> int:
    """Survey, rank, write, print; 0, or 2 where there is too little to find anything in."""
    from canscope.capture.read import read_capture
    from canscope.checking.inputs import captures_of
    from canscope.cli._progress import shown
    from canscope.cli.check import columns_of, offsets_of
    from canscope.report import survey_page
    from canscope.report.write import write_sealed
    from canscope.survey.ranking import picked, rank
    from canscope.survey.reference import outside, read_references
    from canscope.survey.survey import survey_frames

    references = read_references(args.reference)
    for path in filter(None, (args.accept, args.html, args.json)):
        _check_free(path)
    capture = read_capture(
        *captures_of(args.captures),
        format=args.format,
        channel=args.channel,
        offsets=offsets_of(args.offset),
        columns=columns_of(args.columns),
    )
    survey, surveyed = survey_frames(shown(capture))
    survey = replace(
        survey,
        sha256=capture.sha256,
        names=capture.names,
        rankings=picked(rank(surveyed, references), args.pick),
        notes=(*capture.notes, *survey.notes, *outside(references, survey.seconds)),
    )
    _print(survey)
    written = _accept(survey, args.accept) if args.accept else []
    if args.html:
        written.append(write_sealed(args.html, survey_page.page(survey)))
    if args.json:
        written.append(write_sealed(args.json, [survey_page.data(survey).encode()]))
    for path in written:
        print(f"written: {path}")
    if args.accept:
        for line in _unnamed(survey):
            print(line)
        print(f"next: {_draft_words(args, survey)}")
    if all(one.is_rare for one in survey.identifiers):
        hint = "record for a minute or more, while as much as possible changes"
        raise CaptureError("too few frames of every identifier: nothing can be told", hint=hint)
    return 0


def _check_free(path: Path) -> None:
    """Before a long capture is read: whether what is to be written is there already."""
    if path.exists():
        hint = "name another file, or move it away"
        raise ReportError("there is already a file of that name", where=Where(str(path)), hint=hint)


def _accept(survey: Survey, path: Path) -> list[Path]:
    from canscope.survey.dbc import dbc_texts, files

    texts = dbc_texts(survey)
    names = files(path.stem, list(texts))
    targets = {channel: path.with_name(name) for channel, name in names.items()}
    for target in targets.values():
        _check_free(target)
    for channel, target in targets.items():
        try:
            target.write_text(texts[channel], "utf-8")
        except OSError as error:
            raise ReportError(f"cannot be written: {error}", where=Where(str(target))) from error
    return list(targets.values())


def _unnamed(survey: Survey) -> Iterator[str]:
    """For which references no field got its name in the definition, and why."""
    for one in survey.rankings:
        if not (one.clear or one.picked):
            why = f"undecided among {one.tied}" if one.tied > 1 else "not clear enough"
            why = why if one.candidates else "no field follows it"
            pick = f"; --pick {one.role}=NUMBER takes one" if one.candidates else ""
            yield f"not named in it: {one.role} ({why}{pick})"


def _draft_words(args: argparse.Namespace, survey: Survey) -> str:
    """The command that drafts a plan from these definitions, each on its own bus."""
    from canscope.survey.dbc import dbc_texts, files

    names = files(args.accept.stem, list(dbc_texts(survey)))
    buses = [f"--bus {channel}={args.accept.with_name(file)}" for channel, file in names.items()]
    return shlex.join(["canscope", "plan", "new", *args.captures]) + " " + " ".join(buses)


def _print(survey: Survey) -> None:
    from rich.console import Console
    from rich.text import Text

    from canscope.report.wording import visible

    console = Console()
    buses, count = len({one.channel for one in survey.identifiers}), len(survey.identifiers)
    console.print(
        f"{survey.frames} frames in {survey.seconds:.1f} s, {count} identifier{'s'[: count > 1]} "
        f"on {buses} bus{'es' if buses > 1 else ''}. Everything below is inferred from the capture."
    )
    for note in survey.notes:
        console.print(Text(visible(f"mind: {note}"), "yellow"))
    rare = [one for one in survey.identifiers if one.is_rare]
    for one in survey.identifiers:
        if not one.is_rare:
            _print_identifier(console, one)
    if rare:
        names = ", ".join(f"{one.key} ({one.frames})" for one in rare[:MOST_RARE])
        more = f" and {len(rare) - MOST_RARE} more" if len(rare) > MOST_RARE else ""
        console.print(Text(visible(f"\ntoo rare to tell anything (frames): {names}{more}")))
    for ranking in survey.rankings:
        _print_ranking(console, ranking)


def _print_identifier(console: Any, one: Identifier) -> None:
    from rich.table import Table
    from rich.text import Text

    from canscope.report.survey_page import flip_map, rhythm, values

    console.print(Text(f"\n{one.key}  {rhythm(one)}", "bold"))
    for line in flip_map(one):
        console.print(Text(f"  {line}"), no_wrap=True, overflow="ignore", crop=False)
    grid = Table.grid(padding=(0, 2, 0, 2))
    for field in one.fields:
        sure = f"{field.confidence:.2f}" if field.confidence else ""
        about = field.about or values(field)
        grid.add_row(field.kind, field.place, sure, about)
    if one.fields:
        console.print(grid)


def _print_ranking(console: Any, ranking: Ranking) -> None:
    from rich.table import Table
    from rich.text import Text

    from canscope.report.survey_page import outcome
    from canscope.report.wording import visible

    console.print(
        Text(
            visible(f"\n{ranking.role}, {ranking.points} {ranking.kind}: {outcome(ranking)}"),
            "bold",
        )
    )
    grid = Table.grid(padding=(0, 2, 0, 2))
    for place, candidate in enumerate(ranking.candidates, start=1):
        grid.add_row(f"{place}.", *map(visible, _candidate(candidate, ranking.kind)))
    console.print(grid)


def _candidate(one: Candidate, kind: str) -> tuple[str, ...]:
    from canscope.report.survey_page import fit

    chosen = "" if one.selected is None else f", where byte 0 is {one.selected}"
    shown = fit(one) if kind == "values" else ""
    return one.identifier.key, one.field.place + chosen, f"score {one.score:.2f}", shown
