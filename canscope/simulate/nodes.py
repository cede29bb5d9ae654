"""The nodes speak and a silent recorder listens: readings to stamped frames to candump text."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canscope.model.definition import MessageSpec, SignalSpec
from canscope.simulate.bits import Bytes, pack, raw_codes
from canscope.simulate.messages import unit_messages, vehicle_messages
from canscope.simulate.script import Floats, Script
from canscope.simulate.sensors import NOISE, Readings
from canscope.simulate.vehicle import FOREVER, Vehicle
from canscope.simulate.wiring import Spoken, Wiring

START_US = 1_715_677_200_000_000  # an invented morning, 14 May 2024 09:00 UTC
JITTER = 0.04  # of a cycle
FRAME_US = 260  # a full classical frame at 500 kbit/s: no two end closer on one bus


@dataclass(frozen=True, eq=False)
class Recording:
    """Frames in the order of their stamps.

    ========= ======== ======= ==========================================================
    column    dtype    shape   meaning
    ========= ======== ======= ==========================================================
    time_us   int64    n       since 1970 UTC
    channel   int64    n       index into ``channels``
    can_id    int64    n       11 bits, or an error frame's class with its flag 0x20000000
    length    int64    n       payload bytes
    payload   uint8    n x 8   zero-filled
    ========= ======== ======= ==========================================================
    """

    time_us: NDArray[np.int64]
    channel: NDArray[np.int64]
    can_id: NDArray[np.int64]
    length: NDArray[np.int64]
    payload: Bytes
    channels: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.time_us)

    def take(self, rows: NDArray[np.bool_] | NDArray[np.int64]) -> Recording:
        """The rows asked for."""
        return Recording(
            self.time_us[rows],
            self.channel[rows],
            self.can_id[rows],
            self.length[rows],
            self.payload[rows],
            self.channels,
        )

    def of(self, channel: str, can_id: int | None = None) -> NDArray[np.bool_]:
        """Which rows are on that channel, of that identifier if one is given."""
        rows: NDArray[np.bool_] = self.channel == self.channels.index(channel)
        return rows if can_id is None else rows & (self.can_id == can_id)

    def since_s(self) -> NDArray[np.float64]:
        """Seconds since the start of the simulation, a row a frame."""
        return np.asarray((self.time_us - START_US) / 1e6)


def all_messages(vehicle: Vehicle) -> dict[str, tuple[MessageSpec, ...]]:
    """Channel -> what is sent on it."""
    if vehicle.wiring.said:
        return dict(vehicle.wiring.said)
    found = {"can0": vehicle_messages("can0", vehicle.wiring)}
    for unit in vehicle.units:
        found[unit.channel] = unit_messages(unit.channel, vehicle.wiring)
    return found


def signal_of(vehicle: Vehicle, key: str) -> tuple[MessageSpec, SignalSpec] | None:
    """The message and signal of a key, "channel:Message.Signal", if the vehicle has it."""
    channel = key.split(":", maxsplit=1)[0]
    for message in all_messages(vehicle).get(channel, ()):
        for spec in message.signals:
            if spec.key == key:
                return message, spec
    return None


def cycle_s(vehicle: Vehicle, key: str) -> float:
    """How often a signal is said, in seconds; infinite if it never is."""
    found = signal_of(vehicle, key)
    return (found[0].cycle_ns or 0) / 1e9 if found else FOREVER


def step_of(vehicle: Vehicle, key: str) -> float:
    """One raw step of a signal in its quantity's own unit; infinite if it is never said."""
    found = signal_of(vehicle, key)
    spoken = vehicle.wiring.spoken.get(key, Spoken())
    return abs(found[1].factor / spoken.scale) if found else FOREVER


