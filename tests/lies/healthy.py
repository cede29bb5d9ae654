"""Random healthy vehicles with what real ones have, trait by trait; none of them may fail.

A trait changes a vehicle as built, what its driver does, what its sensors show, how its nodes send
or what the plan says, and none of that is a fault. Several come together.
"""

from __future__ import annotations

import re
import tempfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from canscope.capture.read import read_capture
from canscope.decoding.columns import decode
from canscope.judge.check import check
from canscope.model.report import Report
from canscope.plan.load import read_plan
from canscope.simulate.folder import write_run
from canscope.simulate.messages import all_messages
from canscope.simulate.nodes import record
from canscope.simulate.physics import Truth, simulate
from canscope.simulate.random_vehicle import draw
from canscope.simulate.recording import Recording
from canscope.simulate.runs import Run, witness
from canscope.simulate.script import DrySpin, Script, Story
from canscope.simulate.sensors import Readings, readings
from canscope.simulate.vehicle import Vehicle
from canscope.simulate.wiring import AwakeTime
from tests.lies.lies import joined

STAGES = ("dry-spin", "dry-spin", "wet-spin", "power-up", "unit-alone")
POWER_S = 4.0  # when the driver of every story first asks for high voltage

Sensed = Callable[["Real", Truth, Readings], None]
Sent = Callable[["Real", Recording], Recording]


@dataclass(eq=False)
class Real:
    """A healthy vehicle and its run while traits are given to it."""

    vehicle: Vehicle
    story: Story
    rng: np.random.Generator
    load_W: float = 0.0
    sensed: list[Sensed] = field(default_factory=list)
    sent: list[Sent] = field(default_factory=list)
    planned: list[Callable[[str, str], str]] = field(default_factory=list)  # (file, text) -> text

    @property
    def script(self) -> Script:
        """What the driver does."""
        return self.story.script()

    @property
    def units(self) -> list[str]:
        """The channels of the units."""
        return [unit.channel for unit in self.vehicle.units]

    def some_unit(self) -> str:
        """The channel of one of the units."""
        return str(self.rng.choice(self.units))

    def woken_s(self, channel: str) -> float:
        """When the unit on that channel wakes."""
        name = next(unit.name for unit in self.vehicle.units if unit.channel == channel)
        return self.script.first("ignition", 1.0) + self.vehicle.wiring.nodes[name].wake_s

    def relay(self, name: str, **changed: object) -> None:
        """Send every message of that name otherwise."""
        own = {
            channel: tuple(replace(m, **changed) if m.name == name else m for m in messages)
            for channel, messages in all_messages(self.vehicle).items()
        }
        self.rewire(messages=own)

    def rewire(self, **changed: object) -> None:
        """Change how the nodes send."""
        wiring = replace(self.vehicle.wiring, **changed)  # type: ignore[arg-type]
        self.vehicle = replace(self.vehicle, wiring=wiring)

    def again(self, vehicle: Vehicle, seed: int) -> Recording:
        """The same run, recorded from a vehicle that sends otherwise."""
        return record(vehicle, self.script, self.seen, np.random.default_rng(seed))

    seen: Readings = field(default_factory=Readings)
    first_s: float = 0.0  # of the recording
    asks: list[tuple[float, str]] = field(default_factory=list)  # what the lever was set to, when

    def without(self, reason: str, *roles: str, keys: str) -> None:
        """Take keys out of the vehicle's file; somebody signs that these roles are on no bus."""

        def signed(file: str, text: str) -> str:
            if file == "vehicle.toml":
                return re.sub(rf"(?m)^({keys}) .*\n", "", text)
            if not file.endswith(".toml"):
                return text
            if "[not_on_this_vehicle]" not in text:
                text += f'\n[not_on_this_vehicle]\nroles = []\nreason = "{reason}"\nby = "T."\n'
            names = "".join(f'"{role}", ' for role in roles)
            return text.replace("\nroles = [", f"\nroles = [{names}")

        self.planned.append(signed)


Trait = Callable[[Real], str | None]
TRAITS: dict[str, Trait] = {}


