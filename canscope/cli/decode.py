"""Decode a capture into a tidy table (parquet or CSV), one row a signal value."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.cli._nothing_decoded import Seen, reasons
from canscope.cli._options import add_bus, add_reading, by_bus, command
from canscope.model.errors import CanscopeError, ReportError, UnknownNameError, Where

if TYPE_CHECKING:
    from canscope.capture.read import Capture
    from canscope.model.definition import Definitions
    from canscope.model.signals import Signals
    from canscope.model.tables import Frames, Tally
    from canscope.trust.samples.no_value_codes import Policy

EXAMPLE = "canscope decode first_spin.log --definitions drive_unit.dbc --to values.parquet"
EVERY = "*"  # channel of definitions that are given without one


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = command(subparsers, "decode", __doc__, EXAMPLE)
    parser.add_argument(
        "captures", nargs="+", metavar="CAPTURE", help="capture file(s), a run folder, or '-'"
    )
    parser.add_argument(
        "--definitions",
        nargs="+",
        action="extend",
        metavar="D",
        help="signal definitions (DBC, KCD, ARXML) of every bus that --bus does not name",
    )
    add_bus(parser, "may be repeated")
    parser.add_argument("--to", type=Path, required=True, metavar="F", help="F.parquet or F.csv")
    parser.add_argument(
        "--wide",
        action="store_true",
        help="one row a frame, one column a signal that occurs (of standard input, which cannot be "
        "read twice: one a signal that is defined)",
    )
    parser.add_argument(
        "--plain-text",
        action="store_true",
        help="text columns of parquet as strings (default: dictionaries, in pandas categoricals)",
    )
    parser.add_argument(
        "--compression",
        choices=("snappy", "zstd", "none"),
        default="snappy",
        help="of parquet (default: snappy; zstd is smaller)",
    )
    parser.add_argument(
        "--signals",
        action="append",
        metavar="A,B",
        help="only these: channel:Message.Signal, Message.Signal or Signal",
    )
    parser.add_argument("--from", dest="start_s", type=float, metavar="S", help="from this second")
    parser.add_argument("--until", dest="until_s", type=float, metavar="S", help="before it")
    parser.add_argument(
        "--not-available",
        metavar="CODES",
        help="raw codes that mean no value: j1939, maximum, none, or a list such as 254,0xFF",
    )
    add_reading(parser)


def run(args: argparse.Namespace) -> int:
    """Decode and write; one line at the end says what was written and what could not be used."""
    from canscope.capture.read import read_capture
    from canscope.checking.inputs import captures_of
    from canscope.cli._progress import shown
    from canscope.cli.check import columns_of, offsets_of
    from canscope.decoding.columns import decode
    from canscope.decoding.database import read_definitions
    from canscope.decoding.table_file import table_file, wide_columns
    from canscope.model.tables import NOTHING
    from canscope.model.tidy import TIDY, tidy, wide

    args.captures = captures_of(args.captures)
    files = _files(args)
    _check_output(args.to, [*args.captures, *(name for names in files.values() for name in names)])
    if args.start_s is not None and args.until_s is not None and args.start_s >= args.until_s:
        what = f"--from {args.start_s:g} is not before --until {args.until_s:g}"
        raise CanscopeError(what, hint="both count in seconds from the first frame")
    policy = _policy(args.not_available)
    definitions = read_definitions(files, {} if policy is None else {EVERY: policy})
    for warning in definitions.warnings:
        _say(warning)
    wanted = None if args.signals is None else _wanted(args.signals, definitions)
    count = _Count(NOTHING)
    alone = next(iter(files)) if len(files) == 1 and EVERY not in files else None

    def opened() -> Capture:
        return read_capture(
            *args.captures,
            format=args.format,
            channel=args.channel or alone,
            offsets=offsets_of(args.offset),
            columns=columns_of(args.columns),
        )

    keys = _wide_keys(args, opened, definitions, wanted) if args.wide else []
    capture = opened()
    origin_ns, chunks = _begun(shown(capture))
    frames = count.frames(_within(chunks, origin_ns, args.start_s, args.until_s))
    signals = count.signals(decode(frames, definitions, wanted=wanted))
    if args.wide:
        tables, columns = wide(signals, keys, origin_ns=origin_ns), wide_columns(keys)
    else:
        tables, columns = tidy(signals, origin_ns=origin_ns), TIDY
    with table_file(
        args.to, columns, plain_text=args.plain_text, compression=args.compression
    ) as file:
        for table in tables:
            file.write(table)
            count.rows += len(table)
    for channel in sorted(files.keys() - count.channels - {EVERY}):
        _say(f"no frame on channel {channel}; seen: {', '.join(sorted(count.channels)) or 'none'}")
    for note in (*capture.notes, *count.read.notes, *count.read.examples):
        _say(note)
    if not count.rows:
        for reason in reasons(count.ids, definitions):
            _say(reason)
    _say(f"{args.to}: {count}")
    if not count.rows:
        _say("nothing was decoded")
        for reason in _why_nothing(args, definitions):
            _say(reason)
    return 0


@dataclass
class _Count:
    """What went through, for the line at the end."""

    read: Tally
    rows: int = 0
    seen: int = 0
    values: int = 0
    undefined: dict[str, int] = field(default_factory=dict)
    short: dict[str, int] = field(default_factory=dict)
    selectors: dict[str, int] = field(default_factory=dict)
    absent: int = 0
    outside: int = 0
    channels: set[str] = field(default_factory=set)
    ids: Seen = field(default_factory=Seen)

    def frames(self, chunks: Iterable[Frames]) -> Iterator[Frames]:
        """Count frames on their way."""
        for chunk in chunks:
            self.seen += len(chunk)
            self.channels.update(chunk.channels)
            self.read = self.read + chunk.tally
            if not self.values:
                self.ids.add(chunk)
            yield chunk

    def signals(self, chunks: Iterable[Signals]) -> Iterator[Signals]:
        """Count values on their way, and what decoding could not use."""
        from canscope.model.signals import NOT_AVAILABLE, OUT_OF_RANGE, DecodeTally

        tally = DecodeTally()
        for chunk in chunks:
            tally = tally + chunk.tally
            self.undefined = dict(tally.undefined_ids)
            self.short = dict(tally.short_frames)
            self.selectors = dict(tally.undefined_multiplexer)
            for series in chunk.series.values():
                self.values += len(series.status)
                self.absent += int((series.status == NOT_AVAILABLE).sum())
                self.outside += int((series.status == OUT_OF_RANGE).sum())
            yield chunk

    def __str__(self) -> str:
        said = [
            f"{self.rows} rows",
            f"{self.values} values of {self.seen} frames",
            f"frames with undefined identifier: {_listed(self.undefined)}",
            f"shorter than defined: {_listed(self.short)}",
            f"with undefined multiplexer value: {_listed(self.selectors)}",
            f"values not available: {self.absent}",
            f"out of range: {self.outside}",
            f"lines not readable: {self.read.skipped}",
        ]
        return "; ".join(said)


def _say(text: str) -> None:
    from canscope.report.wording import visible

    print(f"canscope: {visible(text)}", file=sys.stderr)


def _listed(counts: dict[str, int]) -> str:
    """A total, and where it comes from."""
    total = sum(counts.values())
    most = sorted(counts, key=lambda key: -counts[key])
    shown = ", ".join(f"{key} {counts[key]}" for key in most[:3])
    more = f" and {len(most) - 3} more" if len(most) > 3 else ""
    return f"{total} ({shown}{more})" if total else "0"


def _files(args: argparse.Namespace) -> dict[str, list[str]]:
    """Definition files by channel."""
    files: dict[str, list[str]] = {EVERY: args.definitions} if args.definitions else {}
    for bus, names in by_bus(args.bus).items():
        files.setdefault(bus, []).extend(names)
    if not files:
        hint = "name them with --definitions, or for one channel with --bus NAME=FILE"
        raise CanscopeError("without definitions there is nothing to decode", hint=hint)
    return files


def _policy(text: str | None) -> Policy:
    """What --not-available says: a word, or raw values."""
    if text is None or text in ("j1939", "maximum", "none"):
        return text
    try:
        return [int(code, 0) for code in text.split(",")]
    except ValueError as error:
        hint = "write j1939, maximum, none, or raw values such as 254,0xFF"
        raise CanscopeError(f"--not-available {text}: not understood", hint=hint) from error


def _check_output(path: Path, inputs: Sequence[str]) -> None:
    """Never write over what is being read, nor over what lies in a recorded run's folder."""
    if not path.exists():
        return
    for name in inputs:
        given = Path(name)
        if given.exists() and (given.samefile(path) or given.resolve() in path.resolve().parents):
            hint = "name another file with --to"
            raise ReportError("this is one of the inputs", where=Where(str(path)), hint=hint)


