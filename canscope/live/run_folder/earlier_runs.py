"""What the earlier runs of a vehicle have shown: seconds turned dry, sensors that live, anchors.

The runs of one vehicle lie beside each other in one folder. Each run.toml says what its run has
shown; where it does not, because the recorder was killed, the run is judged again. Runs that
cannot be counted are named. A replay is no run of the vehicle: it adds no seconds, vouches for no
sensor and anchors no role.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from canscope.capture.order import gathered
from canscope.capture.read import read_capture
from canscope.decoding.columns import decode
from canscope.judge.check import Run
from canscope.live.run_folder.folder import is_held
from canscope.live.run_folder.layout import MARKS_FILE, PLAN_FILE, RUN_FILE, captures_in
from canscope.live.run_folder.run_file import read_run_file
from canscope.live.run_folder.run_file_schema import (
    AnchoredRole,
    EarlierRuns,
    RoleAsBound,
    RunFile,
    ShownByRun,
)
from canscope.live.run_folder.turning_time import TurningTime
from canscope.model.bench import Bench
from canscope.model.errors import CanscopeError
from canscope.model.findings import Verdict
from canscope.model.report import ANCHOR, Report
from canscope.plan.load import read_plan
from canscope.plan.plan import Plan


def earlier_runs_of(folder: Path, vehicle: str) -> EarlierRuns:
    """What the runs beside ``folder`` have shown of this vehicle."""
    runs, uncounted, strangers, replays = [], [], [], []
    turned_s: dict[str, float] = {}
    alive: dict[RoleAsBound, None] = {}
    readings: list[_Readings] = []
    home = folder.absolute().parent
    for beside in sorted(path.parent for path in home.glob(f"*/{RUN_FILE}")):
        if beside == folder.absolute():
            continue
        try:
            run_file = read_run_file(beside) or RunFile()
        except CanscopeError:  # it may be of this vehicle
            uncounted.append(beside.name)
            continue
        of_vehicle = run_file.run.get("vehicle")
        if of_vehicle is None:
            strangers.append(beside.name)
        elif of_vehicle == vehicle and run_file.is_replay:
            replays.append(beside.name)
        elif of_vehicle == vehicle:
            shown = None if is_held(beside) else run_file.shown or _judged_again(beside)
            if shown is None:
                uncounted.append(beside.name)
                continue
            runs.append(beside.name)
            for unit, seconds in shown.turned_dry_s.items():
                turned_s[unit] = turned_s.get(unit, 0.0) + seconds
            alive.update(dict.fromkeys(shown.alive))
            readings.append(_Readings(run_file.run.get("started", ""), beside.name, shown))
    return EarlierRuns(
        tuple(runs),
        tuple(uncounted),
        tuple(strangers),
        tuple(replays),
        tuple(alive),
        _anchored(readings),
        _rounded(turned_s),
    )


@dataclass(frozen=True)
class _Readings:
    """What the hand readings of one run have shown; ``started`` is empty if nobody knows when."""

    started: str
    run: str
    shown: ShownByRun


def _anchored(readings: Iterable[_Readings]) -> tuple[AnchoredRole, ...]:
    """The roles that a reading agreed with after the last one that disagreed.

    Where nobody knows when a run was, what disagrees counts as the latest, what agrees as the
    first.
    """
    told = [((r.started or "", 0, r.run), r, r.shown.anchored) for r in readings]
    told += [((r.started or "9", 1, r.run), r, ()) for r in readings if r.shown.contradicted]
    kept: dict[RoleAsBound, str] = {}
    for (_, contradicts, _), one, agreed in sorted(told, key=lambda row: row[0]):
        for role in one.shown.contradicted if contradicts else ():
            kept.pop(role, None)
        kept |= dict.fromkeys(agreed, one.run)
    return tuple(AnchoredRole(r.role, r.signal, r.definition, run) for r, run in kept.items())


def shown_by(plan: Plan, turned_s: Mapping[str, float], report: Report) -> ShownByRun:
    """What one run adds to the build record."""
    passed = [f for f in report.findings if f.verdict is Verdict.PASS and f.roles]
    moved = {f.roles[0] for f in passed if f.rule == "sensor-alive" and f.facts.get("moved")}
    # A flow passes only if it was seen at rest, unless another run vouches for it.
    flows = {f.roles[0] for f in passed if f.rule == "coolant-flow"}
    moved |= flows - plan.bench.moved_before
    alive = tuple(_as_bound(plan.bench, role) for role in sorted(moved))
    agreed = {f.roles[0] for f in passed if f.rule == ANCHOR}
    return ShownByRun(
        alive,
        tuple(_scaled(plan.bench, role) for role in sorted(agreed)),
        tuple(_scaled(plan.bench, role) for role in sorted(_contradicted(plan.bench, report))),
        _rounded(turned_s) if plan.bench.dry else {},
    )


def _contradicted(bench: Bench, report: Report) -> set[str]:
    """The roles that a hand reading disagreed with; of a rule that is off nobody knows which."""
    if ANCHOR in report.off_failed:
        return set(bench.bindings)
    failed = (f for f in report.findings if f.rule == ANCHOR and f.verdict is Verdict.FAIL)
    return {f.roles[0] for f in failed if f.roles}


def _scaled(bench: Bench, role: str) -> RoleAsBound:
    """A role with all that its scale rests on: its definition, its unit and that one's gears."""
    units = [unit for unit in bench.units if role.startswith(unit.role(""))]
    return _as_bound(bench, role, *((unit.serial, unit.gear_ratio) for unit in units))


