"""``decode`` and ``check`` as Python users call them: with paths, or with what was read before."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from canscope.capture.order import gathered
from canscope.capture.read import Capture, read_capture
from canscope.decoding import columns
from canscope.decoding.database import read_definitions
from canscope.model.decoded import Decoded
from canscope.model.definition import Definitions
from canscope.model.errors import CanscopeError
from canscope.model.signals import Signals
from canscope.model.tables import Frames

if TYPE_CHECKING:
    from canscope.judge.facts import Source
    from canscope.model.report import Report
    from canscope.plan.plan import Plan

Path = str | os.PathLike[str]


def decode(
    capture: Path | Sequence[Path] | Frames | Iterable[Frames],
    definitions: Path | Sequence[Path] | Mapping[str, Path | Sequence[Path]] | Definitions,
    *,
    wanted: Collection[str] | None = None,
) -> Decoded[Any]:
    """Decode a capture: ``decode("capture.log", "unit.dbc")``.

    ``capture`` is a path, several, or what ``read_capture`` gave. ``definitions`` is a path,
    several for every channel, ``{"can1": "unit.dbc"}``, or what ``read_definitions`` gave.
    ``wanted`` are the keys (``channel:Message.Signal``; as channel ``*`` means every channel
    without a definition of its own) of the only signals to decode.

    Nothing is read before it is asked for: ``signals["MotorSpeed"]``, ``signals.to_frame()``, a
    loop, or ``check``.

    Raises ``UnknownNameError`` at once for a wanted key that is not defined, ``DefinitionError``
    for definitions that cannot be used, ``CaptureError`` for a capture that is not there.
    """
    known = definitions if isinstance(definitions, Definitions) else read_definitions(definitions)
    source = _opened(capture)
    frames = gathered(source) if isinstance(source, Capture) else source
    chunks = columns.decode(frames, known, wanted=wanted)
    return Decoded(chunks, source if isinstance(source, Capture) else None)


def check(
    signals: Path | Sequence[Path] | Capture | Frames | Signals | Iterable[Signals],
    plan: Path | Plan,
    *,
    marks: Path | None = None,
    capture: Source | None = None,
    written_at: str = "",
) -> Report:
    """Judge a capture against a bench plan: ``check("capture.log", "bench.toml")``.

    ``signals`` is a path, several, what ``read_capture`` gave, or what ``decode`` gave. ``plan`` is
    a path or what ``read_plan`` gave; ``marks`` is a file of marks beside a plan given by its
    path. ``capture`` is what ``read_capture`` gave, for the hashes in the report: needed only
    where signals were decoded in another way than by ``decode``. ``written_at`` is printed as the
    report's date.

    Raises ``PlanError`` with every mistake of the plan, ``CaptureError`` if there is not one frame
    or a path is no capture.
    """
    # Whoever only decodes does not wait for the rules and the plan's schema.
    from canscope.judge.check import check as check_signals
    from canscope.plan.load import read_plan
    from canscope.plan.plan import Plan

    if isinstance(plan, Plan):
        if marks is not None:
            raise TypeError("marks go with a plan given by its path; read_plan takes them too")
    else:
        plan = read_plan(os.fspath(plan), marks=None if marks is None else os.fspath(marks))
    if isinstance(signals, Decoded):
        source = signals.capture
    elif isinstance(signals, Signals):
        source = None
    elif isinstance(signals, Capture | Frames) or _paths(signals):
        buses = {message.channel for message in plan.definitions.messages} | {*plan.bench.bitrates}
        only = next(iter(buses)) if len(buses) == 1 else None
        signals = decode(_opened(signals, only), plan.definitions, wanted=plan.wanted)
        source = signals.capture
    else:
        signals, source = _not_used_up(signals), None
    report = check_signals(signals, plan, capture=capture or source, written_at=written_at)
    notes = source.notes if isinstance(source, Capture) else ()
    return replace(report, warnings=(*notes, *report.warnings))


def _paths(given: Any) -> list[str]:
    """The paths that are given, none if it is something else."""
    if isinstance(given, str | os.PathLike):
        return [os.fspath(given)]
    if isinstance(given, list | tuple) and all(isinstance(p, str | os.PathLike) for p in given):
        return [os.fspath(path) for path in given]
    return []


def _opened(given: Any, channel: str | None = None) -> Any:
    """A capture that is given by its path or paths, opened; all else as it is."""
    paths = _paths(given)
    return read_capture(*paths, channel=channel) if paths else given


def _not_used_up(signals: Any) -> Iterator[Signals]:
    """The chunks of an iterable. Raises ``CanscopeError`` if not one comes."""
    count = 0
    for count, chunk in enumerate(signals, start=1):  # noqa: B007
        yield chunk
    if not count:
        raise CanscopeError(
            "no signals came: this iterator is used up, or there never was a frame in it",
            hint="an iterator can be gone through once: call decode again",
        )
