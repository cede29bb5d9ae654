"""One instant of a run as plain data for the page: everything it shows, nothing to be reckoned."""

from __future__ import annotations

from typing import Any

from canscope.attending.attended_run import AttendedRun
from canscope.attending.hand_readings import named
from canscope.attending.words import REQUESTS, errors, listening, order, recorder_line
from canscope.live.run_folder.run_file_schema import Bus
from canscope.live.watching.watch import UNHEARD, Glance
from canscope.plan.plan import Plan

MOVES_rpm = 30.0  # slower than that is still: common practice, no source
TEST = "test the sound (T), and say whether it was heard (H)"
SILENT = "this page makes no sound before it is touched, or a key is pressed"


def state_of(
    run: AttendedRun, glance: Glance, asked: str | None, *, confirmed: bool
) -> dict[str, Any]:
    """All of it. ``asked`` is what was last marked as asked for, where no signal tells it.

    ``confirmed``: the sound was heard once, and only a page that is silent again is missing.
    """
    status = run.status
    why = [(SILENT if confirmed else TEST) if r == UNHEARD else r for r in glance.why]
    first = why[0].upper() if UNHEARD in glance.why[:1] else order(glance)
    ages = glance.age_s
    standing = [alarm for alarm in glance.alarms if not alarm.acknowledged]
    return {
        "word": glance.word,
        "order": first,
        "why": why,
        "rings": "stop" if any(a.stops for a in standing) else "warn" if standing else "",
        "alarms": [
            {
                "rule": alarm.rule,
                "subject": alarm.subject,
                "stops": alarm.stops,
                "text": alarm.text,
                "short": alarm.short,
                "acknowledged": alarm.acknowledged,
                "after_s": _after_s(alarm.raised_ns, status.recording_ns),
            }
            for alarm in sorted(
                glance.alarms, key=lambda a: (a.acknowledged, not a.stops, a.raised_ns)
            )
        ],
        "driver": _driver(glance, asked),
        "pack": [
            _number(role, glance, "V" if role.endswith("voltage") else "A", 1)
            for role in ("pack.voltage", "pack.current")
            if role in glance.values
        ],
        "units": _units(run.plan, glance, asked) if run.plan else [],
        "temperatures": [
            {
                "name": named(shown.role),
                "role": shown.role,
                "value": None if shown.role in glance.stale else round(shown.value_degC, 1),
                "slope": None if shown.slope_K_s is None else round(shown.slope_K_s, 2),
                "ceiling": shown.ceiling_degC,
                "to_ceiling_s": None if shown.to_ceiling_s is None else round(shown.to_ceiling_s),
                "age_s": _short(ages.get(shown.role)),
            }
            for shown in glance.temperatures
        ],
        "buses": [_bus(name, bus, glance, run) for name, bus in status.buses.items()],
        "recorder": recorder_line(glance, status).partition("; ")[2],
        "recording": status.end is None and any(bus.frames for bus in status.buses.values()),
        "since_s": _after_s(status.now_ns, status.recording_ns),
        "replays": status.replays,
        "heard": confirmed,
    }


def about(run: AttendedRun) -> dict[str, Any]:
    """What does not change during a run."""
    plan, bench = run.plan, run.plan.bench if run.plan else None
    return {
        "vehicle": bench.vehicle if bench else "no plan: nothing is judged",
        "stage": bench.stage if bench else "",
        "axles": [unit.name for unit in bench.units] if bench else [],
        "asks": bench is not None and not bench.has("driver.direction"),
        "tester": str(plan.job.get("tester", "")) if plan else "",
    }


def _driver(glance: Glance, asked: str | None) -> list[dict[str, Any]]:
    rows = []
    if "driver.direction" in glance.values:
        word = _request(glance.values["driver.direction"])
        rows.append(_row("request", word, glance.age_s.get("driver.direction")))
    elif asked:
        rows.append({"name": "request", "value": asked, "age_s": None, "how": "as marked"})
    if "driver.brake" in glance.values:
        words = {1.0: "pressed", 0.0: "released"}
        pressed = glance.values["driver.brake"]
        word = None if pressed is None else words.get(pressed)
        rows.append(_row("brake", word, glance.age_s.get("driver.brake")))
    return rows


def _request(value: float | None) -> str | None:
    return None if value is None else REQUESTS.get(value)


def _row(name: str, value: str | None, age_s: float | None) -> dict[str, Any]:
    return {"name": name, "value": value, "age_s": _short(age_s), "how": ""}


def _number(role: str, glance: Glance, unit: str, digits: int) -> dict[str, Any]:
    value = glance.values.get(role)
    shown = None if value is None else f"{value:.{digits}f}"
    return {"name": named(role), "value": shown, "unit": unit, "age_s": _short(glance.age_s[role])}


def _units(plan: Plan, glance: Glance, asked: str | None) -> list[dict[str, Any]]:
    """Each axle: what was asked, which way it turns (as mounted), how fast, how long it may yet."""
    dry = {name: (burst_s, total_s) for name, burst_s, total_s in glance.dry_left}
    wanted = asked
    if "driver.direction" in glance.values:
        wanted = _request(glance.values["driver.direction"])
    rows = []
    for unit in plan.bench.units:
        role = unit.role("speed")
        speed = glance.values.get(role)
        burst_s, total_s = dry.get(unit.name, (None, None))
        rows.append(
            {
                "name": unit.name,
                "asked": wanted,
                "turns": _way(speed),
                "speed_rpm": None if speed is None else round(speed),
                "age_s": _short(glance.age_s.get(role)),
                "turning": unit.name in glance.turning,
                "burst_left_s": _short(burst_s),
                "total_left_s": _short(total_s),
                "dry": unit.name in dry,
            }
        )
    return rows


def _way(speed_rpm: float | None) -> str | None:
    """Which way the vehicle would roll: the speed is corrected for how the unit is mounted."""
    if speed_rpm is None:
        return None
    if abs(speed_rpm) < MOVES_rpm:
        return "still"
    return "forward" if speed_rpm > 0 else "reverse"


def _bus(name: str, bus: Bus, glance: Glance, run: AttendedRun) -> dict[str, Any]:
    age_s, per_s = glance.bus_age_s.get(name), run.status.per_s.get(name)
    return {
        "name": name,
        "state": bus.state,
        "frames": bus.frames,
        "per_s": per_s,
        "age_s": _short(age_s),
        "lost": bus.dropped,
        "listens": "" if bus.state == "replayed" else listening(bus),
        "errors": errors(bus),
        "wrong": bool(bus.dropped) or bus.state == "lost" or not bus.silent,
    }


def _after_s(at_ns: int, recording_ns: int) -> float | None:
    return round((at_ns - recording_ns) / 1e9, 1) if at_ns and recording_ns else None


def _short(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 1)
