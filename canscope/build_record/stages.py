"""Which stage a vehicle has earned, and what the next one lacks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from canscope.build_record.changes import NEEDS, Notes, Skipped
from canscope.model.bench import STAGES
from canscope.model.build_record import Change, RunRow, Step, VehicleRecord

ALONE = STAGES[0]


def record_of(
    vehicle: str, rows: Sequence[RunRow], rehearsals: Sequence[RunRow], notes: Notes
) -> VehicleRecord:
    """The record of one vehicle: its latest run of each stage decides, after the last change."""
    runs = sorted(rows, key=lambda row: (row.at_ns is None, row.at_ns or 0, row.name))
    changes = sorted([*notes.changes, *_seen(runs)], key=lambda change: change.at_ns)
    steps = tuple(_steps(runs, changes, notes.skipped))
    earned, missing = _earned(steps)
    dry_s: dict[str, float] = {}
    for run in runs:
        for unit, seconds in run.dry_s.items() if run.counts else ():
            key = f"{unit} ({run.serials[unit]})" if run.serials.get(unit) else unit
            dry_s[key] = dry_s.get(key, 0.0) + seconds
    trends: dict[str, list[tuple[str, float]]] = {}
    for run in runs:
        for name, value in run.trends.items() if run.counts else ():
            trends.setdefault(name, []).append((run.name, value))
    return VehicleRecord(
        vehicle,
        tuple(runs),
        tuple(rehearsals),
        tuple(changes),
        steps,
        earned,
        missing,
        dry_s,
        _anchored(runs, changes),
        {name: tuple(values) for name, values in trends.items()},
    )


def _seen(runs: Sequence[RunRow]) -> Iterator[Change]:
    """Changes that the runs show by themselves, each just before the run that shows it.

    A unit has another serial number than in the run before, or a definition file of one name has
    other bytes.
    """
    serials: dict[str, str] = {}
    definitions: dict[str, str] = {}
    for run in runs:
        if not run.counts or run.at_ns is None:
            continue
        before_ns = run.at_ns - 1
        for unit, serial in run.serials.items():
            if serial and serials.get(unit, serial) != serial:
                text = f"serial number {serials[unit]} became {serial}"
                yield Change("unit", NEEDS["unit"][0], before_ns, unit, text, "seen in the plans")
            serials[unit] = serial or serials.get(unit, "")
        for name, digest in run.definitions.items():
            if definitions.get(name, digest) != digest:
                text = f"{name} has other bytes than before"
                needs = NEEDS["definition"][0]
                yield Change("definition", needs, before_ns, "", text, "seen in the reports")
            definitions[name] = digest


def _steps(
    runs: Sequence[RunRow], changes: Sequence[Change], skipped: Sequence[Skipped]
) -> Iterator[Step]:
    units = dict.fromkeys(unit for run in runs if run.stage != ALONE for unit in run.serials)
    units |= dict.fromkeys(unit for run in runs for unit in run.serials)
    for unit in units:
        mine = [run for run in runs if run.stage == ALONE and unit in run.serials]
        touching = [c for c in changes if c.needs == ALONE and c.unit in ("", unit)]
        yield _step(ALONE, unit, mine, touching, skipped)
    for stage in STAGES[1:]:
        mine = [run for run in runs if run.stage == stage]
        touching = [c for c in changes if STAGES.index(c.needs) <= STAGES.index(stage)]
        yield _step(stage, "", mine, touching, skipped)


def _step(
    stage: str,
    unit: str,
    runs: Sequence[RunRow],
    changes: Sequence[Change],
    skipped: Sequence[Skipped],
) -> Step:
    """The latest run that counts decides, if no change came after it."""
    counted = [run for run in runs if run.counts]
    last = counted[-1] if counted else None
    name = f"{stage} of unit {unit}" if unit else stage
    step = Step(stage, unit, False, f"no run of {name} yet")
    change = changes[-1] if changes else None
    if last is None:
        step = replace(step, why=f"{step.why}{_uncounted(runs)}")
    elif last.verdict != "pass":
        what = f": {last.wrong}" if last.wrong else ""
        step = replace(step, run=last.name, why=f"run {last.name} is {last.verdict}{what}")
    elif change is not None and (last.at_ns is None or last.at_ns <= change.at_ns):
        reason = NEEDS[change.what][1]
        done = f"{change.what}{f' of {change.unit}' if change.unit else ''}"
        why = f"after run {last.name} came a change ({done}): {reason}; run {name} again"
        step = replace(step, run=last.name, why=why)
    else:
        accepted = f"{last.waived} items accepted" if last.waived else ""
        return Step(stage, unit, True, f"run {last.name}", last.name, accepted)
    waived = next((one for one in skipped if one.stage == stage and one.unit in ("", unit)), None)
    if waived is not None and last is None:  # a run that failed, or a change, is never skipped
        return replace(
            step, earned=True, why=f"accepted without a run: {waived.reason}", accepted=waived.by
        )
    return step


def _uncounted(runs: Sequence[RunRow]) -> str:
    reasons = [f"{run.name}: {run.why_not}" for run in runs if not run.counts]
    return f" that counts ({'; '.join(reasons)})" if reasons else ""


def _earned(steps: Sequence[Step]) -> tuple[str, str]:
    """The highest stage that is earned with all before it, and what the next one lacks."""
    earned = ""
    for stage in STAGES:
        mine = [step for step in steps if step.stage == stage]
        lacking = [step.why for step in mine if not step.earned]
        if lacking or not mine:
            return earned, f"{stage}: {'; '.join(lacking) or f'no run of {stage} yet'}"
        earned = stage
    return earned, ""


def _anchored(runs: Sequence[RunRow], changes: Sequence[Change]) -> dict[str, str]:
    """Roles whose scale a person's instrument confirmed, while their signal stayed the same.

    A change of the definition, and one of the unit that a role is of, take its anchor away.
    """
    anchored: dict[str, tuple[str, RunRow]] = {}
    for run in runs:
        if run.counts:
            anchored |= {role: (signal, run) for role, signal in run.anchored.items()}
    kept = {}
    for role, (_, run) in anchored.items():
        voids = [
            c
            for c in changes
            if c.what in ("definition", "unit", "firmware")
            and (not c.unit or role.startswith(f"units.{c.unit}."))
            and (run.at_ns is None or run.at_ns <= c.at_ns)
        ]
        if not voids:
            kept[role] = run.name
    return kept
