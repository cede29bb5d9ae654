"""What a browser posted, and how an error is answered."""

from __future__ import annotations

import json
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from canscope.bench.pages import page
from canscope.bench.place import OutsideError
from canscope.model.errors import CanscopeError


async def posted(request: Request) -> dict[str, Any]:
    """The object that was posted as JSON. Raises CanscopeError if it is none."""
    try:
        value = json.loads(await request.body() or b"{}")
    except (ValueError, RecursionError):
        value = None
    if not isinstance(value, dict):
        raise CanscopeError("what was sent cannot be read", hint="reload the page, then try again")
    return value


def text_of(values: dict[str, Any], name: str, most: int = 2000) -> str:
    """One entry of it as text, empty where there is none. Raises CanscopeError for others."""
    value = values.get(name, "")
    if not isinstance(value, str) or len(value) > most:
        raise CanscopeError(f"{name}: a text of at most {most} letters is wanted here")
    return value


def on_error(request: Request, error: Exception) -> Response:
    """A mistake of the user, in words: as a page where a page was asked for, else as JSON."""
    assert isinstance(error, CanscopeError)
    status = 404 if isinstance(error, OutsideError) else 400
    if "text/html" in request.headers.get("accept", ""):
        return page(request, "mistake.html", status=status, error=error)
    where = str(error.where) if error.where else ""
    said = {"error": error.what, "where": where, "hint": error.hint, "text": str(error)}
    return JSONResponse(said, status)
