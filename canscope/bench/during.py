"""During: the run while it is recorded."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from canscope.bench.attended import NoRunError, ask, running
from canscope.bench.before import RUNS
from canscope.bench.pages import page
from canscope.bench.place import Place
from canscope.bench.requests import posted
from canscope.live.run_folder.layout import PLAN_FILE
from canscope.plan.card import card
from canscope.plan.load import read_plan


def routes(place: Place) -> list[Route]:
    """The page, what it asks some twelve times a second, and what a person does at it."""

    def show(request: Request) -> Response:
        found = running(place)
        if found is None:
            return page(request, "no_run.html", last=_last(place))
        plan = place.inside(found["run"]) / PLAN_FILE
        steps = card(read_plan(plan)).steps if plan.is_file() else ()
        return page(request, "during.html", run=found["run"], steps=steps)

    async def now(request: Request) -> Response:
        query = request.query_params
        number = {name: _whole(query.get(name, "")) for name in ("after", "step")}
        try:
            text = await ask(place, {**number, "sound": query.get("sound") == "1"})
        except NoRunError as error:
            return JSONResponse({"error": error.what}, 410)
        return Response(text, media_type="application/json")

    async def do(request: Request) -> Response:
        text = await ask(place, await posted(request))
        wrong = text.startswith(b'{"error"')
        return Response(text, 400 if wrong else 200, media_type="application/json")

    return [
        Route("/during", show),
        Route("/during/now", now),
        Route("/during/do", do, methods=["POST"]),
    ]


def _last(place: Place) -> list[tuple[str, str]]:
    """The newest runs with their latest report, if they have one: both by name."""
    folder = place.folder / RUNS
    runs = sorted((path for path in folder.glob("*") if path.is_dir()), reverse=True)[:5]
    found = []
    for run in runs:
        reports = sorted((run / "reports").glob("*.html"))
        found.append((place.name_of(run), place.name_of(reports[-1]) if reports else ""))
    return found


def _whole(text: str) -> int:
    return int(text) if text.isdecimal() and len(text) < 19 else 0
