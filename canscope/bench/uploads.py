"""Files that a browser sends: straight to the disk, under a name of their own."""

from __future__ import annotations

import os
import re
import secrets
from itertools import count
from pathlib import Path

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from canscope.bench.place import Place
from canscope.model.errors import CanscopeError, Where

RECEIVED = "received"  # the folder for them
RESERVE = 64 << 20  # bytes of the disk that stay free


def routes(place: Place) -> list[Route]:
    """``PUT /files/NAME`` with the file as the body; the answer names where it lies."""

    async def receive(request: Request) -> Response:
        name = _plain(request.path_params["name"])
        folder = place.new(RECEIVED)
        part = folder / f".{secrets.token_hex(8)}.part"
        try:
            folder.mkdir(exist_ok=True)
            _leave_room(folder, int(request.headers.get("content-length", "0")))
            with open(part, "xb") as file:
                async for piece in request.stream():
                    file.write(piece)
            target = _keep(part, name)
        except OSError as error:
            what = f"the file cannot be kept: {error.strerror or error}"
            raise CanscopeError(what, where=Where(name), hint="make room on the disk") from error
        finally:
            part.unlink(missing_ok=True)
        return JSONResponse({"name": place.name_of(target)}, 201)

    return [Route("/files/{name}", receive, methods=["PUT"])]


def _plain(name: str) -> str:
    """The name without anything that could lead elsewhere or be hidden."""
    plain = re.sub(r"[^\w.+ -]", "_", name).strip(". ")[-100:].lstrip(". ")
    if not plain:
        raise CanscopeError("the file has no name", hint="rename it, then send it again")
    return plain


def _leave_room(folder: Path, coming: int) -> None:
    disk = os.statvfs(folder)
    if coming + RESERVE > disk.f_bavail * disk.f_frsize:
        hint = "make room, or put the file into the folder and pick it there"
        raise CanscopeError("the disk has no room for this file", hint=hint)


def _keep(part: Path, name: str) -> Path:
    """Give it its name, or the next free one: nothing is ever overwritten."""
    stem, dot, suffixes = name.partition(".")
    for number in count(1):
        target = part.with_name(name if number == 1 else f"{stem}-{number}{dot}{suffixes}")
        try:
            target.open("xb").close()  # takes the name; memory sticks have no hard links
        except FileExistsError:
            continue
        os.replace(part, target)
        return target
    raise AssertionError("unreachable")
