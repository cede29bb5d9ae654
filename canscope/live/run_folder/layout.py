"""The names of the files in a run folder."""

from __future__ import annotations

from pathlib import Path

RUN_FILE, PLAN_FILE, MARKS_FILE = "run.toml", "plan.toml", "marks.jsonl"
CAPTURE_NAME, CAPTURE_PATTERN = "capture-%04d.log", "capture-*.log"
BUG_FILE = "recorder-errors.txt"  # tracebacks of the recorder's own bugs
PLAN_AS_USED, DEFINITIONS = "plan-as-used", "definitions"  # folders
LOCK_FILE, RESERVE_FILE = ".lock", ".reserve"


def captures_in(folder: Path) -> list[Path]:
    """The captures of a run that hold anything, in order; also what is no plain file."""
    found = sorted(folder.glob(CAPTURE_PATTERN))
    return [path for path in found if not path.is_file() or path.stat().st_size]
