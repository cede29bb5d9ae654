"""What a person at the vehicle sees while a run is recorded: one big word, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canscope.live.recording.status import RecorderStatus
from canscope.live.run_folder.run_file_schema import Bus
from canscope.live.watching.latest import ShownTemperature
from canscope.live.watching.watch import Glance

if TYPE_CHECKING:
    from rich.console import RenderableType

# Word, shape and border tell the states apart without colour.
SHAPES = {"STOP": "■ ■ ■", "TURNING": "> > >", "READY": "●", "NOT READY": "○"}
MOST_ALARMS, MOST_REASONS = 6, 6
ARMED = "armed: recording begins by itself with the first frame"
STYLES = {"STOP": "bold white on red", "TURNING": "bold cyan", "READY": "bold green"}


def view(glance: Glance, status: RecorderStatus, *, prompt: str, legend: str) -> RenderableType:
    """The whole picture for a terminal; every text from outside is shown as it is."""
    from rich import box
    from rich.console import Group
    from rich.panel import Panel
    from rich.text import Text

    style = STYLES.get(glance.word, "bold yellow")
    shape = SHAPES[glance.word]
    big = Text(f"\n{shape}   {'  '.join(glance.word)}   {shape}\n", style, justify="center")
    frame = box.DOUBLE if glance.word == "STOP" else box.ROUNDED
    reasons = () if glance.word == "STOP" else glance.why  # the alarms below repeat them
    why = [Text(f"  {line}") for line in reasons[:MOST_REASONS]]
    if len(reasons) > MOST_REASONS:
        why.append(Text(f"  and {len(reasons) - MOST_REASONS} more"))
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
    # The weightiest alarms come last: those that stand, stops, the latest ones.
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
    for temperature in glance.temperatures:
        table.add_row(*temperature_cells(temperature))
    return table


def temperature_cells(shown: ShownTemperature) -> tuple[str, str, str]:
    """One temperature: name, value with slope, time to its ceiling."""
    slope = "" if shown.slope_K_s is None else f" {shown.slope_K_s:+.2f} K/s"
    ceiling = "no ceiling" if shown.ceiling_degC is None else f"ceiling {shown.ceiling_degC:g} degC"
    if shown.to_ceiling_s is not None:
        ceiling += f" in {shown.to_ceiling_s:.0f} s"
    return shown.role.removeprefix("units."), f"{shown.value_degC:.1f} degC{slope}", ceiling


def _left(seconds: float | None) -> str:
    return "no limit given" if seconds is None else f"{seconds:.1f} s left"


def _buses(glance: Glance, status: RecorderStatus) -> RenderableType:
    from rich.table import Table

    table = Table.grid(padding=(0, 3))
    for name, bus in status.buses.items():
        age_s, per_s = glance.bus_age_s.get(name), status.per_s.get(name)
        table.add_row(*bus_cells(name, bus, age_s, per_s))
    return table


def bus_cells(name: str, bus: Bus, age_s: float | None, per_s: int | None) -> tuple[str, ...]:
    """One bus in words: name, state, silence, frames, age, error frames, losses."""
    age = "no frame yet" if age_s is None else f"last frame {age_s:.1f} s ago"
    frames = f"{bus.frames} frames"
    if per_s is not None:
        frames += f", {per_s} a second"
    lost = f"{bus.dropped} lost" if bus.dropped else "none lost"
    return name, bus.state, _silent(bus), frames, age, _errors(bus), lost


def adapter_check(name: str, bus: Bus, per_s: int) -> str:
    """What an adapter does, in one line, once frames have come."""
    return f"{name}: {bus.found} -> {_silent(bus)} -> {per_s} frames/s -> {_errors(bus)}"


def _silent(bus: Bus) -> str:
    return "silent" if bus.silent else "NOT KNOWN TO BE SILENT"


def _errors(bus: Bus) -> str:
    if bus.error_frames_are == "not carried":
        return "error frames are not carried"
    if bus.error_frames or bus.error_frames_are == "recorded":
        return f"{bus.error_frames} error frames"
    return "0 error frames (whether all come is not known)"


def recorder_line(glance: Glance, status: RecorderStatus) -> str:
    """How recording and judging are doing, in one line."""
    free, queued = status.disk_free, status.queued
    disk = "" if free is None else f"; {free / 1e9:.1f} GB free"
    waiting = f"; {queued / 1e6:.1f} MB wait for the disk" if queued > 1e6 else ""
    late = f"; judging took up to {glance.late_s:.2f} s" if glance.late_s > 0.2 else ""
    heard = any(bus.frames for bus in status.buses.values())
    state = "recording" if heard else ARMED
    if status.end is not None:
        state = "RECORDER STOPPED"
    return f"{state}{disk}{waiting}{late}"