def trait(name: str) -> Callable[[Trait], Trait]:
    """Enter a trait under its name; it answers None where a vehicle cannot have it."""

    def enter(maker: Trait) -> Trait:
        TRAITS[name] = maker
        return maker

    return enter


# What sensors show.


@trait("resolver-noise")
def resolver_noise(real: Real) -> str:
    """The speed of a standing shaft flickers."""
    rpm = float(real.rng.uniform(5, 15))

    def noisy(real: Real, truth: Truth, seen: Readings) -> None:
        for channel in real.units:
            column = seen[f"{channel}:UnitFast.MotorSpeed"]
            noise = real.rng.uniform(-rpm, rpm, len(column))
            seen[f"{channel}:UnitFast.MotorSpeed"] = column + noise

    real.sensed.append(noisy)
    return f"speeds flicker by up to {rpm:.0f} rpm"


@trait("link-noise")
def link_noise(real: Real) -> str:
    """Link voltages are noisy."""
    percent = float(real.rng.uniform(0.2, 0.5))

    def noisy(real: Real, truth: Truth, seen: Readings) -> None:
        for channel in real.units:
            column = seen[f"{channel}:UnitFast.LinkVoltage"]
            noise = real.rng.uniform(-percent, percent, len(column)) / 100
            seen[f"{channel}:UnitFast.LinkVoltage"] = column * (1 + noise)

    real.sensed.append(noisy)
    return f"links flicker by up to {percent:.1f} %"


@trait("link-sensor")
def link_sensor(real: Real) -> str:
    """Each link sensor is somewhere within its accuracy."""
    words = []
    for unit in real.vehicle.units:
        gain = 1 + float(real.rng.uniform(-0.03, 0.03))
        real.vehicle = real.vehicle.with_unit(replace(real.vehicle.unit(unit.name), link_gain=gain))
        words.append(f"{unit.name} link {100 * gain - 100:+.1f} %")
    return ", ".join(words)


@trait("current-offset")
def current_offset(real: Real) -> str:
    """The current sensor is off by some ampere."""
    amps = float(real.rng.uniform(1, 3)) * float(real.rng.choice([-1, 1]))

    def off(real: Real, truth: Truth, seen: Readings) -> None:
        seen["can0:PackStatus.PackCurrent"] = seen["can0:PackStatus.PackCurrent"] + amps

    real.sensed.append(off)
    return f"current {amps:+.1f} A"


@trait("init-codes")
def init_codes(real: Real) -> str:
    """In the first second after it woke a unit shows the ends of its ranges and a fault."""
    channel, for_s = real.some_unit(), float(real.rng.uniform(0.2, 1.0))
    code = float(real.rng.choice([1, 7, 255]))
    level = float(real.rng.choice([1e9, -1e9]))
    names = ["Fault"]
    names += [n for n in ("InverterTemp", "WindingTemp", "LinkVoltage") if real.rng.random() < 0.6]

    def waking(real: Real, truth: Truth, seen: Readings) -> None:
        rows = truth.time_s < real.woken_s(channel) + for_s
        for name in names:
            for key in (f"{channel}:UnitSlow.{name}", f"{channel}:UnitFast.{name}"):
                if key in seen:
                    seen[key] = np.where(rows, code if name == "Fault" else level, seen[key])

    real.sensed.append(waking)
    return f"{channel} {', '.join(names)} not valid for {for_s:.1f} s"


@trait("fault-until-closed")
def fault_until_closed(real: Real) -> str:
    """A unit's fault is that it has no high voltage."""
    code = float(real.rng.choice([3, 18, 64]))
    again, late_s = bool(real.rng.random() < 0.5), float(real.rng.uniform(0.0, 0.4))

    def waiting(real: Real, truth: Truth, seen: Readings) -> None:
        closed = (truth.closed["negative"] > 0) & (truth.closed["positive"] > 0)
        live = np.roll(closed, round(late_s * 1000))
        if not again:
            live = np.maximum.accumulate(live)
        for channel in real.units:
            seen[f"{channel}:UnitSlow.Fault"] = np.where(live, 0.0, code)

    real.sensed.append(waiting)
    return f"fault {code:.0f} without high voltage{', also afterwards' if again else ''}"


