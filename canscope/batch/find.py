"""Which runs a batch has: run folders as they are, and each capture that lies outside of one."""

from __future__ import annotations

import glob
import os
from collections.abc import Sequence
from pathlib import Path

from canscope.live.run_folder.layout import PLAN_FILE, RUN_FILE
from canscope.model.errors import CanscopeError, Where

# Names of captures, those of formats that are only named and not read among them.
CAPTURES = {".log", ".csv", ".db", ".sqlite", ".pcap", ".pcapng", ".mf4", ".asc", ".blf", ".trc"}
PACKED = {".gz", ".bz2", ".xz", ".zst"}


def find_runs(targets: Sequence[str], plan: Path | None, out: Path) -> tuple[list[str], list[str]]:
    """The paths of all runs, and of the files that were not taken for captures.

    A target is a folder, in which is searched down to its last folder, a capture, or a pattern
    (``*``, ``?``, ``[]``; ``**`` for folders of any depth). A run folder is one run: a folder that
    holds ``run.toml``, or captures beside a ``plan.toml`` that is not ``plan`` itself. ``out``,
    where results go, is not searched. Each run counts once.

    Raises ``CanscopeError`` for a target that is not there, a folder that cannot be read, and where
    there is no run at all.
    """
    search = _Search(plan, out)
    for target in targets:
        for path in _named(target):
            search.take(path)
    if not search.runs:
        hint = "name a folder of captures or run folders, or a pattern such as 'runs/*/spin*.log'"
        raise CanscopeError(f"no run in {', '.join(targets)}", hint=hint)
    return list(search.runs.values()), list(search.left_out)


def _named(target: str) -> list[str]:
    if os.path.lexists(target):
        return [target]
    if found := sorted(glob.glob(target, recursive=True)):
        return found
    hint = "give a folder, a capture, or a pattern in quotes"
    raise CanscopeError("nothing has that name or fits it", where=Where(target), hint=hint)


class _Search:
    def __init__(self, plan: Path | None, out: Path) -> None:
        self._plan, self._out = plan, os.path.realpath(out)
        self.runs: dict[str, str] = {}  # real path -> as found
        self.left_out: dict[str, None] = {}
        self._searched: set[str] = set()

    def take(self, path: str) -> None:
        """What was named: a folder to search, else a capture whatever its name."""
        if os.path.isdir(path):
            self._search(path, inside=False)
        else:
            self.runs.setdefault(os.path.realpath(path), path)

    def _search(self, folder: str, *, inside: bool) -> None:
        """Take the runs in a folder; ``inside`` a run folder only further run folders are."""
        real = os.path.realpath(folder)
        if real in self._searched or real == self._out:  # links may lead in a circle
            return
        self._searched.add(real)
        files, folders = _content(folder)
        if self._is_run(folder, files):
            self.runs.setdefault(real, folder)
            files, inside = [], True
        for path in files:
            if _is_capture(path) and not inside:
                self.runs.setdefault(os.path.realpath(path), path)
            elif _is_capture(path) or not inside:
                self.left_out[path] = None
        for path in folders:
            self._search(path, inside=inside)

    def _is_run(self, folder: str, files: Sequence[str]) -> bool:
        if os.path.join(folder, RUN_FILE) in files:
            return True
        plan = os.path.join(folder, PLAN_FILE)
        if plan not in files or (self._plan is not None and os.path.samefile(plan, self._plan)):
            return False
        return any(map(_is_capture, files))


def _content(folder: str) -> tuple[list[str], list[str]]:
    """Files and folders in a folder, sorted, without hidden ones."""
    try:
        names = sorted(name for name in os.listdir(folder) if not name.startswith("."))
    except OSError as error:
        what = f"this folder cannot be read: {error.strerror}"
        hint = "give this user the right to read it, or name other folders"
        raise CanscopeError(what, where=Where(folder), hint=hint) from error
    paths = [os.path.join(folder, name) for name in names]
    folders = [path for path in paths if os.path.isdir(path)]
    return [path for path in paths if path not in set(folders)], folders


def _is_capture(path: str) -> bool:
    suffixes = [suffix.lower() for suffix in Path(path).suffixes]
    if suffixes and suffixes[-1] in PACKED:
        suffixes.pop()
    return bool(suffixes) and suffixes[-1] in CAPTURES
