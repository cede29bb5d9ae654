"""Reports as they lie in the folder, shown as pages that belong to no site."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from canscope.bench.place import Place
from canscope.bench.security import DOCUMENT_POLICY
from canscope.model.errors import CanscopeError, Where

SHOWN = {".html": "text/html", ".json": "application/json", ".xml": "text/plain"}


def routes(place: Place) -> list[Route]:
    """``GET /documents/NAME``: a report by its name relative to the folder."""

    def show(request: Request) -> Response:
        name = request.path_params["name"]
        path = place.inside(name)
        if path.suffix not in SHOWN or not path.is_file():
            raise CanscopeError("this is no report", where=Where(name), hint="pick another file")
        policy = {"content-security-policy": DOCUMENT_POLICY}
        return FileResponse(path, media_type=SHOWN[path.suffix], headers=policy)

    return [Route("/documents/{name:path}", show)]
