"""What a definition file says, kept compiled in the user's cache folder under the file's hash.

A second run then needs no parser. The format is JSON below a digest of it. An entry that cannot be
read, is damaged or was made by another version of canscope or of the parser counts as none; a
folder that cannot be written to is no error. Entries are never changed: another content has another
name.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import sys
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from canscope import __version__
from canscope.model.definition import Absent, MessageSpec, SignalSpec

FORMAT = 3  # to be raised whenever the same file would be compiled into something else
PARSER = "cantools"  # another version of it may read the same file another way
Messages = tuple[tuple[str, MessageSpec], ...]  # (name of its bus or empty, message)
Said = tuple[Messages, tuple[str, ...]]  # and warnings
DAMAGED = (OSError, ValueError, KeyError, TypeError, AttributeError)


def folder() -> Path | None:
    """Where entries are kept: ``XDG_CACHE_HOME`` or ``~/.cache`` (XDG Base Directory 0.8)."""
    base = os.environ.get("XDG_CACHE_HOME", "")
    try:
        root = Path(base) if os.path.isabs(base) else Path.home() / ".cache"
    except RuntimeError:  # nobody knows where this user is at home
        return None
    return root / "canscope" / "definitions"


def kept(kind: str, data: bytes, name: str, read: Callable[[], Said]) -> Said:
    """What a file of this kind and content says: from the cache, else by ``read``, then kept.

    ``name`` is that under which the messages are to know their file.
    """
    where = folder()
    if where is None:
        return read()
    about = f"{FORMAT}|{__version__}|{PARSER} {version(PARSER)}|{kind}|".encode()
    entry = where / f"{hashlib.sha256(about + data).hexdigest()}.json"
    try:
        return _said(load(entry), name)
    except DAMAGED:
        said = read()
        keep(entry, _plain(said))
        return said


def version(library: str) -> str:
    """The version of a library, which is not imported for that; empty if nobody knows it.

    It stands in the name of the folder that every installer leaves beside the library. Importing
    what the standard library has for this question takes longer than reading an entry.
    """
    named = re.compile(rf"{re.escape(library)}-(.+)\.(?:dist|egg)-info")
    for path in sys.path:
        try:
            names = os.listdir(path or ".")
        except OSError:
            continue
        for found in filter(None, map(named.fullmatch, names)):
            return found[1]
    return ""


def load(entry: Path) -> Any:
    """What an entry holds. Raises one of ``DAMAGED`` if there is none, or not what was written."""
    digest, _, text = entry.read_bytes().partition(b"\n")
    if hashlib.sha256(text).hexdigest().encode() != digest:
        raise ValueError("not what was written")
    return json.loads(text)


def keep(entry: Path, data: Any) -> None:
    """Write an entry in one step, so that another process never sees half of it."""
    import tempfile  # not needed by a run that finds its entries

    text = json.dumps(data, separators=(",", ":")).encode()
    content = hashlib.sha256(text).hexdigest().encode() + b"\n" + text
    try:
        entry.parent.mkdir(parents=True, exist_ok=True)
        handle, part = tempfile.mkstemp(dir=entry.parent, suffix=".part")
    except OSError:
        return
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        os.replace(part, entry)
    except OSError:
        Path(part).unlink(missing_ok=True)


def _plain(said: Said) -> dict[str, Any]:
    messages, warnings = said
    rows: list[tuple[str, dict[str, Any]]]
    rows = [(bus, {**asdict(message), "file": ""}) for bus, message in messages]
    for _, row in rows:
        for signal in row["signals"]:
            signal["labels"] = list(signal["labels"].items())  # keys of JSON are texts
    return {"messages": rows, "warnings": warnings}


def _said(data: Any, name: str) -> Said:
    messages = tuple((str(bus), _message(row, name)) for bus, row in data["messages"])
    return messages, tuple(data["warnings"])


def _message(row: dict[str, Any], name: str) -> MessageSpec:
    signals = tuple(_signal(signal) for signal in row.pop("signals"))
    return MessageSpec(**{**row, "file": name, "signals": signals})


def _signal(row: dict[str, Any]) -> SignalSpec:
    path = tuple((selector, tuple(values)) for selector, values in row["multiplexer"])
    absent = Absent(row["absent"]["kind"], tuple(row["absent"]["codes"]))
    labels = {int(code): str(label) for code, label in row["labels"]}
    return SignalSpec(**{**row, "multiplexer": path, "absent": absent, "labels": labels})
