"""What a person at the vehicle sees while a run is recorded: one big word, and what to do.

From top to bottom: the word in full-width colour with its shape and a short order, alarms or
reasons, the vehicle, its units, temperatures, buses, the recorder, and the keys. The keys keep
their place at the bottom; where a terminal is small, what matters least is left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from canscope.attending.words import (
    CAUTION,
    REQUESTS,
    errors,
    listening,
    order,
    recorder_line,
    said,
)
from canscope.cli._big_word import INK, big_word
from canscope.live.recording.status import RecorderStatus
from canscope.live.run_folder.run_file_schema import Bus
from canscope.live.watching.alarm_latch import LatchedAlarm
from canscope.live.watching.latest import ShownTemperature
from canscope.live.watching.watch import Glance

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.live import Live

DRAWN = f"{INK}■△…"  # characters that a terminal must be able to show
STYLES = {"STOP": "bold white on red", "TURNING": "bold white on blue"}
STYLES |= {"READY": "bold black on green", "NOT READY": "bold black on yellow"}
AGED_S = 0.5  # a last frame younger than that needs no word
TALL_ROWS = 34  # from so many rows on the word is twice as tall
UNKNOWN = "?"


@dataclass(frozen=True)
class Line:
    """One row of the screen."""

    text: str
    style: str = ""


def live_picture() -> AbstractContextManager[Live]:
    """The whole terminal, for ``view``; what stood there before is back when it ends."""
    from rich.live import Live

    return Live(auto_refresh=False, screen=True)


def view(
    glance: Glance,
    status: RecorderStatus,
    *,
    prompt: str,
    legend: Sequence[str],
    width: int,
    height: int,
) -> RenderableType:
    """The picture for a terminal of that size, filled to its last line.

    Every text from outside is shown as it is.
    """
    from rich.console import Group
    from rich.text import Text

    tall = 2 if height >= TALL_ROWS else 1
    style = STYLES[glance.word]
    top = [Line(row, style) for row in big_word(glance.word, width, tall)]
    top += [Line(row.center(width), style) for row in _wrapped(order(glance), width - 2)[:2]]
    keys = [Line(row, "bold") for row in _prompted(prompt, width)]
    keys += [Line(row, "dim") for row in _joined(legend, width)]
    room = max(0, height - len(top) - len(keys))
    body = _body(glance, status, width, room)
    rows = []
    for line in [*top, *body, *[Line("")] * (room - len(body)), *keys][-height:]:
        text = Text(line.text, line.style, no_wrap=True, overflow="ellipsis", end="\n")
        text.truncate(width, overflow="ellipsis", pad=" on " in line.style)
        rows.append(text)
    return Group(*rows)


def _body(glance: Glance, status: RecorderStatus, width: int, room: int) -> list[Line]:
    """Between the word and the keys, at most ``room`` lines."""
    told = _alarms(glance.alarms) if glance.word == "STOP" else _reasons(glance)
    vehicle = [*_vehicle(glance), *_units(glance)]
    buses = [_bus(name, bus, glance, status) for name, bus in status.buses.items()]
    below = [*buses, Line(recorder_line(glance, status))]
    temperatures = _columns(glance.temperatures, width)
    free = max(0, room - len(vehicle) - len(below))
    least = 1 if glance.word == "STOP" else free // 2  # of what is free, for temperatures
    messages = _first(told, free - min(len(temperatures), least))
    most = max(0, free - len(messages))
    if most < len(temperatures):
        temperatures = _columns(_by_urgency(glance.temperatures), width)[:most]
    parts: list[list[Line]] = [messages, vehicle, temperatures, below]
    spare = room - sum(map(len, parts))
    lines: list[Line] = []
    for part in parts:
        if part and spare > 0:
            lines.append(Line(""))
            spare -= 1
        lines += part
    if spare > 0:
        lines.append(Line(CAUTION))
    return lines[:room]


def _first(messages: Sequence[tuple[Line, bool]], most: int) -> list[Line]:
    """As many as fit, those that a person has dealt with left out first; how many are missing."""
    if len(messages) <= most:
        return [line for line, _ in messages]
    by_need = sorted(range(len(messages)), key=lambda at: messages[at][1])
    kept = sorted(by_need[: max(0, most - 1)])
    missing = Line(f"  and {len(messages) - len(kept)} more", "dim")
    return [*(messages[at][0] for at in kept), missing][:most]


def _alarms(alarms: Sequence[LatchedAlarm]) -> list[tuple[Line, bool]]:
    """No warning stands above a STOP; of each kind those first that nobody has acknowledged."""
    rows = []
    for alarm in sorted(alarms, key=lambda a: (not a.stops, a.acknowledged, a.raised_ns)):
        sign = "■ STOP" if alarm.stops else "△ warning"
        style = "dim" if alarm.acknowledged else "bold red" if alarm.stops else "yellow"
        seen = "(acknowledged) " if alarm.acknowledged else ""
        line = Line(f"{sign}  {seen}{alarm.rule}: {alarm.short or alarm.text}", style)
        rows.append((line, alarm.acknowledged))
    return rows


def _reasons(glance: Glance) -> list[tuple[Line, bool]]:
    """Why it is not ready, the first of which is the order; then the alarms."""
    why = glance.why[1:] if glance.word == "NOT READY" else ()
    standing = tuple(alarm.text for alarm in glance.alarms if not alarm.acknowledged)
    told = [text for text in why if not text.endswith(standing or ("\0",))]
    return [*((Line(f"  {said(text)}"), False) for text in told), *_alarms(glance.alarms)]


def _vehicle(glance: Glance) -> Iterator[Line]:
    """Request, brake, pack voltage and current, of what is bound."""
    values, words = glance.values, []
    if "driver.direction" in values:
        request = values["driver.direction"]
        words.append(f"request {UNKNOWN if request is None else REQUESTS.get(request, UNKNOWN)}")
    if "driver.brake" in values:
        pressed = {1.0: "pressed", 0.0: "released", None: UNKNOWN}
        words.append(f"brake {pressed.get(values['driver.brake'], UNKNOWN)}")
    pack = (("pack.voltage", "V"), ("pack.current", "A"))
    shown = [_amount(values[role], unit) for role, unit in pack if role in values]
    if shown:
        words.append(f"pack {'   '.join(shown)}")
    if words:
        yield Line("   ".join(words), "bold")


def _amount(value: float | None, unit: str) -> str:
    return f"{UNKNOWN if value is None else f'{value:.1f}'} {unit}"


def _units(glance: Glance) -> Iterator[Line]:
    """Each axle's speed, and how long it may still turn dry."""
    dry = {name: (burst, total) for name, burst, total in glance.dry_left}
    for name in dict.fromkeys((*dry, *_with_speed(glance))):
        speed = glance.values.get(f"units.{name}.speed")
        text = f"{name:<7} {UNKNOWN if speed is None else round(speed):>6} rpm"
        text += "  TURNING" if name in glance.turning else "         "
        if name in dry:
            text += f"  dry left {_left(dry[name][0])}, in all {_left(dry[name][1])}"
        yield Line(text.rstrip(), "bold")


