"""What workshops do and have: how gently they spin, how they record, in what state a vehicle is.

As ``traits``: none of it is a fault.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np

from canscope.model.definition import MessageSpec, SignalSpec
from canscope.simulate.bits import put
from canscope.simulate.messages import all_messages
from canscope.simulate.physics import Truth
from canscope.simulate.recording import Recording
from canscope.simulate.script import (
    FORWARD,
    NEUTRAL,
    REVERSE,
    Action,
    AxleByAxle,
    DrySpin,
    Floats,
    Script,
    Spin,
)
from canscope.simulate.sensors import Readings, trailing_mean
from canscope.simulate.wiring import AwakeTime
from tests.lies.real import POWER_S, Real, trait


@dataclass(frozen=True, kw_only=True)
class Bursts(DrySpin):
    """Bursts in these directions, one after the other, instead of one forward and one reverse."""

    directions: tuple[int, ...] = (FORWARD, FORWARD, FORWARD)
    feathers: bool = False  # the pedal goes to and fro while it is down

    def script(self) -> Script:
        """The actions."""
        acts = [(1.0, "ignition", 1.0), (3.0, "brake", 1.0), (4.0, "power", 1.0)]
        spins, at = [], 9.0
        for direction in self.directions:
            spin = Spin(at + 2.0, at + 2.0 + self.burst_s, direction)
            acts += [(at, "direction", direction), (at + 1.0, "brake", 0.0)]
            acts += [(spin.start_s, "pedal", self.pedal_percent), (spin.end_s, "pedal", 0.0)]
            if self.feathers and self.burst_s > 2.0:
                acts += [
                    (spin.start_s + 0.8, "pedal", 0.6 * self.pedal_percent),
                    (spin.start_s + 1.6, "pedal", self.pedal_percent),
                ]
            at = spin.end_s + 3.0
            acts += [(at, "brake", 1.0), (at + 0.8, "direction", NEUTRAL)]
            at += self.pause_s
            spins.append(spin)
        opening = spins[-1].end_s + 3.0 + self.soak_s
        off = opening + self.hold_s + self.discharge_wait_s
        acts += [(opening, "power", 0.0), (off, "ignition", 0.0)]
        return Script(
            stage=self.stage,
            actions=tuple(Action(*act) for act in acts),
            spins=tuple(spins),
            hold_s=self.hold_s,
            positive_first=(self.positive_first,),
            end_s=min(off + self.tail_s, self.ends_after_s),
        )


def _bursts(real: Real, **changed: object) -> Bursts | None:
    story = real.story
    if not isinstance(story, DrySpin):
        return None
    own = {name: getattr(story, name) for name in story.__dataclass_fields__}
    return Bursts(**own | changed)  # type: ignore[arg-type]


# What the driver does.


@trait("short-burst")
def short_burst(real: Real) -> str | None:
    """The pedal is held for a second and a half."""
    if not isinstance(real.story, DrySpin):
        return None
    real.story = replace(real.story, burst_s=float(real.rng.uniform(1.2, 1.6)))
    return f"bursts of {real.story.burst_s:.1f} s"


@trait("forward-only")
def forward_only(real: Real) -> str | None:
    """Three short bursts, all forward; reverse is for another day."""
    story = _bursts(real, burst_s=1.5)
    if story is None:
        return None
    real.story = story
    return "three bursts of 1.5 s, forward only"


@trait("many-bursts")
def many_bursts(real: Real) -> str | None:
    """Forward and reverse in turn, with a foot that is not steady."""
    order = real.rng.permutation([FORWARD, REVERSE, FORWARD, REVERSE])
    story = _bursts(real, directions=tuple(order.tolist()), feathers=True)
    if story is None:
        return None
    real.story = story
    return f"four bursts {order.tolist()}, the pedal goes to and fro"


@trait("axle-by-axle")
def axle_by_axle(real: Real) -> str | None:
    """Each axle turns by itself."""
    if not isinstance(real.story, DrySpin) or len(real.vehicle.units) < 2:
        return None
    story = real.story
    real.story = AxleByAxle(
        stage=story.stage,
        pedal_percent=story.pedal_percent,
        burst_s=story.burst_s,
        discharge_wait_s=story.discharge_wait_s,
    )
    return "axle by axle"


@trait("long-pause")
def long_pause(real: Real) -> str | None:
    """Three minutes in neutral between the bursts."""
    if not isinstance(real.story, DrySpin):
        return None
    real.story = replace(real.story, pause_s=180.0)
    return "180 s of pause"


@trait("broken-off")
def broken_off(real: Real) -> str | None:
    """The first attempt is broken off, as a foot slips from the brake."""
    if not isinstance(real.story, DrySpin):
        return None
    # Opened in this order, nothing goes on charging the link while it is bled.
    real.story = replace(real.story, retries=1, positive_first=False)
    return "one attempt broken off"


@trait("spun-by-hand")
def spun_by_hand(real: Real) -> str:
    """Somebody turns a wheel to and fro by hand before high voltage: half a turn a second."""
    rpm, channel = float(real.rng.uniform(150, 500)), real.some_unit()

    def turned(real: Real, truth: Truth, seen: Readings) -> None:
        begin_s = max(real.woken_s(channel) - 0.3, 0.8)
        since = np.clip(truth.time_s - begin_s, 0, max(POWER_S - 0.3 - begin_s, 0.1))
        whole = max(POWER_S - 0.3 - begin_s, 0.1)
        key = f"{channel}:UnitFast.MotorSpeed"
        seen[key] = seen[key] + rpm * np.sin(2 * np.pi * since / whole)

    real.sensed.append(turned)
    return f"{channel} turned to and fro by hand at {rpm:.0f} rpm before high voltage"


# The state of the vehicle.


@trait("regeneration")
def regeneration(real: Real) -> str | None:
    """Units brake by themselves once the pedal is released."""
    if not real.script.spins:
        return None
    newton = float(real.rng.uniform(6, 12))
    for unit in real.vehicle.units:
        real.vehicle = real.vehicle.with_unit(replace(unit, coast_Nm=newton))
    return f"brakes with {newton:.0f} Nm on release"


@trait("warm-start")
def warm_start(real: Real) -> str:
    """The vehicle was used an hour ago."""
    words = []
    for unit in real.vehicle.units:
        kelvin = float(real.rng.uniform(5, 25))
        real.vehicle = real.vehicle.with_unit(replace(unit, start_K=kelvin))
        words.append(f"{unit.name} {kelvin:.0f} K")
    real.planned.append(lambda _, text: re.sub(r"(?m)^cold +=.*$", "cold     = false", text))
    return f"still warm: {', '.join(words)}"


@trait("weather")
def weather(real: Real) -> str:
    """A hot day or an unheated hall in winter."""
    degC = float(real.rng.choice([38.0, -5.0]))
    real.vehicle = replace(real.vehicle, ambient_degC=degC)
    return f"{degC:.0f} degC"


@trait("sensor-tolerance")
def sensor_tolerance(real: Real) -> str:
    """Each temperature sensor is off by its tolerance, the thermometer in the hall too."""

    def off(real: Real, truth: Truth, seen: Readings) -> None:
        for key in seen:
            if key.endswith("Temp"):
                seen[key] = seen[key] + real.rng.uniform(-1.5, 1.5)

    guess = float(real.rng.uniform(-1.5, 1.5))

    def stated(file: str, text: str) -> str:
        degC = real.vehicle.ambient_degC + guess
        return re.sub(r"(?m)^ambient_degC +=.*$", f"ambient_degC = {degC:.1f}", text)

    real.planned.append(stated)
    real.sensed.append(off)
    return f"temperatures off by up to 1.5 K, ambient stated {guess:+.1f} K"


@trait("charge")
def charge(real: Real) -> str:
    """The pack is nearly full or nearly empty."""
    pack, full = real.vehicle.pack, bool(real.rng.random() < 0.5)
    cells = pack.open_circuit_V / (4.13 if full else 3.45)  # at 97 % and at 15 % of charge
    pack = replace(pack, nominal_V=round(3.65 * cells), maximum_V=round(4.2 * cells))
    real.vehicle = replace(real.vehicle, pack=pack)
    return (
        f"charged to {97 if full else 15} %: {pack.open_circuit_V / pack.maximum_V:.1%} of maximum"
    )


@trait("charger-on-12V")
def charger_on_12V(real: Real) -> str:
    """A charger holds the 12 V battery, and coils with economisers hardly load it."""
    supply = replace(
        real.vehicle.supply,
        resting_V=float(real.rng.uniform(13.3, 13.8)),
        charging_V=float(real.rng.uniform(13.7, 14.2)),
        dip_V=float(real.rng.uniform(0.12, 0.3)),
    )
    real.vehicle = replace(real.vehicle, supply=supply)
    return f"12 V at {supply.resting_V:.1f} V, dips of {supply.dip_V:.2f} V"


@trait("tired-12V")
def tired_12V(real: Real) -> str:
    """An old 12 V battery, still good enough."""
    supply = replace(real.vehicle.supply, resting_V=12.0, dip_V=float(real.rng.uniform(0.7, 1.1)))
    real.vehicle = replace(real.vehicle, supply=supply)
    return f"12 V at 12.0 V, dips of {supply.dip_V:.2f} V"


@trait("converter-cycles")
def converter_cycles(real: Real) -> str:
    """The d.c. converter, or a heater, goes on and off."""
    watt, period_s = float(real.rng.uniform(200, 900)), float(real.rng.uniform(3, 15))
    phase, share = float(real.rng.uniform(0, 1)), float(real.rng.uniform(0.3, 0.7))

    def cycling(time_s: Floats, watt: float) -> Floats:
        on = ((time_s / period_s + phase) % 1.0 < share) * watt
        return np.asarray(trailing_mean(on, 200))

    watt = real.loaded(watt, cycling)
    return f"{watt:.0f} W on and off every {period_s:.0f} s"


@trait("pump-by-itself")
def pump_by_itself(real: Real) -> str | None:
    """The coolant pump starts some time after key-on, as the controller likes, and runs on."""
    if real.script.stage != "wet-spin":
        return None
    start_s = float(real.rng.uniform(POWER_S, real.script.spins[0].start_s - 1.0))
    flow, rests = float(real.rng.uniform(4, 9)), bool(real.rng.random() < 0.5)

    def starts(real: Real, truth: Truth, seen: Readings) -> None:
        on = truth.time_s > start_s
        first, second = (*real.script.spins[:1], *real.script.spins)[-2:]
        if rests and second.start_s - first.end_s > 10:
            on &= ~((truth.time_s > first.end_s + 5) & (truth.time_s < second.start_s - 1.5))
        seen["can0:Cooling.Flow"] = trailing_mean(on * flow, 600)

    real.sensed.append(starts)
    return f"pump from {start_s:.1f} s on{', rests in the pause' if rests else ''}"


# What sensors show.


@trait("slow-current")
def slow_current(real: Real) -> str:
    """The current sensor averages over some hundredths of a second."""
    ms = int(real.rng.integers(20, 100))
    real.sensed.append(
        lambda real, truth, seen: seen.update(
            {"can0:PackStatus.PackCurrent": trailing_mean(truth.pack_A, ms)}
        )
    )
    return f"current averaged over {ms} ms"


@trait("torque-estimate")
def torque_estimate(real: Real) -> str | None:
    """Torque is estimated: noisy, some tenths of a newton metre off, a few percent wrong."""
    if not real.script.spins:
        return None
    gain, off = float(real.rng.uniform(0.93, 1.05)), float(real.rng.uniform(-0.4, 0.4))

    def estimated(real: Real, truth: Truth, seen: Readings) -> None:
        for channel in real.units:
            key = f"{channel}:UnitFast.Torque"
            noise = real.rng.normal(0, 0.3, len(seen[key]))
            seen[key] = seen[key] * gain + (off + noise) * (np.abs(seen[key]) > 0.05)

    real.sensed.append(estimated)
    return f"torque {gain:.0%} and {off:+.1f} Nm, noisy"


@trait("filtered-speed")
def filtered_speed(real: Real) -> str:
    """Speed is filtered."""
    ms = int(real.rng.integers(20, 80))

    def filtered(real: Real, truth: Truth, seen: Readings) -> None:
        for channel in real.units:
            key = f"{channel}:UnitFast.MotorSpeed"
            seen[key] = trailing_mean(seen[key], ms)

    real.sensed.append(filtered)
    return f"speed filtered over {ms} ms"


@trait("slow-insulation")
def slow_insulation(real: Real) -> str:
    """The insulation monitor takes some seconds for a value, and its values wander."""
    step_s = float(real.rng.uniform(2, 8))

    def slow(real: Real, truth: Truth, seen: Readings) -> None:
        key = "can0:Insulation.Resistance"
        length = round(step_s * 1000)
        rows = np.arange(len(seen[key])) // length * length
        wander = real.rng.uniform(0.93, 1.07, len(seen[key]) // length + 1)
        seen[key] = seen[key][rows] * wander[rows // length]

    real.sensed.append(slow)
    return f"insulation every {step_s:.0f} s"


@trait("pedal-rest")
def pedal_rest(real: Real) -> str:
    """The pedal rests a little above zero, and its second track stands apart."""
    rest, apart = float(real.rng.uniform(0, 1.5)), float(real.rng.uniform(-1.5, 1.5))

    def resting(real: Real, truth: Truth, seen: Readings) -> None:
        seen["can0:Cabin.Pedal"] = seen["can0:Cabin.Pedal"] + rest
        if "can0:Cabin.Pedal2" in seen:
            seen["can0:Cabin.Pedal2"] = seen["can0:Cabin.Pedal2"] + rest + apart

    real.sensed.append(resting)
    return f"pedal rests {rest:.1f} % higher, second track {apart:+.1f} %"


# How nodes send and how it is recorded.


@trait("one-asleep")
def one_asleep(real: Real) -> str:
    """All nodes but one unit are awake before the key is turned."""
    channel = real.some_unit()
    one = next(unit.name for unit in real.vehicle.units if unit.channel == channel)
    nodes = {
        name: AwakeTime(node.wake_s if name == one else -99.0, node.sleep_s)
        for name, node in real.vehicle.wiring.nodes.items()
    }
    real.rewire(nodes=nodes)
    return f"{one} asleep until key-on, all others awake"


@trait("late-recorder")
def late_recorder(real: Real) -> str:
    """The recorder starts when all nodes are awake already."""
    at_s = float(real.rng.uniform(3.0, POWER_S - 0.3))
    real.sent.append(lambda real, recording: recording.take(recording.since_s() >= at_s))
    return f"recorded from {at_s:.1f} s on"


@trait("stopped-early")
def stopped_early(real: Real) -> str:
    """The recorder is stopped just after opening, or just after the link is down."""
    after_s = float(real.rng.uniform(0.2, 2.0))

    def cut(real: Real, recording: Recording) -> Recording:
        opening = [a.time_s for a in real.script.actions if (a.what, a.value) == ("power", 0.0)]
        return recording.take(recording.since_s() < opening[-1] + real.script.hold_s + after_s)

    real.sent.append(cut)
    return f"stopped {after_s:.1f} s after opening"


@trait("usb-jitter")
def usb_jitter(real: Real) -> str | None:
    """An adapter stamps late by up to 15 ms, each frame by another time; the file is sorted."""
    channel = str(real.rng.choice(list(all_messages(real.vehicle))))
    if channel in real.late_adapters:  # its batches are its jitter
        return None
    real.late_adapters.add(channel)
    ms = float(real.rng.uniform(5, 15))
    seed = int(real.rng.integers(1 << 30))

    def late(real: Real, recording: Recording) -> Recording:
        rng = np.random.default_rng(seed)
        own = recording.of(channel)
        more = np.rint(rng.uniform(0, ms * 1000, len(recording))).astype(np.int64)
        time_us = recording.time_us + np.where(own, more, 0)
        moved = replace(recording, time_us=time_us)
        return moved.take(np.argsort(time_us, kind="stable"))

    real.sent.append(late)
    return f"{channel} stamped up to {ms:.0f} ms late, in the order of stamps"


@trait("usb-batches")
def usb_batches(real: Real) -> str | None:
    """An adapter hands frames over in batches, stamped as they arrive, in their order."""
    channel = str(real.rng.choice(list(all_messages(real.vehicle))))
    if channel in real.late_adapters:  # its batches are its jitter
        return None
    real.late_adapters.add(channel)
    ms = int(real.rng.choice([1, 2, 4, 8, 16]))

    def batched(real: Real, recording: Recording) -> Recording:
        step = ms * 1000
        late = -(-recording.time_us // step) * step
        moved = replace(recording, time_us=np.where(recording.of(channel), late, recording.time_us))
        return moved.take(np.argsort(moved.time_us, kind="stable"))

    real.sent.append(batched)
    return f"{channel} in batches of {ms} ms"


@trait("other-traffic")
def other_traffic(real: Real) -> str:
    """Nodes that no definition describes talk on the same bus."""
    channel = str(real.rng.choice(list(all_messages(real.vehicle))))
    seed = int(real.rng.integers(1 << 30))
    used = {m.can_id for m in all_messages(real.vehicle)[channel]}

    def others(real: Real, recording: Recording) -> Recording:
        rng = np.random.default_rng(seed)
        parts = [recording]
        number = recording.channels.index(channel)
        free = [i for i in rng.integers(0x100, 0x700, 20).tolist() if i not in used][:5]
        first, last = int(recording.time_us[0]), int(recording.time_us[-1])
        for can_id in free:
            at = np.arange(first, last, int(rng.choice([10_000, 20_000, 100_000])))
            at = at + rng.integers(0, 900, len(at))
            payload = rng.integers(0, 256, (len(at), 8)).astype(np.uint8)
            full = np.full(len(at), 8)
            own = (at, np.full(len(at), number), np.full(len(at), can_id), full, payload)
            parts.append(Recording(*own, recording.channels))
        columns = ("time_us", "channel", "can_id", "length", "payload")
        whole = [np.concatenate([getattr(part, name) for part in parts]) for name in columns]
        all_of = Recording(*whole, recording.channels)
        return all_of.take(np.argsort(all_of.time_us, kind="stable"))

    real.sent.append(others)
    return f"others talk on {channel}"


@trait("multiplexed")
def multiplexed(real: Real) -> str:
    """Temperatures every one to three seconds, one after the other in one message."""
    ms = int(real.rng.choice([500, 1000, 1500]))
    real.relay("UnitSlow", cycle_ns=ms * 1_000_000)
    slow = {
        own[0].channel: next(m for m in own if m.name == "UnitSlow")
        for channel, own in all_messages(real.vehicle).items()
        if channel in real.units
    }
    pages = {channel: _page(message) for channel, message in slow.items()}

    def paged(real: Real, recording: Recording) -> Recording:
        payload, length = recording.payload.copy(), recording.length.copy()
        for channel, message in slow.items():
            rows = np.flatnonzero(recording.of(channel, message.can_id))
            turn = np.arange(len(rows)) % 2
            own = payload[rows]
            for name, page in (("InverterTemp", 0), ("WindingTemp", 1)):
                spec = message.signal(name)
                assert spec is not None
                bits = np.zeros_like(own)
                put(bits, spec, np.full(len(rows), -1 & ((1 << spec.length_bits) - 1)))
                own &= np.where((turn == page)[:, None], 255, ~bits).astype(np.uint8)
            put(own, pages[channel], turn)
            payload[rows] = own
            length[rows] = np.maximum(length[rows], pages[channel].start_bit // 8 + 1)
        return replace(recording, payload=payload, length=length)

    def described(file: str, text: str) -> str:
        if not file.endswith(".dbc"):
            return text
        channel = next((c for c in slow if f"{slow[c].channel}.dbc" == file), None)
        if channel is None:
            return text
        page = pages[channel]
        size = max(slow[channel].length, page.start_bit // 8 + 1)
        text = re.sub(r"( SG_ InverterTemp) :", r"\1 m0 :", text)
        text = re.sub(r"( SG_ WindingTemp) :", r"\1 m1 :", text)
        place = f' SG_ Page M : {page.start_bit}|1@1+ (1,0) [0|0] "" Logger\n'
        return re.sub(r"(BO_ \d+ UnitSlow): \d+ (.*)\n", rf"\1: {size} \2\n{place}", text)

    # Before another trait moves the message to another bus, under another name.
    real.sent.insert(0, paged)
    real.planned.insert(0, described)
    return f"temperatures multiplexed, each every {2 * ms / 1000:g} s"


def _page(message: MessageSpec) -> SignalSpec:
    """A free bit of the message, or the first one behind it, that says which one it carries."""
    used = np.zeros((1, 8), np.uint8)
    for spec in message.signals:
        put(used, spec, np.array([-1 & ((1 << spec.length_bits) - 1)]))
    free = next(bit for bit in range(64) if not used[0, bit // 8] >> bit % 8 & 1)
    return SignalSpec(message.channel, message.name, "Page", free, 1)
