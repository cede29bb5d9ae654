"""Severity swept through each limit: what is true, and where the verdict turns.

Limits are the demo plans' own, the design's defaults and the standards' values, written out here:
60 V within 5 s (IEC 60204-1), 100 ohm/V (UN R100 5.1.3), the others common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from canscope.model.findings import Finding
from canscope.simulate.runs import Run, make_run
from canscope.simulate.script import Floats
from canscope.simulate.sensors import supply_voltage, trailing_mean
from canscope.simulate.vehicle import VEHICLES, Limits
from tests.matrix.judging import decoded

FAR, NEAR = 3.0, 0.0  # targets, in uncertainties from the limit


@dataclass(frozen=True)
class Case:
    """One limit: ``true`` is the judged quantity as the simulator knows it, in the rule's unit.

    ``low`` is a severity on the good side, ``high`` one on the bad side. ``slack`` is what the
    reading may be off beside the uncertainty that is stated: noise of the sensor, and what the
    rule's way of measuring leaves out.
    """

    rule: str
    subject: str
    fault: str
    limit: float
    true: Callable[[Run], float]
    low: float
    high: float
    slack: float
    least: bool = False  # the limit is a minimum
    stage: str = "dry-spin"
    coarse: bool = True  # states every 100 ms tell the judged quantity as well

    @property
    def name(self) -> str:
        """How it is called in a list of tests."""
        return f"{self.rule}-{self.fault}"

    def over(self, run: Run) -> float:
        """How far the truth is on the bad side."""
        return self.limit - self.true(run) if self.least else self.true(run) - self.limit


@dataclass(frozen=True)
class Point:
    """One severity: how far beyond the limit the truth is, and what was found."""

    severity: float
    over: float
    finding: Finding


def made(case: Case, vehicle: str, severity: float) -> Point:
    """One run of a case."""
    built = VEHICLES[vehicle]
    if case.stage == "wet-spin":
        built = replace(built, wiring=replace(built.wiring, coolant_flow=True))
    run = make_run(built, stage=case.stage, fault=case.fault, severity=severity)
    read = decoded(run)  # no rule knows of another one, so the case's own is enough
    findings = read.report({case.rule: read.plan.rules[case.rule]}).findings
    found = next(f for f in findings if (f.rule, f.subject) == (case.rule, case.subject))
    return Point(severity, case.over(run), found)


def sweep(case: Case, vehicle: str) -> list[Point]:
    """Severities from good to bad, with some as near to the limit as can be told."""
    points = [made(case, vehicle, case.low), made(case, vehicle, case.high)]
    for _ in range(2):  # ever nearer to the limit
        points.append(made(case, vehicle, _at(points, 0.0)))
        points.sort(key=lambda point: point.severity)
    u = max(points[1].finding.uncertainty or 0.0, 0.0)
    for side in (-FAR, FAR):
        points.append(made(case, vehicle, _at(points, side * (u + case.slack))))
    return sorted(points, key=lambda point: point.severity)


def _at(points: list[Point], over: float) -> float:
    """The severity at which the truth ought to be so far over the limit."""
    below = max((p for p in points if p.over <= over), key=lambda p: p.over, default=points[0])
    above = min((p for p in points if p.over > over), key=lambda p: p.over, default=points[-1])
    if below.over == above.over:
        return below.severity
    share = (over - below.over) / (above.over - below.over)
    return below.severity + share * (above.severity - below.severity)


def wrongs_of(case: Case, points: list[Point]) -> list[str]:
    """Where a verdict does not follow from the truth within the uncertainty that it states."""
    wrongs = []
    for point in points:
        finding, over = point.finding, point.over
        u = (finding.uncertainty or 0.0) + case.slack
        told = f"severity {point.severity:.4g}: {over:+.4g} over the limit, {finding.sentence}"
        close = finding.reason == "too-close-to-call"
        if finding.verdict == "pass" and over > case.slack:
            wrongs.append(f"false pass: {told}")
        elif finding.verdict == "fail" and over < -case.slack:
            wrongs.append(f"false fail: {told}")
        elif close and abs(over) > 2 * u:
            wrongs.append(f"too close though it is not: {told}")
        elif finding.verdict == "unproven" and not close:
            wrongs.append(f"unproven: {told}")
    verdicts = [p.finding.verdict for p in points]
    if not {"pass", "fail"} <= set(verdicts):
        wrongs.append(f"it never turned: {verdicts}")
    return wrongs


def _closed(run: Run) -> np.ndarray:
    closed = run.truth.closed
    return (closed["negative"] > 0) & (closed["positive"] > 0)


def _row(column: Floats) -> int:
    """The first row in which something is closed."""
    return int(np.flatnonzero(column > 0)[0])


def _highest_A(run: Run) -> float:
    return float(np.abs(trailing_mean(run.truth.pack_A, 10)).max())


def _sag_percent(run: Run) -> float:
    rows = _closed(run)
    rest = np.median(run.truth.pack_V[_before_burst(run)])
    return float((rest - run.truth.pack_V[rows].min()) / rest * 100)


def _before_burst(run: Run) -> slice:
    start = round(run.script.spins[0].start_s * 1000)
    return slice(start - 2000, start)


def _level_percent(run: Run) -> float:
    row = _row(run.truth.closed["positive"]) - 1
    return float(run.truth.link_V[row] / run.truth.pack_V[row] * 100)


def _tau_percent(run: Run) -> float:
    """Time constant in percent of three times R C as the plan states them."""
    assert run.fault is not None
    box, stated = run.fault.vehicle(run.vehicle).box, run.vehicle.box
    return 100 * box.resistor_ohm / (3 * stated.stated_resistor_ohm)


def _discharge_s(run: Run) -> float:
    first = int(np.flatnonzero(np.diff(_closed(run).astype(int)) < 0)[-1])
    live = np.flatnonzero(run.truth.link_V[first:] >= 60.0)
    return float(live[-1]) / 1000


def _highest_rpm(run: Run) -> float:
    return float(np.abs(run.truth.speed_rpm["front"]).max())


def _hottest(body: str) -> Callable[[Run], float]:
    return lambda run: float(run.truth.heat["front"][body].max())


def _rise_K(run: Run) -> float:
    heat = run.truth.heat["front"]["winding"]
    return float(heat.max() - heat[0])


def _rate_K_s(run: Run) -> float:
    heat = run.truth.heat["front"]
    step = round(5.0 / float(heat["time_s"][1]))
    return float((heat["winding"][step:] - heat["winding"][:-step]).max() / 5.0)


def _offset_K(run: Run) -> float:
    assert run.fault is not None
    return 10.0 * run.fault.severity


def _burst_s(run: Run) -> float:
    speed = np.abs(run.truth.speed_rpm["rear"][: round(run.script.spins[1].start_s * 1000)])
    on = int(np.flatnonzero(speed >= 50)[0])
    return float(np.flatnonzero(speed >= 30)[-1] - on) / 1000


def _ohm_per_V(run: Run) -> float:
    assert run.fault is not None
    return run.fault.vehicle(run.vehicle).pack.insulation_kohm * 1000 / run.vehicle.pack.maximum_V


def _gain_percent(run: Run) -> float:
    assert run.fault is not None
    return 100 * abs(1 - run.fault.vehicle(run.vehicle).rear.link_gain)


def _change_rpm(run: Run) -> float:
    selector = run.truth.inputs["direction"]
    row = int(np.flatnonzero((selector[1:] == 2) & (selector[:-1] != 2))[0])
    return float(abs(run.truth.speed_rpm["rear"][row]))


def _times(factor: float) -> Callable[[Run], float]:
    def true(run: Run) -> float:
        assert run.fault is not None
        return factor * run.fault.severity

    return true


def _opening_A(run: Run) -> float:
    row = int(np.flatnonzero(np.diff(run.truth.closed["positive"]) < 0)[-1])
    return float(run.truth.pack_A[row - 2])


def _stop_s(run: Run) -> float:
    stop = _row(run.truth.inputs["emergency"])
    return float(np.flatnonzero(run.truth.closed["positive"])[-1] + 1 - stop) / 1000


def _source_ohm(run: Run) -> float:
    assert run.fault is not None
    return run.fault.vehicle(run.vehicle).pack.resistance_ohm


def _back_rpm(run: Run) -> float:
    released = round(run.script.spins[0].end_s * 1000)
    return float(-run.truth.speed_rpm["front"][released : released + 3000].min())


def _lowest_12V(run: Run) -> float:
    assert run.fault is not None
    return float(supply_voltage(run.truth, run.fault.vehicle(run.vehicle).supply).min())


def _garbled_percent(run: Run) -> float:
    lines = run.capture_text().splitlines()
    return 100 * sum("?" in line for line in lines) / len(lines)


LIMITS = Limits()
CASES = (
    Case("current-ceiling", "pack", "heater-left-on", LIMITS.current_A, _highest_A, 0.3, 1.0, 0.5),
    Case("bus-sag", "pack", "weak-pack", 10.0, _sag_percent, 0.2, 1.0, 0.15),
    Case(
        "precharge-level",
        "front link",
        "bad-precharge",
        95.0,
        _level_percent,
        0.02,
        0.6,
        0.6,
        least=True,
        coarse=False,
    ),
    Case(
        "precharge-curve",
        "front link",
        "wrong-precharge-resistor",
        100.0,
        _tau_percent,
        0.4,
        1.0,
        1.5,
    ),
    Case("link-discharge", "front link", "slow-discharge", 5.0, _discharge_s, 0.2, 0.8, 0.02),
    Case("speed-ceiling", "front", "overspeed", LIMITS.speed_rpm, _highest_rpm, 0.05, 1.0, 1.5),
    Case(
        "temperature-ceiling",
        "front inverter",
        "unit-still-hot",
        LIMITS.inverter_degC,
        _hottest("inverter"),
        -2.0,
        1.0,
        0.25,
    ),
    Case("temperature-rise", "front winding", "hot-while-dry", 10.0, _rise_K, 0.1, 1.0, 0.4),
    Case("temperature-rate", "front winding", "hot-while-dry", 2.0, _rate_K_s, 0.1, 1.0, 0.3),
    Case("cold-soak", "temperatures", "sensor-offset", 5.0, _offset_K, 0.1, 1.0, 0.4),
    Case("dry-exposure", "rear", "long-dry-burst", LIMITS.burst_s, _burst_s, 0.1, 1.0, 0.01),
    Case(
        "insulation-resistance",
        "pack",
        "low-insulation",
        100.0,
        _ohm_per_V,
        0.3,
        1.0,
        35.0,
        least=True,
    ),
    Case("voltage-agreement", "rear link", "link-sensor-wrong", 3.0, _gain_percent, 0.2, 1.0, 0.15),
    Case("change-at-standstill", "rear", "change-on-the-move", 100.0, _change_rpm, 0.2, 1.0, 2.0),
    Case("pedal-at-rest", "pedal", "pedal-rests-high", 3.0, _times(5.5), 0.3, 1.0, 0.5),
    Case(
        "pedal-tracks",
        "pedal",
        "pedal-tracks-apart",
        10.0,
        lambda r: _times(16.0)(r) + 0.4,
        0.3,
        1.0,
        0.6,
    ),
    Case("opening-current", "pack", "opens-under-load", 2.0, _opening_A, 0.05, 1.0, 0.4),
    Case(
        "emergency-stop",
        "emergency stop",
        "emergency-stop-ignored",
        1.0,
        _stop_s,
        0.2,
        1.0,
        0.01,
        stage="power-up",
    ),
    Case("source-resistance", "pack", "high-source-resistance", 1.0, _source_ohm, 0.2, 1.0, 0.08),
    Case("turns-after-release", "front", "turns-back-on-release", 50.0, _back_rpm, 0.1, 1.0, 1.5),
    Case("capture-integrity", "capture", "garbled-lines", 1.0, _garbled_percent, 0.2, 1.0, 0.0),
    Case(
        "coolant-flow",
        "coolant",
        "pump-stops",
        1.0,
        lambda r: 0.4 / r.fault.severity,
        0.2,
        1.0,
        0.15,
        least=True,
        stage="wet-spin",
    ),
    Case("control-supply", "12 V", "low-12V", 10.5, _lowest_12V, 0.2, 1.0, 0.25, least=True),
)
