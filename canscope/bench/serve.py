"""Listening: one process, one address."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import uvicorn

from canscope.bench.app import make_app
from canscope.bench.attended import kept_token
from canscope.bench.place import HOME, LARGEST_UPLOAD, Place
from canscope.model.errors import CanscopeError

PORT = 8413
ANYWHERE = ("", "0.0.0.0", "::")
EXPOSED = """ATTENTION: this page is open to other computers at {host}.
Whoever has the link below can begin and end recordings, acknowledge alarms and read every capture,
plan and report in {folder}. Nothing on the way is encrypted: use it only in a network whose every
user you would let stand at the vehicle. It still cannot stop a motor."""


def serve(
    folder: Path,
    *,
    host: str = HOME,
    port: int = PORT,
    plan: str = "",
    largest_upload: int = LARGEST_UPLOAD,
    ready: Callable[[Place], None],
) -> None:
    """Serve until it is told to end; ``ready`` is called when the page can be opened.

    Raises CanscopeError if nothing can listen there.
    """
    listener = _listener(host, port)
    at = listener.getsockname()[1]
    place = Place(
        folder.resolve(),
        at,
        host,
        kept_token(folder.resolve(), at) or secrets.token_urlsafe(32),
        plan=plan,
        largest_upload=largest_upload,
    )
    config = uvicorn.Config(
        make_app(place),
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws="none",
        timeout_graceful_shutdown=1,
    )
    ready(place)
    with suppress(KeyboardInterrupt):  # it is how a person ends it
        uvicorn.Server(config).run([listener])


def _listener(host: str, port: int) -> socket.socket:
    """A listening socket: requests wait in it from now on."""
    if host in ANYWHERE:
        hint = "name the one address of this computer that the page is to be open at"
        raise CanscopeError(f"{host} stands for every address of this computer", hint=hint)
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except (OSError, OverflowError) as error:
        listener.close()
        why = getattr(error, "strerror", None) or error
        hint = "is the page open already? else name another one with --port, as --port 8414"
        raise CanscopeError(f"cannot listen at {host}, port {port}: {why}", hint=hint) from error
    listener.listen(128)
    return listener
