"""What several commands take alike: their help with an example, and how a capture is read.

``--bus NAME=...`` says what belongs to the bus of that name: its definition file, or while
recording its adapter. ``--channel NAME`` says on which bus a capture was recorded. A bus has the
same name in the capture, in the plan and here.
"""

from __future__ import annotations

import argparse
from typing import Any

from canscope.capture import READERS
from canscope.model.errors import CanscopeError


def command(subparsers: Any, name: str, text: str, example: str) -> argparse.ArgumentParser:
    """A parser for one command: the first line of its text in the list, all of it in its help."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        name,
        help=text.strip().split("\n")[0],
        description=text.strip(),
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    return parser


def add_bus(parser: argparse.ArgumentParser, rest: str) -> None:
    """The option that names the definition file of one bus; ``rest`` ends its help."""
    parser.add_argument(
        "--bus",
        action="append",
        default=[],
        metavar="NAME=FILE",
        help=f"the definition of the bus of that name, as can1=drive_unit.dbc; {rest}",
    )


def add_format(parser: argparse.ArgumentParser) -> None:
    """The options that say what a capture is and on which bus it was recorded."""
    parser.add_argument(
        "--format",
        metavar="KIND",
        help="what the captures are, one of " + ", ".join(READERS) + " (default: as their "
        "first bytes tell)",
    )
    parser.add_argument(
        "--channel",
        action="append",
        metavar="NAME",
        help="the bus on which captures were recorded whose format does not say it (CSV, SQLite, "
        "pcap): once for all of them; or once for each, in their order, also where it says it",
    )


def add_columns(parser: argparse.ArgumentParser) -> None:
    """The option that says what the columns of a table mean."""
    parser.add_argument(
        "--columns",
        metavar="MEANING=HEADING,...",
        help="what the columns of a table of frames mean, where their headings do not say it: "
        "time_ms=Stamp,id_hex=Ident,data=Bytes",
    )


def add_reading(parser: argparse.ArgumentParser) -> None:
    """All options that say how captures are read."""
    add_format(parser)
    add_columns(parser)
    parser.add_argument(
        "--offset",
        action="append",
        default=[],
        metavar="FILE=SECONDS",
        help="add this to the stamps of one of several captures, which puts it on the clock of the "
        "first one without offset",
    )


def by_bus(texts: list[str]) -> dict[str, list[str]]:
    """What --bus says: definition files by bus.

    Raises CanscopeError for what is not NAME=FILE.
    """
    files: dict[str, list[str]] = {}
    for text in texts:
        bus, _, file = text.partition("=")
        if not bus or not file:
            hint = "write the bus as in the capture and a file: --bus can1=drive_unit.dbc"
            raise CanscopeError(f"--bus {text}: not NAME=FILE", hint=hint)
        files.setdefault(bus, []).append(file)
    return files
