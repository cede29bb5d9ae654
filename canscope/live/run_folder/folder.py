"""The run folder: one run, everything in it, and what can be said of how it ended."""

from __future__ import annotations

import hashlib
import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from canscope.live.recording.run_file_writer import BUG_FILE, RUN_FILE
from canscope.live.recording.writer import PATTERN
from canscope.live.run_folder.run_file_schema import odd
from canscope.live.run_folder.toml import replace_file, toml_text
from canscope.model.errors import CanscopeError, Where
from canscope.plan.plan import Plan

LOCK_FILE, MARKS_FILE, PLAN_FILE = ".lock", "marks.jsonl", "plan.toml"
AS_USED, DEFINITIONS = "plan-as-used", "definitions"
BLOCK = 1 << 20


class RunFolder:
    """A run folder that is held: no second recorder writes into it."""

    def __init__(self, path: Path) -> None:
        """Make it and hold it. Raises CanscopeError if somebody else does or it is in use."""
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
        """The descriptor that holds it, for the recorder's process to hold as well."""
        return self._lock

    def release(self) -> None:
        """Let go of it."""
        os.close(self._lock)

    def abandon(self) -> None:
        """Let go of it and take it away again, nothing having been recorded."""
        (self.path / LOCK_FILE).unlink(missing_ok=True)
        self.release()
        if self._made and not any(self.path.iterdir()):
            self.path.rmdir()

    def keep_plan(self, plan: Plan) -> None:
        """Copy the plan with all it rests on, so that the copy can be read again by itself.

        Definitions lie in ``definitions`` under their hash, so that two runs can be compared, and
        again where the plan looks for them.
        Raises CanscopeError: a file is named in a way that no copy can follow.
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

    def add(self, more: Mapping[str, Any]) -> None:
        """Add to run.toml what is only known afterwards."""
        replace_file(self.path / RUN_FILE, toml_text({**known_facts(self.path), **more}))

    def finish(self, more: Mapping[str, Any]) -> None:
        """Add hashes of all files, and what the watching process knows, to run.toml."""
        facts = known_facts(self.path)
        facts.update(more)
        facts["sha256"] = {
            str(path.relative_to(self.path)): _sha256(path)
            for path in sorted(self.path.rglob("*"))
            if path.is_file() and path.name != RUN_FILE and path.name[0] != "."
        }
        replace_file(self.path / RUN_FILE, toml_text(facts))


def _put(target: Path, text: bytes) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(text)


def _places(plan: Plan) -> dict[str, Path]:
    """Where in a run folder each file of a plan goes, and where it comes from.

    Files keep their places relative to each other, so that the copy reads as the original did. The
    plan itself is plan.toml; where that cannot be (it rests on files outside its own folder), all
    lie in ``AS_USED`` and plan.toml only includes the plan there.
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
    return {os.path.join(AS_USED, os.path.relpath(s, root)): Path(s) for s in sorted(sources)}


def check_plan(plan: Plan) -> None:
    """Raises CanscopeError if the plan could not be kept in a run folder."""
    _places(plan)


def facts_of(folder: Path) -> dict[str, Any]:
    """What run.toml says; nothing if there is none.

    Raises CanscopeError if it is there and cannot be used: without what it says of the clock and
    of earlier runs, more would pass than may.
    """
    path = folder / RUN_FILE
    hint = "copy the whole run folder again, from where it was recorded"
    try:
        facts = tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        what = f"the papers of this run cannot be read: {why}"
        raise CanscopeError(what, where=Where(str(path)), hint=hint) from error
    wrong = odd(facts)
    if wrong:
        what = f"the papers of this run are not as they were written: {wrong}"
        raise CanscopeError(what, where=Where(str(path)), hint=hint)
    return facts


def known_facts(folder: Path) -> dict[str, Any]:
    """What run.toml says as far as it can be read, for those who write it anew."""
    try:
        return facts_of(folder)
    except CanscopeError:
        return {}


def notes_of(folder: Path) -> tuple[str, ...]:
    """What a report on a run must say of its recording, in words."""
    facts = facts_of(folder)
    if not facts:
        return ()
    notes, end = [], facts.get("end") or {}
    if not end:
        running = is_held(folder)
        notes.append(
            "the recorder is still writing: this is what there is so far"
            if running
            else "the recording has no end marker: the recorder was killed or lost its power; "
            "up to the last 0.2 s before that are missing"
        )
    elif not end.get("in_order", False):
        notes.append(f"the recorder stopped: {end.get('reason', 'for no reason that it gave')}")
    reason = (facts.get("run") or {}).get("not_silent")
    if reason:
        notes.append(f"recorded though not known to be silent, signed for: {reason}")
    for name, bus in (facts.get("buses") or {}).items():
        if not bus.get("silent"):
            notes.append(f"{name}: not known to be silent: {bus.get('silent_how', '')}")
        if bus.get("error_frames_are") in ("not carried", "unknown"):
            notes.append(f"{name}: error frames are {bus['error_frames_are']} in this recording")
    notes += [str(event.get("what", "")) for event in facts.get("events") or ()]
    earlier = facts.get("earlier") or {}
    if earlier.get("runs"):
        notes.append(f"earlier runs of this vehicle are counted: {', '.join(earlier['runs'])}")
    for words, what in (
        ("uncounted", "cannot be counted: how long it turned dry is not known"),
        ("strangers", "names no vehicle, having no plan, and is not counted"),
    ):
        notes += [f"the run {name} beside this one {what}" for name in earlier.get(words, ())]
    watched = facts.get("watch") or {}
    if watched.get("slow_s"):
        notes.append(
            f"live judging was up to {watched['slow_s']:.2f} s late; nothing was lost by it"
        )
    if (folder / BUG_FILE).exists():
        notes.append(f"the recorder met a bug of its own: see {BUG_FILE}")
    return (*notes, *_changed(folder, facts.get("sha256") or {}))


def _changed(folder: Path, hashes: Mapping[str, str]) -> list[str]:
    """Files that are no longer what they were when the run ended."""
    told = []
    for name, sha256 in hashes.items():
        path = folder / name
        if not path.is_file():
            told.append(f"{name} was part of this run and is missing")
        elif _sha256(path) != sha256:
            told.append(f"{name} was changed after the run ended")
    recorded = {name for name in hashes if Path(name).match(PATTERN)}
    added = sorted(p.name for p in folder.glob(PATTERN) if p.name not in recorded)
    return told + [f"{name} was added after the run ended" for name in added if hashes]


def _locks() -> Any:
    """The module that holds files; recording needs it, reading a run folder does not."""
    try:
        import fcntl
    except ImportError as error:
        hint = "record on Linux or macOS; everything else works here"
        raise CanscopeError("this system cannot hold a run folder", hint=hint) from error
    return fcntl


def is_held(folder: Path) -> bool:
    """Whether somebody records into this folder now."""
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


def _sha256(path: Path) -> str:
    digest = hashlib.sha256()
    with open(path, "rb") as file:
        while block := file.read(BLOCK):
            digest.update(block)
    return digest.hexdigest()
