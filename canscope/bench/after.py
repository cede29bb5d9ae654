"""After."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from canscope.bench.pages import page
from canscope.bench.place import Place


def routes(place: Place) -> list[Route]:
    """The page of this part."""

    def show(request: Request) -> Response:
        return page(request, "after.html")

    return [Route("/after", show)]