def _wanted(texts: Sequence[str], definitions: Definitions) -> set[str]:
    """The keys that --signals means; a name without its channel or message means every such.

    Raises:
        UnknownNameError: there is no such signal.
    """
    known = definitions.signals()
    channels = {spec.channel for spec in known.values()}
    names: dict[str, set[str]] = {}
    for key, spec in known.items():
        for name in (key, f"{spec.message}.{spec.name}", spec.name):
            names.setdefault(name, set()).add(key)
    wanted: set[str] = set()
    for text in texts:
        for name in [text] if text in names else map(str.strip, text.split(",")):
            channel, _, rest = name.partition(":")
            if name in names:
                wanted |= names[name]
            elif channel not in channels and f"{EVERY}:{rest}" in known:
                wanted.add(name)
            else:
                _refuse_lost(name, definitions)
                usable = [name.removeprefix(f"{EVERY}:") for name in names]
                raise UnknownNameError("signal", name, usable)
    return wanted


def _why_nothing(args: argparse.Namespace, definitions: Definitions) -> Iterator[str]:
    """Likely reasons for an empty table; the capture is read once more for them."""
    from canscope.capture.read import read_capture
    from canscope.proofreading.against_capture import Traffic, why_nothing

    if "-" in args.captures:
        return
    traffic = Traffic()
    for frames in read_capture(*args.captures, format=args.format, channel=args.channel):
        traffic.take(frames)
    yield from why_nothing(traffic, definitions.messages)


