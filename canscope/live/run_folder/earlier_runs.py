"""What the earlier runs of a vehicle have shown: seconds turned dry, sensors that have moved.

The runs of one vehicle lie beside each other. Each says in its own run.toml what it has shown; one
that does not, because its recorder was killed, is judged again. What cannot be counted is told.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from canscope.capture.order import gathered
from canscope.capture.read import read_capture
from canscope.decoding.columns import decode
from canscope.judge.check import Run
from canscope.live.recording.run_file_writer import RUN_FILE
from canscope.live.recording.writer import captures_in
from canscope.live.run_folder.folder import PLAN_FILE, facts_of, is_held
from canscope.live.run_folder.turning_time import Turned
from canscope.model.errors import CanscopeError
from canscope.model.findings import Verdict
from canscope.model.report import Report
from canscope.plan.load import read_plan
from canscope.plan.plan import Plan

EARLIER, SHOWN = "earlier", "shown"  # tables of run.toml


@dataclass(frozen=True)
class Earlier:
    """What all earlier runs of a vehicle have shown together."""

    runs: tuple[str, ...] = ()  # folders that were counted
    uncounted: tuple[str, ...] = ()  # of this vehicle, but nobody can tell
    strangers: tuple[str, ...] = ()  # recorded without a plan: of whatever vehicle
    turned_dry_s: Mapping[str, float] = field(default_factory=dict)  # by unit
    moved: frozenset[str] = frozenset()  # temperature roles whose raw value has moved

    def facts(self) -> dict[str, Any]:
        """As run.toml keeps it."""
        return {
            "runs": list(self.runs),
            "uncounted": list(self.uncounted),
            "strangers": list(self.strangers),
            "moved": sorted(self.moved),
            "turned_dry_s": {name: round(s, 3) for name, s in self.turned_dry_s.items()},
        }


def earlier_of(folder: Path, vehicle: str) -> Earlier:
    """What the runs beside ``folder`` have shown of this vehicle."""
    runs, uncounted, strangers = [], [], []
    turned: Counter[str] = Counter()
    moved: set[str] = set()
    home = folder.absolute().parent
    for beside in sorted(path.parent for path in home.glob(f"*/{RUN_FILE}")):
        if beside == folder.absolute():
            continue
        try:
            facts = facts_of(beside)
        except CanscopeError:  # of this vehicle perhaps, and nobody can tell
            uncounted.append(beside.name)
            continue
        whose = (facts.get("run") or {}).get("vehicle")
        if whose is None:
            strangers.append(beside.name)
        elif whose == vehicle:
            shown = None if is_held(beside) else facts.get(SHOWN) or _judged(beside)
            if shown is None:
                uncounted.append(beside.name)
                continue
            runs.append(beside.name)
            turned.update(shown.get("turned_dry_s") or {})
            moved.update(shown.get("moved") or ())
    return Earlier(tuple(runs), tuple(uncounted), tuple(strangers), turned, frozenset(moved))


def shown(plan: Plan, turned_s: Mapping[str, float], report: Report) -> dict[str, Any]:
    """What one run adds to the build record."""
    alive = [f for f in report.findings if f.rule == "sensor-alive" and f.verdict is Verdict.PASS]
    turned = {name: round(s, 3) for name, s in turned_s.items()}
    return {
        "moved": sorted(finding.roles[0] for finding in alive if finding.roles),
        "turned_dry_s": turned if plan.bench.dry else {},
    }


def _judged(folder: Path) -> dict[str, Any] | None:
    """What a run has shown, from its captures; None if they cannot be judged."""
    captures = captures_in(folder)
    if not captures:
        return {}
    try:
        plan = read_plan(folder / PLAN_FILE)
        run, turned = Run(plan), Turned(plan.bench)
        frames = gathered(read_capture(*map(str, captures)))
        for signals in decode(frames, plan.definitions, wanted=plan.wanted):
            run.feed(signals)
            if len(signals.frames):
                turned.feed(signals, int(signals.frames.time_ns.max()) + 1)
        return shown(plan, turned.seconds(), run.report())
    except (CanscopeError, OSError):
        return None


def as_recorded(plan: Plan, facts: Mapping[str, Any]) -> Plan:
    """A plan with what the papers of a run, run.toml, add to it: earlier runs, and the clock."""
    earlier, clock = facts.get(EARLIER), facts.get("clock") or {}
    bench = plan.bench
    if earlier is not None:
        bench = replace(
            bench,
            turned_dry_s=dict(earlier.get("turned_dry_s") or {}),
            moved_before=frozenset(earlier.get("moved") or ()),
            uncounted=tuple(earlier.get("uncounted") or ()),
        )
    buses = (facts.get("buses") or {}).values()
    stated = float(clock.get("uncertainty_ms", 0.0))
    latest = max((float(bus.get("late_by_at_most_ms", 0.0)) for bus in buses), default=0.0)
    ended = bool(facts.get("end"))
    bench = replace(bench, clock_ms=stated, latest_stamp_ms=latest if ended else 0.0)
    return replace(plan, bench=bench)