@trait("holding-torque")
def holding_torque(real: Real) -> str | None:
    """A unit holds its shaft at standstill while a direction is chosen and the brake pressed."""
    newton = float(real.rng.uniform(2, 8)) * float(real.rng.choice([-1, 1]))
    channel = real.some_unit()
    if not real.script.spins:
        return None

    def holds(real: Real, truth: Truth, seen: Readings) -> None:
        name = next(unit.name for unit in real.vehicle.units if unit.channel == channel)
        rows = (truth.inputs["direction"] > 0) & (truth.inputs["brake"] > 0)
        rows &= np.abs(truth.speed_rpm[name]) < 1
        key = f"{channel}:UnitFast.Torque"
        seen[key] = np.where(rows, newton, seen[key])

    real.sensed.append(holds)
    return f"{channel} holds with {newton:+.1f} Nm"


@trait("turned-by-hand")
def turned_by_hand(real: Real) -> str:
    """Somebody turns a wheel with all poles open."""
    rpm = float(real.rng.uniform(40, 200)) * float(real.rng.choice([-1, 1]))
    channel, after = real.some_unit(), bool(real.rng.random() < 0.4)

    def turned(real: Real, truth: Truth, seen: Readings) -> None:
        begin_s = max(real.woken_s(channel) - 0.3, POWER_S - 2.5)
        rows = (truth.time_s > begin_s) & (truth.time_s < POWER_S - 0.4)
        if after:
            any_closed = np.max([np.asarray(c) for c in truth.closed.values()], axis=0) > 0
            # Nobody puts a hand to a wheel whose link is still charged.
            charged = any_closed | (truth.link_V >= 60)
            last = truth.time_s[np.flatnonzero(charged)[-1]]
            rows = (truth.time_s > last + 0.3) & (truth.time_s < last + 2.0)
        key = f"{channel}:UnitFast.MotorSpeed"
        shape = np.convolve(rows.astype(float), np.ones(200) / 200, "same")
        seen[key] = seen[key] + rpm * shape

    real.sensed.append(turned)
    return f"{channel} turned by hand at {rpm:+.0f} rpm {'after opening' if after else 'at first'}"


# What the vehicle and its driver do.


@trait("positive-early")
def positive_early(real: Real) -> str:
    """Positive closes as soon as the link is near enough."""
    share = float(real.rng.uniform(0.96, 0.98))
    box = replace(real.vehicle.box, close_at_share=share, settle_s=0.03)
    real.vehicle = replace(real.vehicle, box=box)
    return f"positive closes at {share:.1%}"


@trait("dc-load")
def dc_load(real: Real) -> str:
    """The d.c. converter draws all the time."""
    real.load_W = float(real.rng.uniform(500, 1000))
    return f"{real.load_W:.0f} W at rest"


@trait("gentle")
def gentle(real: Real) -> str | None:
    """A first spin as gentle as can be, and sensors of coarse steps."""
    if not isinstance(real.story, DrySpin):
        return None
    real.story = replace(real.story, pedal_percent=float(real.rng.uniform(8.5, 10)), burst_s=1.0)
    encodings = dict(real.vehicle.wiring.encodings)
    own = {}
    for channel, messages in all_messages(real.vehicle).items():
        own[channel] = tuple(
            replace(
                m,
                signals=tuple(
                    replace(s, factor=np.sign(s.factor) * abs(encodings[s.key].scale))
                    if s.name in ("InverterTemp", "WindingTemp")
                    else s
                    for s in m.signals
                ),
            )
            for m in messages
        )
    real.rewire(messages=own)
    return f"pedal {real.story.pedal_percent:.0f} % for 1 s, 1 K steps"