def _refuse_lost(name: str, definitions: Definitions) -> None:
    """Say why a signal that is asked for by name cannot be used, if a mistake in its file is why.

    Raises:
        DefinitionError: at its file and line.
    """
    from canscope.model.errors import DefinitionError

    for lost in definitions.lost:
        if lost.covers(name) or (lost.channel == EVERY and lost.covers(name.partition(":")[2])):
            where = Where(lost.file, lost.problem.line)
            what = f"signal {name!r} cannot be used: {lost.problem.what}"
            raise DefinitionError(what, where=where, hint=lost.problem.hint)


def _wide_keys(
    args: argparse.Namespace,
    opened: Callable[[], Capture],
    definitions: Definitions,
    wanted: set[str] | None,
) -> list[str]:
    """The columns of a wide table: what occurs in the stretch asked for, found by a first reading.

    Standard input can be read only once: of that, whatever is defined.
    """
    from canscope.capture.order import gathered
    from canscope.decoding.columns import Decoder, decode

    if "-" in args.captures:
        if any(message.channel == EVERY for message in definitions.messages):
            hint = "name the buses with --bus NAME=FILE, or write the capture to a file first"
            raise CanscopeError("--wide must know the buses of standard input", hint=hint)
        return list(Decoder(definitions, wanted).keys())
    origin_ns, chunks = _begun(iter(opened()))
    frames = gathered(_within(chunks, origin_ns, args.start_s, args.until_s))
    keys: dict[str, bool] = {}  # in the order of the definition
    for signals in decode(frames, definitions, wanted=wanted):
        for key, series in signals.series.items():
            keys[key] = keys.get(key, False) or len(series.row) > 0
    if args.signals and (absent := [key for key, occurs in keys.items() if not occurs]):
        _say(f"never seen, so without a column: {', '.join(absent)}")
    return [key for key, occurs in keys.items() if occurs]


def _begun(chunks: Iterator[Frames]) -> tuple[int | None, Iterator[Frames]]:
    """The stamp of a capture's first frame, and all of its chunks."""
    empty: list[Frames] = []
    for chunk in chunks:
        if len(chunk):
            return int(chunk.time_ns[0]), chain(empty, [chunk], chunks)
        empty.append(chunk)
    return None, iter(empty)


def _within(
    chunks: Iterable[Frames], origin_ns: int | None, start_s: float | None, until_s: float | None
) -> Iterator[Frames]:
    """The frames with start <= time < until, in seconds since the capture's first frame."""
    import numpy as np

    for chunk in chunks:
        since_s = (chunk.time_ns - np.int64(origin_ns or 0)) / 1e9
        rows = np.ones(len(chunk), np.bool_)
        if start_s is not None:
            rows &= since_s >= start_s
        if until_s is not None:
            rows &= since_s < until_s
        yield chunk if rows.all() else replace(chunk.take(rows), tally=chunk.tally)