def _with_speed(glance: Glance) -> list[str]:
    return [role.split(".")[1] for role in glance.values if role.endswith(".speed")]


def _left(seconds: float | None) -> str:
    return "no limit" if seconds is None else f"{seconds:.1f} s"


def _by_urgency(temperatures: Sequence[ShownTemperature]) -> list[ShownTemperature]:
    """Those first that reach their ceiling soonest; the others in the plan's order."""
    never = float("inf")
    return sorted(
        temperatures, key=lambda t: never if t.to_ceiling_s is None else round(t.to_ceiling_s, -1)
    )


def temperature(shown: ShownTemperature) -> str:
    """One temperature: name, value, slope, and the time to its ceiling."""
    name = shown.role.removeprefix("units.").replace(".temperatures.", " ")
    text = f"{name} {shown.value_degC:.1f} degC"
    if shown.slope_K_s is not None:
        text += f" {shown.slope_K_s:+.2f} K/s"
    if shown.to_ceiling_s is not None and shown.to_ceiling_s < 1000:
        text += f", {shown.ceiling_degC:g} in {shown.to_ceiling_s:.0f} s"
    return text


def _columns(temperatures: Sequence[ShownTemperature], width: int) -> list[Line]:
    """Side by side, in columns of one width."""
    if not temperatures:
        return []
    cells = [temperature(shown) for shown in temperatures]
    wide = max(map(len, cells)) + 3
    across = max(1, (width + 3) // wide)
    rows = (cells[at : at + across] for at in range(0, len(cells), across))
    return [Line("".join(f"{cell:<{wide}}" for cell in row).rstrip()) for row in rows]


def _bus(name: str, bus: Bus, glance: Glance, status: RecorderStatus) -> Line:
    """One bus in a line, what is wrong with it first."""
    words = [] if bus.state == "recording" else [bus.state]
    words += [f"{bus.dropped} LOST"] if bus.dropped else []
    if bus.state != "replayed":  # a file is no bus that somebody listens to
        words.append(listening(bus))
    age_s, per_s = glance.bus_age_s.get(name), status.per_s.get(name)
    words.append(f"{bus.frames} frames" if age_s is not None else "no frame yet")
    if per_s is not None:
        words.append(f"{per_s}/s")
    if age_s is not None and age_s >= AGED_S:
        words.append(f"the last {age_s:.1f} s ago")
    wrong = bus.dropped or bus.state == "lost" or not bus.silent
    return Line(f"{name}  {', '.join([*words, errors(bus)])}", "bold red" if wrong else "")


def _wrapped(text: str, width: int) -> list[str]:
    """A text in lines, broken between words."""
    from textwrap import wrap

    return wrap(text, max(width, 10)) or [""]


def _prompted(prompt: str, width: int) -> list[str]:
    """What the next key does, broken between choices, else between words."""
    parts = _joined(prompt.split("   "), width) if prompt else []
    return [row for part in parts for row in _wrapped(part, width)]


def _joined(parts: Sequence[str], width: int) -> list[str]:
    """Parts side by side, broken only between them."""
    rows: list[str] = []
    for part in parts:
        if rows and len(rows[-1]) + 3 + len(part) <= width:
            rows[-1] += f"   {part}"
        else:
            rows.append(part)
    return rows
