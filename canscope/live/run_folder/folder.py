"""The run folder of one run: held while it is recorded, with a copy of the plan, then completed."""

from __future__ import annotations

import hashlib
import os
import shutil
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from canscope.live.run_folder.layout import (
    BUG_FILE,
    CAPTURE_PATTERN,
    DEFINITIONS,
    LOCK_FILE,
    MARKS_FILE,
    PLAN_AS_USED,
    PLAN_FILE,
    RESERVE_FILE,
    RUN_FILE,
)
from canscope.live.run_folder.run_file import complete_run_file
from canscope.live.run_folder.run_file_schema import RunEnd, RunWatch, ShownByRun
from canscope.live.run_folder.toml import toml_text
from canscope.model.errors import CanscopeError, Where
from canscope.plan.load import read_plan
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
        """Unlock it and remove what was made, as nothing was recorded.

        It was empty when it was taken, so all in it is ours; a capture is never removed.
        """
        with suppress(OSError):  # it is gone already, or its disk is
            if not any(self.path.glob(CAPTURE_PATTERN)):
                for path in self.path.iterdir():
                    shutil.rmtree(path) if path.is_dir() else path.unlink()
                if self._made:
                    self.path.rmdir()
        self.release()

    def keep_plan(self, plan: Plan) -> None:
        """Copy the plan and every file it needs, and read the copy back by itself.

        Definitions are kept twice: where the plan looks for them, and in ``definitions`` under
        their hash, so that two runs can be compared.
        Raises CanscopeError: the plan names a file by its absolute path, the copy cannot be
        written, or it does not read as the plan does.
        """
        places, passed = _places(plan)
        try:
            for folder in passed:
                (self.path / folder).mkdir(parents=True, exist_ok=True)
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
        except OSError as error:
            what = f"the plan cannot be copied into the run folder: {error.strerror or error}"
            hint = "make room on the disk, or name another folder"
            raise CanscopeError(what, where=Where(str(self.path)), hint=hint) from error
        self._read_back(plan)

    def _read_back(self, plan: Plan) -> None:
        """A run whose copy of the plan cannot be read could never be judged again."""
        hint = "keep the plan and all files it needs in one folder, under plain names"
        try:
            copy = read_plan(self.path / PLAN_FILE)
        except CanscopeError as error:
            what = f"a copy of the plan in the run folder cannot be read: {error.what}"
            raise CanscopeError(what, where=Where(str(plan.path)), hint=hint) from error
        used, kept = ({i.sha256 for i in p.inputs if i.kind != "marks"} for p in (plan, copy))
        if not used <= kept:
            what = "a copy of the plan in the run folder would be read with other files"
            raise CanscopeError(what, where=Where(str(plan.path)), hint=hint)

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


def _places(plan: Plan) -> tuple[dict[str, Path], list[str]]:
    """Where in a run folder each file of a plan goes, and where it comes from.

    Files keep their places relative to each other, so that the copy reads as the original did; the
    second part are folders that only have to be there, because a path leads through them. The
    plan itself becomes plan.toml. Where that is not possible (it needs files outside its own
    folder, or one has a name that the run folder itself uses), all files go into ``PLAN_AS_USED``
    and plan.toml only includes the plan there.
    """
    own = os.path.abspath(plan.path)
    sources, passed = {own}, set[str]()
    for entry in plan.inputs:
        if entry.kind == "marks":
            continue
        if os.path.isabs(entry.name) and entry.kind != "plan":
            what = f"the plan names {entry.name} by its whole path, which a copy would not have"
            raise CanscopeError(what, where=Where(str(plan.path)), hint="name it from the plan on")
        sources.add(os.path.abspath(plan.files[entry.name]))
        passed |= _passed(plan.files[entry.name])
    home = os.path.dirname(own)
    others = {os.path.relpath(source, home): Path(source) for source in sources - {own}}
    inside = all(os.path.commonpath((home, path)) == home for path in sources | passed)
    if inside and not any(_is_own(name) for name in others):
        return {PLAN_FILE: Path(own), **others}, [os.path.relpath(f, home) for f in sorted(passed)]
    root = os.path.commonpath([*passed, *(os.path.dirname(source) for source in sources)])
    below = {path: os.path.join(PLAN_AS_USED, os.path.relpath(path, root)) for path in sources}
    through = [os.path.join(PLAN_AS_USED, os.path.relpath(path, root)) for path in sorted(passed)]
    return {below[source]: Path(source) for source in sorted(sources)}, through


def _passed(path: Path) -> set[str]:
    """Folders through which a path leads only to leave them again: ``sub`` of sub/../x.dbc."""
    parts = path.parts
    return {
        os.path.abspath(os.path.join(*parts[:n]))
        for n, part in enumerate(parts)
        if part == os.pardir and n
    }


def _is_own(name: str) -> bool:
    """Whether the run folder has a file of its own under this name."""
    files = (PLAN_FILE, RUN_FILE, MARKS_FILE, BUG_FILE, LOCK_FILE, RESERVE_FILE)
    return name in files or Path(name).match(CAPTURE_PATTERN)


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