@trait("rolling")
def rolling(real: Real) -> str | None:
    """Rolling: axles turn together, one bus 5 to 40 ms behind the other."""
    if len(real.vehicle.units) < 2 or real.script.stage != "wet-spin":
        return None
    one, two = real.vehicle.units
    alike = {n: getattr(one, n) for n in ("inertia_kgm2", "drag_Nm", "rpm_per_percent")}
    real.vehicle = real.vehicle.with_unit(replace(two, gear_ratio=one.gear_ratio, **alike))
    ms = int(real.rng.integers(5, 41))

    def late(real: Real, truth: Truth, seen: Readings) -> None:
        for name in ("MotorSpeed", "Torque"):
            key = f"{two.channel}:UnitFast.{name}"
            seen[key] = np.concatenate((np.full(ms, seen[key][0]), seen[key][:-ms]))

    real.sensed.append(late)
    real.planned.append(lambda _, text: text.replace('"wet-spin"', '"rolling"'))
    return f"rolling, {two.name} {ms} ms late"


# What is on no bus.


@trait("wired")
def wired(real: Real) -> str | None:
    """Lever and brake are wired: a person marks what was asked for."""
    if not real.script.spins:
        return None
    names = {0: "neutral", 1: "forward", 2: "reverse"}

    def noted(real: Real, truth: Truth, seen: Readings) -> None:
        lever = np.round(truth.inputs["direction"]).astype(int)
        rows = np.flatnonzero(np.diff(lever, prepend=-1))
        real.asks += [(float(truth.time_s[row]), names[int(lever[row])]) for row in rows]

    def asked(file: str, text: str) -> str:
        if file != "plan.toml":
            return text
        marks = [(max(at_s - real.first_s, 0.0), word) for at_s, word in real.asks]
        return text + "".join(
            f'\n[[marks]]\nat_s = {at_s:.3f}\nasked = "{word}"\n' for at_s, word in marks
        )

    real.sensed.append(noted)
    real.planned.append(asked)
    roles = ("driver.direction", "driver.brake")
    real.without("wired; tried by hand", *roles, keys="direction|brake")
    return "lever and brake are wired, marked what was asked"


@trait("commanded")
def commanded(real: Real) -> str:
    """The lever is wired, and the controller says which direction it commands."""
    real.planned.append(
        lambda file, text: (
            re.sub(r"(?m)^(direction +=.*) \}$", r'\1, kind = "command" }', text)
            if file == "vehicle.toml"
            else text
        )
    )
    return "direction is the controller's command"


@trait("no-feedback")
def no_feedback(real: Real) -> str:
    """Contactors without feedback."""
    poles = [f"contactors.{pole}" for pole in ("negative", "precharge", "positive")]
    real.without("no feedback; watched and heard", *poles, keys="negative|precharge|positive")
    return "contactors without feedback"


@trait("bench-supply")
def bench_supply(real: Real) -> str | None:
    """A unit alone on a bench supply: neither pack nor contactors nor driver on a bus."""
    if real.script.stage != "unit-alone":
        return None
    own = ("pack.voltage", "pack.current", "pack.insulation", "supply.voltage")
    poles = tuple(f"contactors.{pole}" for pole in ("negative", "precharge", "positive"))
    lines = "voltage|current|insulation|negative|precharge|positive"
    real.without("bench supply, read by eye", *own, *poles, keys=lines)
    return "bench supply"


# How nodes send, wake and sleep.


@trait("clock-offset")
def clock_offset(real: Real) -> str:
    """The adapters' clocks differ."""
    channel = str(real.rng.choice(list(all_messages(real.vehicle))))
    ms = int(real.rng.integers(300, 1001)) * int(real.rng.choice([-1, 1]))

    def shifted(real: Real, recording: Recording) -> Recording:
        mine = recording.of(channel)
        return joined(replace(recording, time_us=recording.time_us + mine * ms * 1000))

    real.sent.append(shifted)
    return f"{channel} {ms:+d} ms"


@trait("slow-temperatures")
def slow_temperatures(real: Real) -> str:
    """Temperatures come every one to three seconds."""
    ms = int(real.rng.choice([1000, 2000, 3000]))
    real.relay("UnitSlow", cycle_ns=ms * 1_000_000)
    return f"temperatures every {ms / 1000:g} s"