def record(vehicle: Vehicle, script: Script, seen: Readings, rng: np.random.Generator) -> Recording:
    """Every node sends its messages while it is awake; ``seen`` has a row a millisecond."""
    messages = all_messages(vehicle)
    node = {unit.channel: unit for unit in vehicle.units}
    parts = []
    for number, (channel, own) in enumerate(messages.items()):
        said = []
        for message in own:
            unit = node.get(channel)
            name = unit.name if unit else message.name
            awake = _awake(vehicle.wiring, script, name, unit.dies_s if unit else FOREVER)
            said.append(_frames_of(message, awake, seen, vehicle.wiring, rng))
        time_us = np.concatenate([part[0] for part in said])
        order = np.argsort(time_us, kind="stable")
        spaced = FRAME_US * np.arange(len(time_us))
        time_us = np.maximum.accumulate(time_us[order] - spaced) + spaced
        can_id = np.repeat([m.can_id for m in own], [len(part[0]) for part in said])[order]
        length = np.repeat([m.length for m in own], [len(part[0]) for part in said])[order]
        payload = np.concatenate([part[1] for part in said])[order]
        parts.append((time_us, np.full(len(time_us), number), can_id, length, payload))
    stamps, buses, ids, lengths, payloads = map(np.concatenate, zip(*parts, strict=True))
    order = np.argsort(stamps, kind="stable")
    whole = Recording(stamps, buses, ids, lengths, payloads, tuple(messages)).take(order)
    return whole.take(whole.since_s() < script.end_s)


def _awake(wiring: Wiring, script: Script, name: str, dies_s: float) -> tuple[float, float]:
    """From when to when a node speaks."""
    on = script.first("ignition", 1.0)
    off = min(script.first("ignition", 0.0, after_s=on), script.end_s)
    node = wiring.nodes.get(name) or wiring.nodes["BatteryBox"]
    return max(on + node.wake_s, 0.0), min(off + node.sleep_s, dies_s)


def _frames_of(
    message: MessageSpec,
    awake: tuple[float, float],
    seen: Readings,
    wiring: Wiring,
    rng: np.random.Generator,
) -> tuple[NDArray[np.int64], Bytes]:
    """Stamps in microseconds and payloads of one message."""
    cycle_s = (message.cycle_ns or 0) / 1e9
    count = max(round((awake[1] - awake[0]) / cycle_s), 0)
    number = np.arange(count)
    phase = rng.uniform(0, 1)
    jitter = rng.uniform(-JITTER, JITTER, count)
    at_s = awake[0] + (number + phase + jitter) * cycle_s
    at_s = np.maximum(at_s, 0.0)
    latency_s = rng.uniform(0.2e-3, 1.0e-3, count)  # from the sensor to the bus
    rows = np.clip(((at_s - latency_s) * 1000).astype(np.int64), 0, None)
    codes = {}
    for spec in message.signals:
        if spec.key in seen:
            column = seen[spec.key]
            value = column[np.minimum(rows, len(column) - 1)]
            if spec.name in NOISE:
                noise = rng.normal(0.0, NOISE[spec.name], count)
                value = value + np.where(rows < seen.still.get(spec.key, len(column)), noise, 0.0)
            codes[spec.name] = _said(spec, value, wiring.spoken.get(spec.key))
        elif spec.name == "Alive":
            codes[spec.name] = number % (1 << spec.length_bits)
    payload = np.zeros((count, 8), np.uint8)
    payload[:, : message.length] = pack(message, codes)
    return START_US + np.rint(at_s * 1e6).astype(np.int64), payload


def _said(spec: SignalSpec, value: Floats, spoken: Spoken | None) -> NDArray[np.int64]:
    """Raw codes of a column, in the unit, sense and codes in which the node says it."""
    if spoken is None:
        return raw_codes(spec, value)
    if spoken.codes:
        states = np.array([spoken.codes[state] for state in sorted(spoken.codes)])
        return states[np.searchsorted(sorted(spoken.codes), np.rint(value))]
    return raw_codes(spec, value * spoken.scale + spoken.offset)


def candump_text(recording: Recording) -> str:
    """The recording as candump log lines, six decimals."""
    rows = zip(
        recording.time_us.tolist(),
        recording.channel.tolist(),
        recording.can_id.tolist(),
        recording.length.tolist(),
        recording.payload,
        strict=True,
    )
    lines = []
    for time_us, channel, can_id, length, payload in rows:
        stamp = f"({time_us // 1_000_000}.{time_us % 1_000_000:06d})"
        name = f"{can_id:03X}" if can_id < 0x800 else f"{can_id:08X}"
        data = payload[:length].tobytes().hex().upper()
        lines.append(f"{stamp} {recording.channels[channel]} {name}#{data}")
    return "\n".join(lines) + "\n"
