"""The parts of the page, put together."""

from __future__ import annotations

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from canscope.bench import after, before, documents, draft, during, uploads
from canscope.bench.attended import running
from canscope.bench.pages import STATIC
from canscope.bench.place import Place
from canscope.bench.requests import on_error
from canscope.bench.security import Guard
from canscope.model.errors import CanscopeError

PARTS = (before, draft, during, after, documents, uploads)


def make_app(place: Place) -> Guard:
    """The whole server of this place."""

    def begin(request: Request) -> Response:
        return RedirectResponse("/during" if running(place) else "/before", 303)

    routes = [
        Route("/", begin),
        Mount("/static", StaticFiles(directory=STATIC)),
        *(route for part in PARTS for route in part.routes(place)),
    ]
    return Guard(Starlette(routes=routes, exception_handlers={CanscopeError: on_error}), place)
