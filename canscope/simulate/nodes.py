"""The nodes: each sends its messages while it is awake, and a silent recorder stamps them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from canscope.model.definition import MessageSpec, SignalSpec
from canscope.simulate.bits import Bytes, pack, raw_codes
from canscope.simulate.messages import all_messages
from canscope.simulate.recording import START_US, Recording
from canscope.simulate.script import Floats, Script
from canscope.simulate.sensors import NOISE, Readings
from canscope.simulate.vehicle import FOREVER, Vehicle
from canscope.simulate.wiring import Encoding, Wiring

JITTER = 0.04  # of a cycle
FRAME_US = 260  # a full classical frame at 500 kbit/s: no two end closer on one bus


def record(
    vehicle: Vehicle, script: Script, shown: Readings, rng: np.random.Generator
) -> Recording:
    """Every node sends its messages while it is awake; ``shown`` has a row a millisecond."""
    messages = all_messages(vehicle)
    node = {unit.channel: unit for unit in vehicle.units}
    parts = []
    for number, (channel, own) in enumerate(messages.items()):
        sent = []
        for message in own:
            unit = node.get(channel)
            name = unit.name if unit else message.name
            awake = _awake(vehicle.wiring, script, name, unit.dies_s if unit else FOREVER)
            sent.append(_frames_of(message, awake, shown, vehicle.wiring, rng))
        time_us = np.concatenate([part[0] for part in sent])
        order = np.argsort(time_us, kind="stable")
        spaced = FRAME_US * np.arange(len(time_us))
        time_us = np.maximum.accumulate(time_us[order] - spaced) + spaced
        can_id = np.repeat([m.can_id for m in own], [len(part[0]) for part in sent])[order]
        length = np.repeat([m.length for m in own], [len(part[0]) for part in sent])[order]
        payload = np.concatenate([part[1] for part in sent])[order]
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
    shown: Readings,
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
        if spec.key in shown:
            column = shown[spec.key]
            value = column[np.minimum(rows, len(column) - 1)]
            if spec.name in NOISE:
                noise = rng.normal(0.0, NOISE[spec.name], count)
                value = value + np.where(rows < shown.still.get(spec.key, len(column)), noise, 0.0)
            codes[spec.name] = _encoded(spec, value, wiring.encodings.get(spec.key))
        elif spec.name == "Alive":
            codes[spec.name] = number % (1 << spec.length_bits)
    payload = np.zeros((count, 8), np.uint8)
    payload[:, : message.length] = pack(message, codes)
    return START_US + np.rint(at_s * 1e6).astype(np.int64), payload


def _encoded(spec: SignalSpec, value: Floats, encoding: Encoding | None) -> NDArray[np.int64]:
    """Raw codes of a column, in the unit, sense and codes that its node sends."""
    if encoding is None:
        return raw_codes(spec, value)
    if encoding.codes:
        states = sorted(encoding.codes)
        codes = np.array([encoding.codes[state] for state in states])
        return codes[np.searchsorted(states, np.rint(value))]
    return raw_codes(spec, value * encoding.scale + encoding.offset)
