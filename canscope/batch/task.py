"""What a worker does for one run: judge it, unless that is done already, and keep the result.

A result is the run's report without its curves, sealed, in a file whose name holds the hash of all
that it rests on. It appears under that name only when it is whole, so what a killed worker left
half written never counts.
"""

from __future__ import annotations

import hashlib
import os
import re
import sys
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from canscope import __version__
from canscope.build_record.runs import row_of
from canscope.build_record.verification import read_report
from canscope.cache.store import digest_of
from canscope.checking.inputs import Inputs, inputs_of
from canscope.checking.judging import judge_files
from canscope.checking.memory import return_freed_memory
from canscope.model.batch import NOT_JUDGED, BatchRun, Work
from canscope.model.errors import CanscopeError, Where
from canscope.model.report import ReadAs, Report
from canscope.plan.load import read_plan
from canscope.report.seal import is_intact
from canscope.report.write import SUFFIXES, write_report

JUDGED, REPORTS = "judged", "reports"  # folders of results, and of the reports asked for besides

Hashes = dict[tuple[str, str], str]  # (kind, name) of an input -> SHA-256

# A check may take all memory and threads of a process for itself; workers with several threads
# judge one run at a time all the same.
_ALONE = threading.Lock()


@dataclass(frozen=True)
class Terms:
    """How all runs of a batch are judged; it is sent to every worker."""

    plan: Path | None  # of all runs; without it each run folder has its own
    out: Path
    kinds: tuple[str, ...]  # of report, to be written besides the result
    read_as: ReadAs
    canscope: str  # ``this_canscope`` of the process that asks


@cache
def this_canscope() -> str:
    """The version of canscope and the hash of its sources."""
    return f"{__version__} {digest_of([''])}"


def judged(name: str, path: str, terms: Terms) -> BatchRun:
    """Judge the run of this name, a capture or run folder at ``path``, or find it judged already.

    ``path`` is a whole one, because a worker may work in another folder. What is wrong with a run
    never raises: it is the reason why the run is not judged.
    """
    began, used_s = time.perf_counter(), time.process_time()
    with _ALONE:
        try:
            run = _judged(name, path, terms)
        except CanscopeError as error:
            run = BatchRun(name, NOT_JUDGED, str(error))
        except MemoryError:
            run = BatchRun(name, NOT_JUDGED, "not enough memory; give fewer --workers")
        except OSError as error:
            run = BatchRun(name, NOT_JUDGED, f"cannot be read or written: {error}")
        return_freed_memory()
    work = Work(
        worker=_worker(),
        seconds=time.perf_counter() - began,
        processor_s=time.process_time() - used_s,
        peak_bytes=_peak_bytes(),
        earlier=run.work.earlier,
    )
    return replace(run, work=work)


def _judged(name: str, path: str, terms: Terms) -> BatchRun:
    if this_canscope() != terms.canscope:
        what = f"the worker {_worker()} has another canscope than this one"
        hint = "install the same one for all workers, and start them anew"
        raise CanscopeError(what, hint=hint)
    inputs = inputs_of([path], terms.plan)
    rests_on = _rests_on(inputs)
    stem = f"{inputs.stem[:80]}-{_key(inputs, rests_on, terms)}"
    result = terms.out / JUDGED / f"{stem}.json"
    reports = {
        kind: terms.out / REPORTS / f"{stem}.{SUFFIXES.get(kind, kind)}" for kind in terms.kinds
    }
    earlier = _is_whole(result, sealed=True) and all(map(_is_whole, reports.values()))
    report = read_report(result) if earlier else _judge(inputs, rests_on, terms, result, reports)
    run = _run(name, report)
    paths = [path.relative_to(terms.out).as_posix() for path in (result, *reports.values())]
    return replace(run, result=paths[0], reports=tuple(paths[1:]), work=Work(earlier=earlier))


def _judge(
    inputs: Inputs,
    rests_on: Hashes,
    terms: Terms,
    result: Path,
    reports: Mapping[str, Path],
) -> Report:
    said = terms.read_as
    report = judge_files(
        inputs, format=said.format, channel=said.channels or None, columns=said.columns
    )
    for entry in report.inputs:
        if rests_on.get((entry.kind, entry.name)) != entry.sha256:
            hint = "wait until it is written, then give the same command again"
            raise CanscopeError("changed while it was judged", where=Where(entry.name), hint=hint)
    for kind, path in reports.items():
        write_report(report, path, replace=True, kind=kind)
    # Last, because it says that all of the run is done.
    write_report(replace(report, plots={}, course=None), result, replace=True, kind="json")
    return report


def _rests_on(inputs: Inputs) -> Hashes:
    """The hashes of captures, plan, definitions and marks, before anything is judged.

    Raises ``PlanError`` for a plan that cannot be used.
    """
    hashes = {("capture", path): _sha256(Path(path)) for path in inputs.captures}
    plan = read_plan(inputs.plan, marks=inputs.marks)
    return hashes | {(entry.kind, entry.name): entry.sha256 for entry in plan.inputs}


def _key(inputs: Inputs, rests_on: Hashes, terms: Terms) -> str:
    """Sixteen digits for everything that the report of a run rests on.

    The paths are among it, since the report names them, and so are the notes on a run folder,
    which tell whether any file of it has changed.
    """
    told = (
        terms.canscope,
        sorted(rests_on.items()),
        str(inputs.plan),
        inputs.run_file,
        tuple(inputs.notes),
        terms.read_as,
    )
    return hashlib.sha256(repr(told).encode()).hexdigest()[:16]


def _sha256(path: Path) -> str:
    """The hash of a file; of what is none, nothing: reading it says what it is instead."""
    if not path.is_file():
        return ""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _is_whole(path: Path, *, sealed: bool = False) -> bool:
    try:
        intact = is_intact(path.read_bytes())
    except OSError:
        return False
    return intact is True or (intact is None and not sealed)


def _run(name: str, report: Report) -> BatchRun:
    row, capture = row_of(name, report), report.capture
    first_ns, last_ns = capture.first_ns, capture.last_ns
    return BatchRun(
        name=name,
        state=str(report.verdict),
        headline=report.headline,
        waived=report.waived,
        wrong=re.sub(r"\s+", " ", row.wrong),
        stage=report.stage,
        vehicle=report.vehicle,
        recorded_ns=row.at_ns,
        length_s=None if first_ns is None or last_ns is None else (last_ns - first_ns) / 1e9,
        frames=capture.frames,
        sha256=capture.sha256,
    )


def _worker() -> str:
    return f"process {os.getpid()}"


def _peak_bytes() -> int | None:
    """The most memory that this process has had, where the system tells."""
    try:
        import resource
    except ImportError:
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024  # in kilobytes elsewhere
