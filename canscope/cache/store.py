"""Entries in the user's cache folder, each under the hash of everything that its content rests on.

An entry is JSON below a digest of it. One that is missing, damaged or of another version counts as
none, and a folder that cannot be written to is no error. Entries are never changed: another content
has another name.

Verdicts rest on entries, and their digest is no seal: whoever can write one can write another. So
only folders and files are used that belong to this user and that nobody else can write to; with any
other the cache is left alone, which is told once.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import stat
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from canscope import __version__
from canscope.model import engine

PACKAGE = Path(__file__).parents[1]
DAMAGED = (OSError, ValueError, KeyError, TypeError, AttributeError)
LARGEST = 256 << 20  # bytes of an entry
OTHERS = stat.S_IWGRP | stat.S_IWOTH
_told: set[str] = set()


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
    if where is None or not _is_own(where):
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
    digest, _, text = _content(path).partition(b"\n")
    if hashlib.sha256(text).hexdigest().encode() != digest:
        raise ValueError("not what was written")
    return json.loads(text)


def _is_own(where: Path) -> bool:
    """Whether the folders of entries are this user's alone, as far as they are there.

    Links are followed: what counts is whose folder is written to.
    """
    for path in (where.parent, where):
        try:
            found = path.stat()
        except OSError:
            return True  # not there yet, or not to be read: then nothing is read from it either
        foreign = _others(found)
        if foreign or not stat.S_ISDIR(found.st_mode):
            _tell_once(path, foreign or "is no folder")
            return False
    return True


def _others(found: os.stat_result) -> str:
    """Why somebody else may have written here; empty if nobody can (always on Windows)."""
    if not hasattr(os, "getuid"):
        return ""
    if found.st_uid != os.getuid():
        return "belongs to another user"
    return "can be written to by other users (chmod go-w)" if found.st_mode & OTHERS else ""


def _tell_once(path: Path, why: str) -> None:
    if str(path) not in _told:
        _told.add(str(path))
        engine.announce(f"works without its cache: {path} {why}")


def _content(path: Path) -> bytes:
    """The bytes of an entry, if it is a plain file of this user; never waits for a pipe.

    Raises OSError or ValueError.
    """
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    with open(os.open(path, flags | getattr(os, "O_BINARY", 0)), "rb") as file:
        found = os.fstat(file.fileno())
        if not stat.S_ISREG(found.st_mode) or found.st_size > LARGEST or _others(found):
            raise ValueError("not an entry that this user wrote")
        return file.read(LARGEST)


def keep(path: Path, data: Any) -> None:
    """Write an entry in one step, so that another process never sees half of it."""
    import tempfile  # not needed by a run that finds its entries

    text = json.dumps(data, separators=(",", ":")).encode()
    content = hashlib.sha256(text).hexdigest().encode() + b"\n" + text
    try:
        path.parent.parent.parent.mkdir(parents=True, exist_ok=True)
        for own in (path.parent.parent, path.parent):
            own.mkdir(mode=0o700, exist_ok=True)
        handle, part = tempfile.mkstemp(dir=path.parent, suffix=".part")
    except OSError:
        return
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        os.replace(part, path)
    except OSError:
        Path(part).unlink(missing_ok=True)
