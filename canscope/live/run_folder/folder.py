"""The run folder of one run: held while it is recorded, with a copy of the plan, then completed."""

from __future__ import annotations

import hashlib
import os
from dataclasses import asdict
from pathlib import Path
from typing import Any

from canscope.live.run_folder.layout import (
    DEFINITIONS,
    LOCK_FILE,
    PLAN_AS_USED,
    PLAN_FILE,
    RUN_FILE,
)
from canscope.live.run_folder.run_file import complete_run_file
from canscope.live.run_folder.run_file_schema import RunEnd, RunWatch, ShownByRun
from canscope.live.run_folder.toml import toml_text
from canscope.model.errors import CanscopeError, Where
from canscope.plan.plan import Plan


class RunFolder:
    """A run folder that is locked: no second recorder writes into it."""

    def __init__(self, path: Path) -> None:
        """Make and lock it. Raises CanscopeError if it is locked or not empty."""
        self.path, self._made = path, not path.exists()
        where = Where(str(path))
        fcntl = _locks()
        try:
            path.mkdir(parents=True, exist_ok=True)
            self._lock = os.open(path / LOCK_FILE, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            what = f"cannot be used as a run folder: {error.strerror}"
            raise CanscopeError(what, where=where, hint="name another one") from error
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(self._lock)
            what = "another recorder is writing into this folder"
            raise CanscopeError(what, where=where, hint="name another folder") from error
        others = sorted(p.name for p in path.iterdir() if p.name != LOCK_FILE)
        if others:
            self.release()
            what = f"this folder is not empty: it holds {others[0]}"
            raise CanscopeError(
                what, where=where, hint="a run has a folder of its own: name a new one"
            )

    @property
    def lock(self) -> int:
        """The file descriptor of the lock, for the recorder's process to hold as well."""
        return self._lock

    def release(self) -> None:
        """Unlock it."""
        os.close(self._lock)

    def abandon(self) -> None:
        """Unlock it and remove what was made, as nothing was recorded."""
        (self.path / LOCK_FILE).unlink(missing_ok=True)
        self.release()
        if self._made and not any(self.path.iterdir()):
            self.path.rmdir()

    def keep_plan(self, plan: Plan) -> None:
        """Copy the plan and every file it needs, so that the copy can be read by itself.

        Definitions are kept twice: where the plan looks for them, and in ``definitions`` under
        their hash, so that two runs can be compared.
        Raises CanscopeError: the plan names a file by its absolute path.
        """
        places = _places(plan)
        for place, source in places.items():
            text = source.read_bytes()
            _put(self.path / place, text)
            if source.suffix != ".toml":
                name = f"{hashlib.sha256(text).hexdigest()}{source.suffix}"
                _put(self.path / DEFINITIONS / name, text)
        if PLAN_FILE not in places:
            own = next(p for p, s in places.items() if s == Path(os.path.abspath(plan.path)))
            only = {"format": 1, "include": own.replace(os.sep, "/")}
            (self.path / PLAN_FILE).write_text(toml_text(only), "utf-8", newline="\n")

    def add_shown(self, shown: ShownByRun) -> None:
        """Add to run.toml what the run has shown."""
        complete_run_file(self.path, {"shown": asdict(shown)})

    def finish(self, watch: RunWatch | None, end: RunEnd | None) -> None:
        """Complete run.toml with the hashes of all files, and with what is given."""
        more: dict[str, Any] = {"watch": asdict(watch)} if watch else {}
        if end is not None:
            more["end"] = asdict(end)
        more["sha256"] = {
            str(path.relative_to(self.path)): sha256_of(path)
            for path in sorted(self.path.rglob("*"))
            if path.is_file() and path.name != RUN_FILE and path.name[0] != "."
        }
        complete_run_file(self.path, more)


def _put(target: Path, text: bytes) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(text)


def _places(plan: Plan) -> dict[str, Path]:
    """Where in a run folder each file of a plan goes, and where it comes from.

    Files keep their places relative to each other, so that the copy reads as the original did. The
    plan itself becomes plan.toml. Where that is not possible (it needs files outside its own
    folder), all files go into ``PLAN_AS_USED`` and plan.toml only includes the plan there.
    """
    own = os.path.abspath(plan.path)
    sources = {own}
    for entry in plan.inputs:
        if entry.kind == "marks":
            continue
        if os.path.isabs(entry.name) and entry.kind != "plan":
            what = f"the plan names {entry.name} by its whole path, which a copy would not have"
            raise CanscopeError(what, where=Where(str(plan.path)), hint="name it from the plan on")
        sources.add(os.path.abspath(plan.files[entry.name]))
    home = os.path.dirname(own)
    inside = all(os.path.commonpath((home, source)) == home for source in sources)
    if inside and os.path.join(home, PLAN_FILE) not in sources - {own}:
        places = {os.path.relpath(source, home): Path(source) for source in sources - {own}}
        return {PLAN_FILE: Path(own), **places}
    root = os.path.commonpath([os.path.dirname(source) for source in sources])
    return {os.path.join(PLAN_AS_USED, os.path.relpath(s, root)): Path(s) for s in sorted(sources)}


def check_plan(plan: Plan) -> None:
    """Raises CanscopeError if the plan could not be kept in a run folder."""
    _places(plan)


def _locks() -> Any:
    """The module that locks files. Recording needs it, reading a run folder does not."""
    try:
        import fcntl
    except ImportError as error:
        hint = "record on Linux or macOS; everything else works here"
        raise CanscopeError("this system cannot hold a run folder", hint=hint) from error
    return fcntl


def is_held(folder: Path) -> bool:
    """Whether a recorder is writing into this folder now."""
    try:
        fcntl = _locks()
    except CanscopeError:
        return False
    try:
        lock = os.open(folder / LOCK_FILE, os.O_RDWR)
    except OSError:
        return False
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(lock)
    return False


def sha256_of(path: Path) -> str:
    """The hash of a file, in hexadecimal. Raises OSError."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
