"""Show what is in a capture: messages and signals of every bus, and which definition fits it."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.cli._options import add_format, by_bus, command
from canscope.cli._plan_new import add_definitions
from canscope.model.errors import CanscopeError, ReportError, Where

if TYPE_CHECKING:
    from canscope.draft.facts import Bus, Fit, MessageFacts
    from canscope.draft.inventory import Inventory

ROOMY = 110
WIDE = 160
MOST_NAMES = 12  # messages that are listed by name
EXAMPLE = "canscope signals first_spin.log --definitions vehicle.dbc drive_unit.dbc"


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = command(subparsers, "signals", __doc__, EXAMPLE)
    parser.add_argument(
        "captures", nargs="+", metavar="CAPTURE", help="capture file(s), a run folder, or '-'"
    )
    add_definitions(parser)
    parser.add_argument("--json", type=Path, metavar="F", help="write it as JSON to this file")
    parser.add_argument("--html", type=Path, metavar="F", help="write one page with curves")
    add_format(parser)


def run(args: argparse.Namespace) -> int:
    """Look through the capture once and show what is in it."""
    from canscope.capture.read import read_capture
    from canscope.checking.inputs import captures_of
    from canscope.cli._progress import shown
    from canscope.draft.inventory import take_inventory

    for path in (args.json, args.html):
        if path is not None and path.exists():
            hint = "name another file; none is overwritten"
            raise ReportError("this file exists already", where=Where(str(path)), hint=hint)
    names = captures_of([str(name) for name in args.captures])
    capture = read_capture(*names, format=args.format, channel=args.channel)
    inventory = take_inventory(shown(capture), args.definitions, by_bus=by_bus(args.bus))
    if not inventory.frames:
        hint = "name the format with --format if it was taken for another one"
        raise CanscopeError("no frame in the capture", where=Where(names[0]), hint=hint)
    _print(inventory)
    if args.json:
        _write(args.json, json.dumps(_as_json(inventory), indent=1, ensure_ascii=False) + "\n")
    if args.html:
        from canscope.draft.page import as_html

        _write(args.html, as_html(inventory, ", ".join(names)))
    return 0


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, "utf-8")
    except OSError as error:
        what = f"cannot be written: {error.strerror or error}"
        raise ReportError(what, where=Where(str(path)), hint="name another file") from error
    print(f"written: {path}")


def _print(inventory: Inventory) -> None:
    from rich.console import Console
    from rich.text import Text

    from canscope.report.wording import visible

    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(width=WIDE, highlight=False)
    # Text, never markup: a signal named [red] stays what it is.
    head = f"{inventory.frames} frames in {inventory.end_ns / 1e9:.1f} s"
    if inventory.errors:
        head += f", {inventory.errors} of them error frames"
    if inventory.tally.skipped:
        head += f"; {inventory.tally.skipped} lines not readable"
    console.print(Text(head))
    for doubt in inventory.doubts:
        console.print(Text(visible(f"mind: {doubt}"), "yellow"), soft_wrap=True)
    for bus in inventory.buses:
        console.print(Text(f"\n{visible(bus.channel)}: {_definitions(bus)}", "bold"))
        if bus.messages:
            points = 16 if console.width >= ROOMY else 8  # names matter more than the course
            console.print(_table(bus, inventory.end_ns, points))
        for line in _remarks(bus):
            console.print(Text(visible(line), "yellow"), soft_wrap=True)
    for file in inventory.unused:
        console.print(Text(f"\n{visible(file)}: fits no bus of this capture", "yellow"))


def _definitions(bus: Bus) -> str:
    if not bus.files:
        return "no definition" if not bus.fits else "no definition fits"
    names = ", ".join(Path(file).name for file in bus.files)
    if bus.given:
        return f"{names}, as you named it"
    best = next((fit for fit in bus.fits if fit.file == bus.files[0]), None)
    return f"{names} ({_fit(best)})" if best else names


def _fit(fit: Fit) -> str:
    return (
        f"knows {fit.known_ids} of {fit.seen_ids} identifiers, {fit.known_frames:.0%} of the "
        f"frames; {fit.plausible:.0%} of its values plausible"
    )


def _remarks(bus: Bus) -> Iterator[str]:
    if bus.rivals:
        names = ", ".join(Path(file).name for file in bus.rivals)
        yield f"  fits exactly as well: {names}; tell them apart with --bus {bus.channel}=FILE"
    for fit in bus.fits:
        if fit.file not in bus.files and fit.file not in bus.rivals:
            yield f"  not taken: {Path(fit.file).name} ({_fit(fit)})"
    if bus.files and bus.undefined:
        yield f"  without a definition: {_listed([m.id_text for m in bus.undefined])}"
    if bus.never_seen:
        yield f"  defined and never seen: {_listed([spec.name for spec in bus.never_seen])}"


def _listed(names: list[str]) -> str:
    more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
    return ", ".join(names[:MOST_NAMES]) + more


def _table(bus: Bus, end_ns: int, points: int) -> Any:
    from rich.table import Table
    from rich.text import Text

    from canscope.report.wording import visible

    table = Table(show_edge=False, pad_edge=False)
    for name in ("message", "signal"):
        table.add_column(name, overflow="fold")
    for name in ("count", "cycle", "least", "greatest"):
        table.add_column(name, justify="right")
    table.add_column("unit", overflow="fold")
    table.add_column("changes", justify="right")
    table.add_column("course", no_wrap=True)
    for message in bus.messages:
        name = f"{message.id_text} {message.spec.name}" if message.spec else message.id_text
        cycle = _cycle(message)
        if not message.signals:
            lengths = "/".join(map(str, sorted(message.lengths)))
            table.add_row(visible(name), f"({lengths} bytes)", str(message.count), cycle)
        for number, facts in enumerate(message.signals):
            cells = (
                name if number == 0 else "",
                facts.spec.name,
                str(facts.count),
                cycle if number == 0 else "",
                _value(facts.least),
                _value(facts.greatest),
                facts.spec.unit,
                str(facts.changes),
                facts.course.drawn(end_ns, points),
            )
            table.add_row(*(Text(visible(cell)) for cell in cells))
    return table


def _cycle(message: MessageFacts) -> str:
    return "once" if message.cycle_ns is None else f"{message.cycle_ns / 1e6:.4g} ms"


def _value(value: float) -> str:
    return "" if value != value else f"{value:.6g}"


def _as_json(inventory: Inventory) -> dict[str, Any]:
    """The same content as data."""
    return {
        "format": 1,
        "frames": inventory.frames,
        "duration_s": round(inventory.end_ns / 1e9, 6),
        "error_frames": inventory.errors,
        "skipped": inventory.tally.skipped,
        "buses": {bus.channel: _bus_json(bus) for bus in inventory.buses},
        "signals": list(inventory.rows()),
        "unused_definitions": list(inventory.unused),
    }


def _bus_json(bus: Bus) -> dict[str, Any]:
    return {
        "definitions": list(bus.files),
        "fits_as_well": list(bus.rivals),
        "fits": [
            {
                "file": fit.file,
                "known_ids": fit.known_ids,
                "seen_ids": fit.seen_ids,
                "known_frames": round(fit.known_frames, 4),
                "plausible": round(fit.plausible, 4),
            }
            for fit in bus.fits
        ],
        "undefined_ids": [message.id_text for message in bus.undefined],
        "never_seen": [spec.name for spec in bus.never_seen],
    }