@trait("fast-start")
def fast_start(real: Real) -> str:
    """A unit sends five times as often at first; the definition knows no cycles."""
    channel = real.some_unit()
    seed = int(real.rng.integers(1 << 30))
    name = next(unit.name for unit in real.vehicle.units if unit.channel == channel)

    def often(real: Real, recording: Recording) -> Recording:
        own = all_messages(real.vehicle)
        fast = tuple(replace(m, cycle_ns=(m.cycle_ns or 0) // 5) for m in own[channel])
        wiring = replace(real.vehicle.wiring, messages=own | {channel: fast})
        first = real.again(replace(real.vehicle, wiring=wiring), seed)
        mine = first.of(channel, fast[0].can_id)  # the one that counts
        rows = np.flatnonzero(mine)
        last = rows[min(16 * 4, 16 * (len(rows) // 16)) - 1]
        until_s = float(first.since_s()[last]) + 0.001
        begins = first.take(first.of(channel) & (first.since_s() <= until_s))
        on_s = real.script.first("ignition", 1.0)
        nodes = dict(wiring.nodes)
        nodes[name] = AwakeTime(until_s - on_s, nodes[name].sleep_s)
        later = replace(real.vehicle, wiring=replace(real.vehicle.wiring, nodes=nodes))
        goes_on = real.again(later, seed + 1)
        goes_on = goes_on.take(goes_on.of(channel) & (goes_on.since_s() > until_s))
        return joined(recording.take(~recording.of(channel)), begins, goes_on)

    real.sent.insert(0, often)
    real.planned.append(_without_cycles)
    return f"{channel} sends five times as often at first, no cycles known"


@trait("restart")
def restart(real: Real) -> str | None:
    """A unit restarts before high voltage comes."""
    channel = real.some_unit()
    name = next(unit.name for unit in real.vehicle.units if unit.channel == channel)
    stops_s = real.woken_s(channel) + float(real.rng.uniform(0.3, 0.6))
    again_s = stops_s + float(real.rng.uniform(0.3, 1.0))
    if again_s > POWER_S:
        return None
    seed = int(real.rng.integers(1 << 30))

    def restarted(real: Real, recording: Recording) -> Recording:
        nodes = dict(real.vehicle.wiring.nodes)
        on_s = real.script.first("ignition", 1.0)
        nodes[name] = AwakeTime(again_s - on_s, nodes[name].sleep_s)
        later = replace(real.vehicle, wiring=replace(real.vehicle.wiring, nodes=nodes))
        second = real.again(later, seed)
        mine = recording.of(channel)
        first = recording.take(~mine | (recording.since_s() < stops_s))
        return joined(first, second.take(second.of(channel)))

    real.sent.insert(0, restarted)
    return f"{channel} silent from {stops_s:.1f} to {again_s:.1f} s, then anew"


@trait("sleepy-units")
def sleepy_units(real: Real) -> str:
    """Units fall asleep while the vehicle's own bus talks on, until the recording ends."""
    known = bool(real.rng.random() < 0.5)
    tail_s = float(real.rng.choice([1.0, 3.0, 8.0, 15.0]))
    names = {unit.name for unit in real.vehicle.units}
    nodes = {
        name: AwakeTime(node.wake_s, float(real.rng.uniform(0.1, 0.8)) if name in names else 999.0)
        for name, node in real.vehicle.wiring.nodes.items()
    }
    real.rewire(nodes=nodes)
    real.story = replace(real.story, tail_s=tail_s)
    if not known:
        real.planned.append(lambda _, text: re.sub(r"(?m)^ignition .*\n", "", text))
    return f"units sleep at once, others for {tail_s:g} s{'' if known else ', ignition not bound'}"


def _without_cycles(file: str, text: str) -> str:
    if not file.endswith(".dbc"):
        return text
    return "\n".join(line for line in text.split("\n") if '"GenMsgCycleTime" BO_' not in line)


@dataclass(frozen=True)
class Healthy:
    """One healthy run, by its seed, and the traits that it has."""

    seed: int
    stage: str
    traits: tuple[str, ...]


@dataclass(frozen=True)
class Told:
    """What became of one: its traits in words, the verdict, what failed, what is unproven."""

    case: Healthy
    words: tuple[str, ...]
    verdict: str
    failed: tuple[str, ...]
    unproven: tuple[str, ...]  # only what is required and not waived
    unproven_rules: tuple[str, ...]
    failed_rules: tuple[str, ...]

    def __str__(self) -> str:
        return f"{self.case.seed} {self.case.stage}: " + "; ".join(self.words)


def healthy_cases(count: int, seed: int, only: list[str]) -> Iterator[Healthy]:
    """So many, always the same ones for a seed; one to four traits each."""
    names = only or list(TRAITS)
    for number in range(count):
        own = zlib.crc32(f"healthy-{seed}-{number}".encode())
        rng = np.random.default_rng(own)
        most = min(4, len(names))
        traits = rng.choice(names, int(rng.integers(1, most + 1)), replace=False)
        stage = "wet-spin" if "rolling" in traits else str(rng.choice(STAGES))
        yield Healthy(own, stage, tuple(map(str, traits)))


def told_of(case: Healthy) -> Told:
    """Draw the vehicle, give it its traits, act the run out and check it."""
    report, words = report_of(case)
    bad = [f for f in report.findings if f.verdict == "fail"]
    open_ = [f for f in report.findings if f.verdict == "unproven" and f.required and not f.waived]
    return Told(
        case,
        words,
        str(report.verdict),
        tuple(f"{f.rule} {f.subject}: {f.sentence}" for f in bad),
        tuple(f"{f.rule} {f.subject}: {f.sentence}" for f in open_),
        tuple(sorted({f.rule for f in open_})),
        tuple(sorted({f.rule for f in bad})),
    )


def report_of(case: Healthy) -> tuple[Report, tuple[str, ...]]:
    """The report on such a run, by way of its files, and its traits in words."""
    with tempfile.TemporaryDirectory() as name:
        plan_file, capture_file, words = written(case, Path(name))
        plan = read_plan(plan_file)
        signals = decode(read_capture(capture_file), plan.definitions, wanted=plan.wanted)
        return check(signals, plan), words


def written(case: Healthy, folder: Path) -> tuple[Path, Path, tuple[str, ...]]:
    """Plan and capture of such a run, and its traits in words."""
    vehicle, story = draw(
        case.seed, stage=case.stage, units=2 if "rolling" in case.traits else None
    )
    real = Real(vehicle, story, np.random.default_rng(case.seed))
    words = tuple(w for name in case.traits if (w := TRAITS[name](real)) is not None)
    script, rows = real.script, round(real.script.end_s * 1000)
    truth = simulate(real.vehicle, script, extra_load_W=np.full(rows, real.load_W))
    real.seen = readings(truth, real.vehicle)
    for change in real.sensed:
        change(real, truth, real.seen)
    recording = record(real.vehicle, script, real.seen, np.random.default_rng(case.seed))
    late_s = 0.8 if "gentle" in case.traits else 0.0  # a person needs to see it turn first
    seen, first_s = witness(truth, script, recording), float(recording.since_s()[0])
    for later in real.sent:
        recording = later(real, recording)
    late_s += first_s - float(recording.since_s()[0])  # marks count from the first frame
    marks = tuple(replace(mark, at_s=round(mark.at_s + late_s, 3)) for mark in seen)
    run = Run("healthy", real.vehicle, script, None, case.seed, truth, recording, marks)
    real.first_s = float(recording.since_s()[0])
    files = write_run(run, folder)
    for file in [*folder.glob("*.toml"), *folder.glob("*.dbc")]:
        text = file.read_text("utf-8")
        for planned in real.planned:
            text = planned(file.name, text)
        file.write_text(text, "utf-8", newline="\n")
    return files.plan, files.capture, words
