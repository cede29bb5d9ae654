"""What to judge against what: files as they are named, or those of a run folder."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from canscope.model.errors import CanscopeError, Where

if TYPE_CHECKING:
    from canscope.live.run_folder.run_file_schema import RunFile

PLAN_NAMES = ("plan.toml",)
CAPTURE_PATTERNS = ("*.log", "*.log.gz")


@dataclass(frozen=True)
class Inputs:
    """What to judge against what."""

    captures: tuple[str, ...]
    plan: Path
    notes: tuple[str, ...] = ()
    marks: Path | None = None  # that a run folder brings
    run_file: RunFile | None = None  # its run.toml
    folder: Path | None = None  # the run folder, where there is one

    @property
    def stem(self) -> str:
        """A file name for reports, made of the run folder's or the first capture's own."""
        if self.folder is not None and (name := self.folder.resolve().name):
            return re.sub(r"[^\w.-]+", "_", name)
        name = "standard-input" if self.captures[0] == "-" else Path(self.captures[0]).name
        return re.sub(r"[^\w.-]+", "_", re.sub(r"(\.\w+)(\.gz)?$", "", name)) or "capture"


def captures_of(names: Sequence[str]) -> list[str]:
    """Captures as named, or those of the one run folder that is named.

    Raises CanscopeError if there are none in it.
    """
    if len(names) != 1 or names[0] == "-" or not Path(names[0]).is_dir():
        return list(names)
    folder = Path(names[0])
    found = sorted({path for pattern in CAPTURE_PATTERNS for path in folder.glob(pattern)})
    # An empty file is what a recorder begins with; what is no plain file is told where it is read.
    if not (filled := [str(path) for path in found if not path.is_file() or path.stat().st_size]):
        hint = "a run folder holds its captures as *.log or *.log.gz"
        raise CanscopeError("no capture in this folder", where=Where(str(folder)), hint=hint)
    return filled


def inputs_of(captures: Sequence[str], plan: Path | None) -> Inputs:
    """Captures and plan from the command line, or from a run folder.

    Raises CanscopeError where one of them is missing.
    """
    if len(captures) == 1 and captures[0] != "-" and Path(captures[0]).is_dir():
        folder = Path(captures[0])
        found = captures_of(captures)
        own = next((folder / name for name in PLAN_NAMES if (folder / name).is_file()), None)
        from canscope.live.run_folder.layout import MARKS_FILE
        from canscope.live.run_folder.notes import recording_notes
        from canscope.live.run_folder.run_file import read_run_file

        run_file = read_run_file(folder)
        notes = recording_notes(folder, run_file)
        if plan is not None and own is not None:
            notes += (f"judged against {plan} instead of the run's own plan {own.name}",)
        plan = plan or own
        captures = found
        if plan is None:
            hint = "name one with --plan, or put plan.toml into the folder"
            raise CanscopeError("no bench plan in this folder", where=Where(str(folder)), hint=hint)
        marks = folder / MARKS_FILE
        found_marks = marks if os.path.lexists(marks) else None  # told, if it is no file
        return Inputs(tuple(captures), plan, notes, found_marks, run_file, folder)
    folder_among = next((name for name in captures if name != "-" and Path(name).is_dir()), None)
    if folder_among is not None:
        hint = "give one run folder by itself, or the capture files in it"
        raise CanscopeError("a folder among captures", where=Where(folder_among), hint=hint)
    if plan is None:
        for name in captures:
            if name != "-" and not Path(name).exists():
                hint = "check the path; give captures and --plan, or a run folder"
                what = "no file or folder of that name"
                raise CanscopeError(what, where=Where(name), hint=hint)
        if plans := [name for name in captures if name.endswith(".toml")]:
            others = " ".join(name for name in captures if name not in plans) or "CAPTURE"
            hint = f"name the plan with --plan: canscope check {others} --plan {plans[0]}"
            raise CanscopeError("a bench plan among the captures", where=Where(plans[0]), hint=hint)
        hint = "name the bench plan with --plan; 'canscope demo' writes an example"
        raise CanscopeError("a capture alone cannot be judged", hint=hint)
    return Inputs(tuple(captures), plan)