def _as_bound(bench: Bench, role: str, *more: tuple[object, ...]) -> RoleAsBound:
    """A role as it is bound and defined now; ``more`` is what else has to stay the same."""
    binding = bench.bindings[role]
    message = bench.messages.get(binding.signal.message_key)
    told = (
        message and (message.can_id, message.extended, message.length),
        asdict(binding.signal),
        sorted(binding.codes.items()),
        (binding.kind.value, binding.unit, binding.factor, binding.offset),
        *more,
    )
    digest = hashlib.sha256(repr(told).encode()).hexdigest()
    return RoleAsBound(role, binding.key, digest)


def _rounded(seconds: Mapping[str, float]) -> dict[str, float]:
    return {unit: round(s, 3) for unit, s in seconds.items()}


def _judged_again(folder: Path) -> ShownByRun | None:
    """What a run has shown, from its captures; None if they cannot be judged."""
    captures = captures_in(folder)
    if not captures:
        return ShownByRun()
    try:
        marks = folder / MARKS_FILE
        plan = read_plan(folder / PLAN_FILE, marks=marks if os.path.lexists(marks) else None)
        run, turning = Run(plan), TurningTime(plan.bench)
        frames = gathered(read_capture(*map(str, captures)))
        for signals in decode(frames, plan.definitions, wanted=plan.wanted):
            run.feed(signals)
            if len(signals.frames):
                turning.feed(signals, int(signals.frames.time_ns.max()) + 1)
        return shown_by(plan, turning.totals_s(), run.report())
    except (CanscopeError, OSError):
        return None


def _vouched_for(bench: Bench, earlier: EarlierRuns) -> frozenset[str]:
    """Roles of sensors that an earlier run has seen to live, bound and defined as they are now."""
    roles = {sensor.role for sensor in earlier.alive if sensor.role in bench.bindings}
    return frozenset(role for role in roles if _as_bound(bench, role) in earlier.alive)


def _anchored_before(bench: Bench, earlier: EarlierRuns) -> dict[str, str]:
    """Roles that a hand reading of an earlier run anchored, bound and scaled as they are now."""
    return {
        one.role: one.run
        for one in earlier.anchored
        if one.role in bench.bindings
        and _scaled(bench, one.role) == RoleAsBound(one.role, one.signal, one.definition)
    }


def as_recorded(plan: Plan, run_file: RunFile) -> Plan:
    """The plan with what run.toml adds to it: the earlier runs, and how far to trust the clock."""
    bench, earlier = plan.bench, run_file.earlier
    if earlier is not None:
        bench = replace(
            bench,
            turned_dry_s=dict(earlier.turned_dry_s),
            moved_before=_vouched_for(bench, earlier),
            anchored_before=_anchored_before(bench, earlier),
            uncounted=earlier.uncounted,
        )
    stated_ms = run_file.clock.uncertainty_ms if run_file.clock else None
    latest_ms = 0.0
    if run_file.end is not None:  # before the end nobody knows how late a stamp will be at most
        latest_ms = max((bus.late_by_at_most_ms for bus in run_file.buses.values()), default=0.0)
    bench = replace(
        bench,
        clock_ms=float(stated_ms or 0.0),
        latest_stamp_ms=latest_ms,
        counted_frames=run_file.end.frames if run_file.end is not None else None,
    )
    return replace(plan, bench=bench)
