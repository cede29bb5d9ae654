"""What a report on a run must say of how it was recorded, in words."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from canscope.live.run_folder.folder import is_held, sha256_of
from canscope.live.run_folder.layout import BUG_FILE, CAPTURE_PATTERN
from canscope.live.run_folder.run_file_schema import (
    ALONE,
    TERMINAL_CLOSED,
    UNWATCHED,
    EarlierRuns,
    RunBus,
    RunEnd,
    RunFile,
)


def recording_notes(folder: Path, run_file: RunFile | None) -> tuple[str, ...]:
    """A sentence for everything about a recording that a reader of its report must know."""
    if run_file is None:
        return ()
    notes = _end_notes(folder, run_file.end)
    reason = run_file.run.get("not_silent")
    if reason:
        notes.append(f"recorded though not known to be silent, signed for: {reason}")
    for name, bus in run_file.buses.items():
        notes += _bus_notes(name, bus)
    notes += [event.what for event in run_file.events]
    if run_file.earlier is not None:
        notes += _earlier_notes(run_file.earlier)
    if run_file.watch is not None and run_file.watch.slow_s:
        slow_s = run_file.watch.slow_s
        notes.append(f"live judging was up to {slow_s:.2f} s late; nothing was lost by it")
    if run_file.watch is not None and run_file.watch.unseen:
        why = run_file.watch.unseen
        notes.append(f"from some instant on nobody could see what the watching process said: {why}")
    if (folder / BUG_FILE).exists():
        notes.append(f"the recorder met a bug of its own: see {BUG_FILE}")
    return (*notes, *_change_notes(folder, run_file.sha256 or {}))


def _end_notes(folder: Path, end: RunEnd | None) -> list[str]:
    if end is None and is_held(folder):
        return ["the recorder is still writing: this is what there is so far"]
    if end is None:
        return [
            "the recording has no end marker: the recorder was killed or lost its power; "
            "up to the last 0.2 s before that are missing"
        ]
    if end.in_order and end.reason.startswith((TERMINAL_CLOSED, UNWATCHED, ALONE)):
        return [f"nobody ended this recording at the screen: {end.reason}"]
    if end.in_order:
        return []
    return [f"the recorder stopped: {end.reason or 'for no reason that it gave'}"]


def _bus_notes(name: str, bus: RunBus) -> list[str]:
    notes = []
    if not bus.silent:
        notes.append(f"{name}: not known to be silent: {bus.silent_how}")
    if bus.error_frames_are in ("not carried", "unknown"):
        notes.append(f"{name}: error frames are {bus.error_frames_are} in this recording")
    return notes


def _earlier_notes(earlier: EarlierRuns) -> list[str]:
    notes = []
    if earlier.runs:
        notes.append(f"earlier runs of this vehicle are counted: {', '.join(earlier.runs)}")
    for names, why in (
        (earlier.uncounted, "cannot be counted: how long it turned dry is not known"),
        (earlier.replays, "is the replay of a file and is not counted"),
        (earlier.strangers, "names no vehicle, having no plan, and is not counted"),
    ):
        notes += [f"the run {name} beside this one {why}" for name in names]
    return notes


def _change_notes(folder: Path, hashes: Mapping[str, str]) -> list[str]:
    """Files that are no longer what they were when the run ended."""
    notes = []
    for name, sha256 in hashes.items():
        path = folder / name
        if not path.is_file():
            notes.append(f"{name} was part of this run and is missing")
        elif sha256_of(path) != sha256:
            notes.append(f"{name} was changed after the run ended")
    recorded = {name for name in hashes if Path(name).match(CAPTURE_PATTERN)}
    added = sorted(p.name for p in folder.glob(CAPTURE_PATTERN) if p.name not in recorded)
    return notes + [f"{name} was added after the run ended" for name in added if hashes]
