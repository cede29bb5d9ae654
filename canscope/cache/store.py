"""Entries in the user's cache folder, each under the hash of everything that its content rests on.

An entry is JSON below a digest of it. One that is missing, damaged or of another version counts as
none, and a folder that cannot be written to is no error. Entries are never changed: another content
has another name.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from canscope import __version__

PACKAGE = Path(__file__).parents[1]
DAMAGED = (OSError, ValueError, KeyError, TypeError, AttributeError)


def folder(kind: str) -> Path | None:
    """Where entries of a kind are kept, None for a user without a home folder.

    ``XDG_CACHE_HOME`` or ``~/.cache`` (XDG Base Directory 0.8).
    """
    base = os.environ.get("XDG_CACHE_HOME", "")
    try:
        root = Path(base) if os.path.isabs(base) else Path.home() / ".cache"
    except RuntimeError:
        return None
    return root / "canscope" / kind


def entry(kind: str, sources: Iterable[str], library: str, data: bytes) -> Path | None:
    """Where to keep what these sources and this library make of ``data``; None if nowhere.

    ``sources`` are as for ``digest_of``.
    """
    where = folder(kind)
    if where is None:
        return None
    about = f"{__version__}|{library} {version(library)}|{digest_of(sources)}|"
    return where / f"{hashlib.sha256(about.encode() + data).hexdigest()}.json"


def digest_of(sources: Iterable[str], package: Path = PACKAGE) -> str:
    """The hash of source files below the package; of a folder, of all files below it."""
    digest = hashlib.sha256()
    for name in sources:
        path = package / name
        for file in sorted(path.rglob("*.py")) if path.is_dir() else (path,):
            digest.update(file.read_bytes())
    return digest.hexdigest()


def version(library: str) -> str:
    """The version of a library, without importing it; empty if nobody knows it.

    Installers write it into the name of a folder beside the library. Importing the standard
    library's ``importlib.metadata`` takes longer than reading an entry.
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


def load(path: Path) -> Any:
    """What an entry holds. Raises one of ``DAMAGED`` if there is none, or not what was written."""
    digest, _, text = path.read_bytes().partition(b"\n")
    if hashlib.sha256(text).hexdigest().encode() != digest:
        raise ValueError("not what was written")
    return json.loads(text)


def keep(path: Path, data: Any) -> None:
    """Write an entry in one step, so that another process never sees half of it."""
    import tempfile  # not needed by a run that finds its entries

    text = json.dumps(data, separators=(",", ":")).encode()
    content = hashlib.sha256(text).hexdigest().encode() + b"\n" + text
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, part = tempfile.mkstemp(dir=path.parent, suffix=".part")
    except OSError:
        return
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        os.replace(part, path)
    except OSError:
        Path(part).unlink(missing_ok=True)
