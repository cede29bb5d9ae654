"""The run that is recorded now, if any: starting its attendant, finding it again, asking it."""

from __future__ import annotations

import asyncio
import json
import os
import stat
import subprocess
import sys
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from canscope.attending.setup import Setup
from canscope.bench.place import Place
from canscope.model.errors import CanscopeError

POINTER = ".canscope-bench.json"  # says where the attendant listens, while there is one
STARTING_S = 45.0  # opening adapters may take 30 s
ANSWER_S = 3.0
LONGEST = 1 << 23  # bytes of an answer


class NoRunError(CanscopeError):
    """Nothing is being recorded."""


def start(place: Place, setup: Setup, *, heard: bool, ticks: dict[str, bool]) -> None:
    """Start an attendant. Raises CanscopeError with its reasons if it refuses."""
    if running(place) is not None and not _is_over(place):
        hint = "end it first, at the page During"
        raise CanscopeError("a run is being recorded already", hint=hint)
    reading, writing = os.pipe()
    # The cry of its watchdog goes to a terminal; a pipe would be held open by it.
    output = None if os.isatty(1) else subprocess.DEVNULL
    process = subprocess.Popen(
        [sys.executable, "-m", "canscope.bench.attendant", str(writing)],
        stdin=subprocess.PIPE,
        stdout=output,
        stderr=output,
        start_new_session=True,  # it outlives this server and its terminal
        pass_fds=(writing,),
    )
    os.close(writing)
    wanted = {"setup": _plain(setup), "heard": heard, "ticks": ticks}
    with suppress(OSError):
        assert process.stdin is not None
        process.stdin.write(json.dumps(wanted).encode() + b"\n")
        process.stdin.close()
    with os.fdopen(reading, encoding="utf-8") as reply:
        line = reply.readline()
    said = json.loads(line) if line else {"refused": "the attendant of the run died"}
    if "refused" in said:
        process.wait()
        raise CanscopeError(said["refused"])
    _point(place, {"socket": said["socket"], "run": place.name_of(setup.folder)})


def _is_over(place: Place) -> bool:
    """Whether the attendant only keeps the result of a run that has ended; then it leaves."""
    try:
        state = json.loads(asyncio.run(ask(place, {"after": -1})))["state"]
        if state["phase"] == "over":
            asyncio.run(ask(place, {"do": "leave"}))
    except NoRunError:
        return True
    except CanscopeError:
        return running(place) is None
    return bool(state["phase"] == "over")


def _plain(setup: Setup) -> dict[str, Any]:
    paths = {"folder": str(setup.folder), "plan": str(setup.plan) if setup.plan else None}
    return {**asdict(setup), **paths}


def _point(place: Place, where: dict[str, str]) -> None:
    """Keep where it listens, and the token, so that a page stays open while a server restarts."""
    path = place.folder / POINTER
    path.unlink(missing_ok=True)
    with open(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
        private = not stat.S_IMODE(os.fstat(file.fileno()).st_mode) & 0o077
        kept = {"token": place.token, "port": str(place.port)} if private else {}
        json.dump({**where, **kept}, file)


def _pointed(folder: Path) -> dict[str, str] | None:
    """What is kept, if it was this user who kept it."""
    path = folder / POINTER
    try:
        with open(os.open(path, os.O_RDONLY | os.O_NOFOLLOW), encoding="utf-8") as file:
            if os.fstat(file.fileno()).st_uid != os.getuid():
                return None
            found = json.load(file)
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) else None


def kept_token(folder: Path, port: int) -> str:
    """The token of the server before this one, if a run is still being recorded; else empty."""
    found = _pointed(folder)
    if found is None or not os.path.exists(found.get("socket", "")):
        return ""
    return found.get("token", "") if found.get("port") == str(port) else ""


def running(place: Place) -> dict[str, str] | None:
    """The run that is being recorded: ``run``, its folder's name, and ``socket``; else None."""
    found = _pointed(place.folder)
    if found is None or not os.path.exists(found.get("socket", "")):
        return None
    return found


async def ask(place: Place, asked: dict[str, Any]) -> bytes:
    """One line to the attendant, one line back.

    Raises NoRunError if there is none, CanscopeError if it gives no answer.
    """
    found = running(place)
    if found is None:
        raise NoRunError("no run is being recorded", hint="start one at the page Before")
    try:
        async with asyncio.timeout(ANSWER_S):
            reader, writer = await asyncio.open_unix_connection(found["socket"], limit=LONGEST)
            try:
                writer.write(json.dumps(asked).encode() + b"\n")
                return await reader.readline()
            finally:
                writer.close()
    except ConnectionError as error:
        with suppress(OSError):  # it was killed, and left this behind
            os.unlink(found["socket"])
        raise CanscopeError("the process that attends the run died: nobody judges") from error
    except (OSError, TimeoutError, ValueError) as error:
        raise CanscopeError("the process that attends the run gives no answer") from error
