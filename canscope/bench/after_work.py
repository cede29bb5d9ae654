"""The long work of the page, in a process of its own: judging, curves, the build record.

The server starts ``python -m canscope.bench.after_work``, writes its order as one line of JSON and
reads a line of JSON for each step. This process ends when the server does: the pipe closes.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from canscope.model.errors import CanscopeError

EVERY_S = 0.2  # between two words about how far it has come
BEHIND = 10  # recording and the page go first


def main() -> int:
    """Do what the order says."""
    order = json.loads(sys.stdin.readline())
    threading.Thread(target=_end_with_the_server, daemon=True).start()
    if hasattr(os, "nice"):
        os.nice(BEHIND)
    try:
        if "record_of" in order:
            _write_record(order)
        if order.get("judge"):
            _judge(order)
        if order.get("curves"):
            _write_curves(order)
    except CanscopeError as error:
        where = str(error.where) if error.where else ""
        _tell(error={"what": error.what, "where": where, "hint": error.hint, "text": str(error)})
    else:
        _tell(done=True)
    return 0


def _judge(order: dict[str, Any]) -> None:
    from canscope.checking.inputs import inputs_of
    from canscope.checking.judging import judge_files
    from canscope.checking.numbered import write_numbered

    plan = Path(order["plan"]) if order["plan"] else None
    inputs = inputs_of(order["captures"], plan)
    progress = Progress("check")

    def passing(capture: Any) -> Iterator[Any]:
        frames = 0
        for chunk in capture:
            frames += len(chunk)
            progress(capture.bytes_read, capture.bytes_total, frames)
            yield chunk

    _tell(step="check")
    marks = Path(order["marks"]) if order["marks"] else None
    report = judge_files(inputs, marks=marks, passing=passing)
    _tell(step="report")
    report, paths = write_numbered(report, Path(order["reports"]), inputs.stem)
    written = next(path for path in paths if path.suffix == ".json")
    _tell(report=str(written), verdict=report.verdict)


def _write_curves(order: dict[str, Any]) -> None:
    from canscope.checking.inputs import captures_of, inputs_of
    from canscope.curves.write import write_curves
    from canscope.decoding.columns import EVERY
    from canscope.decoding.database import read_definitions
    from canscope.plan.load import read_plan

    _tell(step="curves")
    if order["definitions"]:
        definitions = read_definitions(order["definitions"])
    else:
        plan = Path(order["plan"]) if order["plan"] else None
        definitions = read_plan(str(inputs_of(order["captures"], plan).plan)).definitions
    buses = {message.channel for message in definitions.messages} - {EVERY}
    write_curves(
        captures_of(order["captures"]),
        definitions,
        Path(order["curves"]),
        progress=Progress("curves"),
        channel=next(iter(buses)) if len(buses) == 1 else None,
    )


def _write_record(order: dict[str, Any]) -> None:
    from canscope.build_record.records import records_of
    from canscope.checking.inputs import inputs_of
    from canscope.checking.judging import judge_files
    from canscope.report import build_record_page
    from canscope.report.write import write_sealed

    _tell(step="record")
    records, _ = records_of(
        Path(order["record_of"]), lambda run: judge_files(inputs_of([str(run)], None))
    )
    target = Path(order["target"])
    target.parent.mkdir(exist_ok=True)
    write_sealed(target, build_record_page.page(records), replace=True)
    _tell(report=str(target))


class Progress:
    """Says how far a step has come, now and then."""

    def __init__(self, step: str) -> None:
        self._step, self._told_s = step, 0.0

    def __call__(self, read: int, total: int | None, frames: int) -> None:
        """Bytes read, bytes in all if known, frames."""
        now = time.monotonic()
        if now - self._told_s >= EVERY_S:
            self._told_s = now
            _tell(step=self._step, read=read, total=total, frames=frames)


def _tell(**said: Any) -> None:
    print(json.dumps(said), flush=True)


def _end_with_the_server() -> None:
    sys.stdin.read()  # until the pipe closes
    os._exit(3)


if __name__ == "__main__":
    sys.exit(main())
