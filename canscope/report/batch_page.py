"""The index page and the data of a batch of runs."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import cache
from pathlib import PurePosixPath
from urllib.parse import quote

from jinja2 import Environment

from canscope.model.batch import FAIL, NOT_JUDGED, PASS, STATES, UNPROVEN, Batch, BatchRun
from canscope.report import templating
from canscope.report.build_record_page import when
from canscope.report.json import plain

SHAPES = {FAIL: "failed", UNPROVEN: "unproven", NOT_JUDGED: "absent", PASS: "proven"}
STYLE = ".state { white-space: nowrap; }\n"
MEANINGS = {
    FAIL: "At least one run failed.",
    NOT_JUDGED: "No run failed, but not every run could be judged: of those nothing is known.",
    UNPROVEN: "No run failed, but not in every run everything was proven that its stage requires.",
    PASS: "Every run passed, as far as its recording can show it.",
}


def page(batch: Batch) -> list[bytes]:
    """The page in its parts: one file that opens offline."""
    no_curves = b""
    return [
        part.encode("utf-8", "backslashreplace")
        for part in templating.around(
            _templates(),
            "batch.html",
            no_curves,
            style=STYLE,
            batch=batch,
            meaning=MEANINGS[batch.worst],
            runs=[[run] * 5 for run in worst_first(batch.runs)],
            rules=[[one.rule, one.failed, one.unproven, one.accepted] for one in batch.rules],
        )
    ]


def data(batch: Batch) -> str:
    """The same as JSON, with what each run took."""
    tree = {
        "format": 1,
        "headline": batch.headline,
        "counts": {state: batch.count(state) for state in STATES},
        **plain(batch),
    }
    return json.dumps(tree, indent=1, ensure_ascii=False) + "\n"


def worst_first(runs: Sequence[BatchRun]) -> list[BatchRun]:
    """In the order of ``STATES``, otherwise as given."""
    return sorted(runs, key=lambda run: STATES.index(run.state))


def about(run: BatchRun) -> str:
    """What a reader has to know of it, in one line."""
    if run.state == NOT_JUDGED:
        return "; ".join(line.strip() for line in run.reason.splitlines())
    if run.state == PASS:
        return run.headline if run.headline != PASS else ""
    return run.wrong or run.headline


def link(path: str) -> str:
    """A path below the batch's folder as an address."""
    return quote(path, errors="surrogateescape")


def kind(path: str) -> str:
    """What a reader gets by that link."""
    return PurePosixPath(path).suffix.removeprefix(".")


@cache
def _templates() -> Environment:
    environment = templating.environment()
    environment.globals.update(
        about=about, kind=kind, link=link, options=" ".join, shapes=SHAPES, when=when
    )
    return environment
