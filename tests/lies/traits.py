"""What real vehicles have: sensors, drivers, plans and nodes that are as they are, trait by trait.

A trait changes a vehicle as built, what its driver does, what its sensors show, how its nodes send
or what the plan says, and none of that is a fault. It answers in words, None where a vehicle cannot
have it.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np

from canscope.simulate.messages import all_messages
from canscope.simulate.physics import Truth
from canscope.simulate.recording import Recording
from canscope.simulate.script import DrySpin
from canscope.simulate.sensors import Readings
from canscope.simulate.wiring import AwakeTime
from tests.lies.lies import joined
from tests.lies.real import POWER_S, Real, trait

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
    """Each link sensor is somewhere within its 3 %, of which the pack's own takes a part."""
    words = []
    for unit in real.vehicle.units:
        gain = 1 + float(real.rng.uniform(-0.028, 0.028))
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
        # Without contactors a link's start-up value may be high voltage, for all anybody knows.
        early_s = 1.2 if real.poles_unseen else -0.3
        begin_s = max(real.woken_s(channel) + early_s, POWER_S - 2.5)
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
    watt = real.loaded(float(real.rng.uniform(500, 1000)), lambda t, watt: np.full(len(t), watt))
    return f"{watt:.0f} W at rest"


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
    ms, real.coupled = int(real.rng.integers(5, 41)), True

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
    real.poles_unseen = True
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
    real.poles_unseen = True
    real.without("bench supply, read by eye", *own, *poles, keys=lines)
    return "bench supply"


# How nodes send, wake and sleep.


@trait("clock-offset")
def clock_offset(real: Real) -> str:
    """The adapters' clocks differ."""
    channel = str(real.rng.choice(list(all_messages(real.vehicle))))
    ms = int(real.rng.integers(300, 1001)) * int(real.rng.choice([-1, 1]))

    def shifted(real: Real, recording: Recording) -> Recording:
        # Nothing shows the clock of a bus that bears a driver's inputs alone.
        split = channel == "can0" and "can8" in recording.channels
        mine = recording.of("can8" if split else channel)
        # Nor does anything connect a unit's bus with it that hangs on a bench supply.
        if real.poles_unseen and real.script.stage == "unit-alone":
            return recording
        # By a clock that is late, a restart before high voltage is one with it.
        by_ms = -abs(ms) if channel == real.restarts else ms
        if real.restarts and channel == "can0":
            by_ms = abs(ms)
        return joined(replace(recording, time_us=recording.time_us + mine * by_ms * 1000))

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

    real.restarts = channel
    real.sent.insert(0, restarted)
    return f"{channel} silent from {stops_s:.1f} to {again_s:.1f} s, then anew"


@trait("sleepy-units")
def sleepy_units(real: Real) -> str | None:
    """Units fall asleep while the vehicle's own bus talks on, until the recording ends."""
    known = bool(real.rng.random() < 0.5)
    if not hasattr(real.story, "tail_s"):  # a story that ends at once, as axle by axle
        return None
    tail_s = float(real.rng.choice([1.0, 3.0, 8.0, 15.0]))
    names = {unit.name for unit in real.vehicle.units}
    nodes = {
        name: AwakeTime(
            node.wake_s,
            max(float(real.rng.uniform(0.1, 0.8)), real.awake_s) if name in names else 999.0,
        )
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
