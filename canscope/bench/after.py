"""After: a recording is checked, its report is read, its curves are looked at.

``after_recording`` says which files it is, ``after_folder`` what lies in the folder, ``after_jobs``
starts ``after_work`` in a process of its own for all that takes long, ``after_curves`` gives the
curves as JSON. In the browser ``after_curves.js`` draws them.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from canscope.bench.after_curves import Opened, findings, overview, stretch, window
from canscope.bench.after_folder import kind_of, look_through
from canscope.bench.after_jobs import Jobs
from canscope.bench.after_recording import KEYS, Recording
from canscope.bench.pages import page
from canscope.bench.place import Place
from canscope.bench.requests import posted, text_of
from canscope.bench.uploads import RECEIVED
from canscope.build_record.verification import Outcome, check_bytes, read_report
from canscope.model.errors import CanscopeError, CurveError, Where
from canscope.model.report import Report
from canscope.report import first_screen, wording
from canscope.report.build_record_page import when

RECORD = "reports/build-record.html"
SHAPES = first_screen.VERDICT_SHAPES
HERE = "."  # the name of the page's folder itself
MOST_TOGETHER = 64  # files that belong together


def routes(place: Place) -> list[Route]:
    """The pages of this part, and what their scripts ask for."""
    jobs, opened = Jobs(), Opened()

    def show(request: Request) -> Response:
        found = look_through(place)
        rows = [run_row(place, name) for name in found.runs]
        homes = [place.name_of(path) for path in {place.inside(name).parent for name in found.runs}]
        records = {name: f"{name}/{RECORD}" for name in sorted(homes)}
        running = jobs.running
        return page(
            request,
            "after.html",
            found=found,
            rows=rows,
            records={
                name: record if (place.folder / record).is_file() else ""
                for name, record in records.items()
            },
            running=running.state if running else None,
            folder=str(place.folder),
            given=place.plan,
            largest=place.largest_upload >> 20,
        )

    def look(request: Request) -> Response:
        recording = Recording.of(place, _query(request))
        named = [(place.name_of(path), head) for path, head in recording.written()]
        newest = named[0][0] if named else ""
        chosen = request.query_params.get("report") or newest
        report = read_report(place.inside(chosen), curves=False) if chosen else None
        return page(
            request,
            "after_look.html",
            recording=recording,
            report=report,
            about=about(place, chosen, report) if report else None,
            others=[one for one in named if one[0] != chosen],
            running=running.id if (running := jobs.running) else "",
        )

    async def begin(request: Request) -> Response:
        asked = await posted(request)
        if home := text_of(asked, "record"):
            folder = place.folder if home == HERE else place.inside(home)
            order = {"record_of": str(folder), "target": str(folder / RECORD)}
            job = await run_in_threadpool(jobs.begin, order, "the build record")
            return _json({"id": job.id}, 202)
        recording = Recording.of(place, asked)
        order = await run_in_threadpool(_order, place, recording, asked)
        job = await run_in_threadpool(jobs.begin, order, recording.name)
        return _json({"id": job.id, "look": f"/after/look?{recording.query}"}, 202)

    def ask(request: Request) -> Response:
        state = jobs.find(request.path_params["id"]).state
        return _json({**state, "where": _named(place, state.get("report", ""))})

    def end(request: Request) -> Response:
        jobs.find(request.path_params["id"]).end()
        return _json({})

    async def together(request: Request) -> Response:
        return _json(await run_in_threadpool(_together, place, await posted(request)), 201)

    def signals(request: Request) -> Response:
        recording = Recording.of(place, _query(request))
        try:
            curves = opened.open(recording, anew=True)
        except CurveError as error:
            return _json({"missing": error.what})
        chosen = request.query_params.get("report")
        report = read_report(place.inside(chosen), curves=False) if chosen else None
        return _json(overview(curves, report))

    def curves(request: Request) -> Response:
        asked = stretch(request.query_params)
        found = opened.open(Recording.of(place, _query(request)))
        return _json(window(found, request.query_params.getlist("key"), asked))

    return [
        Route("/after", show),
        Route("/after/look", look),
        Route("/after/jobs", begin, methods=["POST"]),
        Route("/after/jobs/{id}", ask),
        Route("/after/jobs/{id}/end", end, methods=["POST"]),
        Route("/after/together", together, methods=["POST"]),
        Route("/after/signals", signals),
        Route("/after/curves", curves),
    ]


@dataclass(frozen=True)
class RunRow:
    """One run folder in the list."""

    name: str
    query: str
    head: Mapping[str, Any]  # of its newest report; empty if it was never checked
    shape: str
    word: str
    recorded: str


def run_row(place: Place, name: str) -> RunRow:
    """A run folder as the list shows it."""
    recording = Recording(place, (name,))
    written = recording.written()
    head = written[0][1] if written else {}
    verdict = str(head.get("verdict", ""))
    first_ns = head.get("first_ns")
    return RunRow(
        name,
        recording.query,
        head,
        SHAPES.get(verdict, "absent"),
        wording.VERDICT_WORDS.get(verdict, "not checked yet"),
        when(first_ns) if isinstance(first_ns, int) else "",
    )


@dataclass(frozen=True)
class About:
    """What a page says of the report that it shows."""

    json: str
    html: str  # "" if it is not there
    word: str
    shape: str
    recorded: str
    leads: tuple[str, ...]
    lead_word: str
    do_now: str
    meaning: str
    seal: str  # why the report cannot be relied on
    findings: tuple[dict[str, Any], ...]


def about(place: Place, name: str, report: Report) -> About:
    """The first screen of a report, and whether it still is what was written."""
    path = place.inside(name)
    html = path.with_suffix(".html")
    seals = [check_bytes(one) for one in (path, html) if one.is_file()]
    broken = [seal for seal in seals if seal.outcome is not Outcome.SAME]
    return About(
        json=name,
        html=place.name_of(html) if html.is_file() else "",
        word=wording.VERDICT_WORDS.get(report.verdict, report.verdict),
        shape=SHAPES.get(report.verdict, "unproven"),
        recorded=wording.recorded(report.capture)[0],
        leads=tuple(lead.text for lead in first_screen.leads(report)),
        lead_word=first_screen.LEAD_WORDS.get(report.verdict, "Missing"),
        do_now=first_screen.do_now(report),
        meaning=wording.meaning(report),
        seal=f"{Path(broken[0].what).name}: {broken[0].text}" if broken else "",
        findings=tuple(findings(report)),
    )


def _order(place: Place, recording: Recording, asked: Mapping[str, Any]) -> dict[str, Any]:
    """What the work is to do. Raises CanscopeError for what cannot be done."""
    is_judged = bool(asked.get("judge", True)) and recording.can_be_judged
    if not recording.can_be_judged and not recording.definitions:
        hint = "a plan says what to judge; definitions alone are enough to look at curves"
        raise CanscopeError("a plan or definitions are needed", hint=hint)
    plan = str(recording.inputs.plan) if recording.can_be_judged else ""
    return {
        "captures": [str(place.inside(name)) for name in recording.captures],
        "plan": str(place.inside(recording.plan)) if recording.plan else "",
        "definitions": [] if plan else [str(place.inside(name)) for name in recording.definitions],
        "marks": str(place.inside(recording.marks)) if recording.marks else "",
        "judge": is_judged,
        "reports": str(recording.reports),
        "curves": str(recording.curves),
    }


def _together(place: Place, asked: Mapping[str, Any]) -> dict[str, Any]:
    """Put received files that belong together into one folder, under the names that they had.

    A plan names its definitions; beside those of an earlier day it would find the wrong ones.
    Raises CanscopeError for files that were not received.
    """
    files = asked.get("files")
    if not isinstance(files, list) or not 0 < len(files) <= MOST_TOGETHER:
        raise CanscopeError("files are wanted here")
    moves: dict[str, Path] = {}
    for file in files:
        name, wanted = ("", "")
        if isinstance(file, dict):
            name, wanted = (text_of(file, key) for key in ("name", "as"))
        path = place.inside(name)
        plain = place.new(f"{RECEIVED}/{Path(wanted).name}")
        if path.parent != place.folder / RECEIVED or plain.parent != path.parent:
            raise CanscopeError("this file was not sent to the page", where=Where(name))
        if plain.name in moves:
            hint = "files that belong together need different names"
            raise CanscopeError("two files have the same name", where=Where(plain.name), hint=hint)
        moves[plain.name] = path
    folder = _new_folder(place.folder / RECEIVED)
    for name, path in moves.items():
        os.replace(path, folder / name)
    kinds: dict[str, list[str]] = {}
    for name in moves:
        kinds.setdefault(kind_of(folder / name), []).append(place.name_of(folder / name))
    return {"folder": place.name_of(folder), "kinds": kinds}


def _new_folder(above: Path) -> Path:
    today = f"{datetime.now(UTC):%Y-%m-%d}"
    for number in count(1):
        folder = above / f"{today}-{number}"
        try:
            folder.mkdir()
        except FileExistsError:
            continue
        return folder
    raise AssertionError("unreachable")


def _query(request: Request) -> dict[str, Any]:
    asked = request.query_params
    return {name: tuple(asked.getlist(name)) for name in KEYS}


def _named(place: Place, path: str) -> str:
    """The name of a file in the folder; empty for none."""
    return place.name_of(place.folder / path) if path else ""


def _json(value: Mapping[str, Any], status: int = 200) -> Response:
    """Names of files may hold bytes that are no text: they are escaped."""
    text = json.dumps(value, separators=(",", ":"), allow_nan=False)
    return Response(text, status, media_type="application/json")
