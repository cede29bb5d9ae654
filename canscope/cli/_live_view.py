"""What a person at the vehicle sees while a run is recorded: one big word, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from canscope.live.watching.watch import Glance

if TYPE_CHECKING:
    from rich.console import RenderableType

# Word, shape and border tell the states apart without colour.
SHAPES = {"STOP": "■ ■ ■", "TURNING": "> > >", "READY": "●", "NOT READY": "○"}
MOST_ALARMS = 6
ARMED = "armed: recording begins by itself with the first frame"
STYLES = {"STOP": "bold white on red", "TURNING": "bold cyan", "READY": "bold green"}


def view(glance: Glance, status: dict[str, Any], *, prompt: str, legend: str) -> RenderableType:
    """The whole picture for a terminal; every text from outside is shown as it is."""
    from rich import box
    from rich.console import Group
    from rich.panel import Panel
    from rich.text import Text

    style = STYLES.get(glance.word, "bold yellow")
    shape = SHAPES[glance.word]
    big = Text(f"\n{shape}   {'  '.join(glance.word)}   {shape}\n", style, justify="center")
    frame = box.DOUBLE if glance.word == "STOP" else box.ROUNDED
    told = () if glance.word == "STOP" else glance.why  # the alarms below say it
    why = [Text(f"  {line}") for line in told[:6]]
    if len(told) > 6:
        why.append(Text(f"  and {len(told) - 6} more"))
    parts: list[RenderableType] = [Panel(big, box=frame), *why]
    parts += [_alarms(glance), _units(glance), _buses(glance, status)]
    parts += [
        Text(recorder_line(glance, status)),
        Text(prompt or legend, "bold" if prompt else "dim"),
    ]
    return Group(*parts)


def _alarms(glance: Glance) -> RenderableType:
    from rich.text import Text

    text = Text()
    # What stands comes first, stops before warnings, and of these the latest.
    by_weight = sorted(glance.alarms, key=lambda a: (not a.acknowledged, a.stops, a.raised_ns))
    if len(by_weight) > MOST_ALARMS:
        text.append(f"{len(by_weight) - MOST_ALARMS} more alarms\n", "dim")
    for alarm in by_weight[-MOST_ALARMS:]:
        sign = "■ STOP" if alarm.stops else "△ warning"
        seen = "  (acknowledged)" if alarm.acknowledged else ""
        style = "dim" if alarm.acknowledged else "bold red" if alarm.stops else "yellow"
        text.append(f"{sign}  {alarm.rule}: {alarm.text}{seen}\n", style)
    return text


def _units(glance: Glance) -> RenderableType:
    from rich.table import Table

    table = Table.grid(padding=(0, 3))
    for name, speed in glance.speeds_rpm.items():
        table.add_row(name, f"{round(speed)} rpm", "turning" if name in glance.turning else "")
    for name, burst, total in glance.dry_left:
        table.add_row(f"{name} dry", f"burst {_left(burst)}", f"all {_left(total)}")
    for heat in glance.heats:
        table.add_row(*heat_cells(heat))
    return table


def heat_cells(heat: Any) -> tuple[str, str, str]:
    """One temperature: name, value with slope, time to its ceiling."""
    slope = "" if heat.slope_K_s is None else f" {heat.slope_K_s:+.2f} K/s"
    ceiling = "no ceiling" if heat.ceiling_degC is None else f"ceiling {heat.ceiling_degC:g} degC"
    if heat.to_ceiling_s is not None:
        ceiling += f" in {heat.to_ceiling_s:.0f} s"
    return heat.role.removeprefix("units."), f"{heat.value_degC:.1f} degC{slope}", ceiling


def _left(seconds: float | None) -> str:
    return "no limit given" if seconds is None else f"{seconds:.1f} s left"


def _buses(glance: Glance, status: dict[str, Any]) -> RenderableType:
    from rich.table import Table

    table = Table.grid(padding=(0, 3))
    for name, bus in status.get("buses", {}).items():
        per_s = status.get("per_s", {}).get(name)
        table.add_row(*bus_cells(name, bus, glance.bus_age_s.get(name), per_s))
    return table


def bus_cells(
    name: str, bus: dict[str, Any], age_s: float | None, per_s: int | None
) -> tuple[str, ...]:
    """One bus: found -> silent -> frames -> error frames, in words."""
    age = "no frame yet" if age_s is None else f"last frame {age_s:.1f} s ago"
    frames = f"{bus['frames']} frames"
    if per_s is not None:
        frames += f", {per_s} a second"
    lost = f"{bus['dropped']} lost" if bus["dropped"] else "none lost"
    return name, bus["state"], _silent(bus), frames, age, _errors(bus), lost


def adapter_check(name: str, bus: dict[str, Any], per_s: int) -> str:
    """Whether an adapter does what it should, in one line, once frames have come."""
    return f"{name}: {bus['found']} -> {_silent(bus)} -> {per_s} frames/s -> {_errors(bus)}"


def _silent(bus: dict[str, Any]) -> str:
    return "silent" if bus["silent"] else "NOT KNOWN TO BE SILENT"


def _errors(bus: dict[str, Any]) -> str:
    if bus["error_frames_are"] == "not carried":
        return "error frames are not carried"
    known = "" if bus["error_frames_are"] == "recorded" else " (whether all come is not known)"
    return f"{bus['error_frames']} error frames{known if not bus['error_frames'] else ''}"


def recorder_line(glance: Glance, status: dict[str, Any]) -> str:
    """How recording and judging are doing, in one line."""
    free = status.get("disk_free")
    disk = "" if free is None else f"; {free / 1e9:.1f} GB free"
    waiting = (
        f"; {status.get('queued', 0) / 1e6:.1f} MB wait for the disk"
        if status.get("queued", 0) > 1e6
        else ""
    )
    late = f"; judging took up to {glance.late_s:.2f} s" if glance.late_s > 0.2 else ""
    heard = any(bus["frames"] for bus in status.get("buses", {}).values())
    state = "recording" if heard else ARMED
    if status.get("end"):
        state = "RECORDER STOPPED"
    return f"{state}{disk}{waiting}{late}"
