"""Signals that look like a role and are none: what a unit was told, what it may, other switches.

They are added to a recorded run: their values follow the real signals of the same bus.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from canscope.capture.read import read_capture
from canscope.decoding.columns import decode
from canscope.model.definition import Definitions, MessageSpec, SignalSpec

UNIT_ID, VEHICLE_ID = 0x7E1, 0x7E2  # no random message has one as high
LATE_US = 700
EVERY = 5  # a frame of the vehicle's own for that many of the cabin's


def with_rivals(messages, capture):
    """(messages, lines) of a run with its rivals; ``messages`` is channel -> what it sends."""
    own = tuple(m for sent in messages.values() for m in sent)
    series = {}
    for chunk in decode(read_capture(capture), Definitions(own)):
        for key, part in chunk.series.items():
            series.setdefault(key, []).append(part)
    found, lines = {}, []
    for channel, sent in messages.items():
        rival, source = _rival(channel, {m.name: m for m in sent}, series)
        found[channel] = (*sent, rival)
        lines += list(_frames(rival, source))
    text = sorted([*capture.read_text("utf-8").splitlines(), *lines], key=lambda line: line[:20])
    return found, "\n".join(text) + "\n"


def _rival(channel, messages, series):
    """One more message of this bus, and its signals' raw codes: name -> (times, codes)."""
    if "UnitFast" in messages:
        speed, torque = (messages["UnitFast"].signal(name) for name in ("MotorSpeed", "Torque"))
        time_ns, told = _raw(series, torque.key)
        _, turned = _raw(series, speed.key)
        most = np.full_like(told, int(told.max()) + 40)
        parts = {"TorqueRequest": (torque, told), "TorqueLimit": (torque, most),
                 "SpeedTarget": (speed, turned)}  # fmt: skip
        return _packed(channel, "UnitExtra", UNIT_ID, parts, time_ns)
    current, cabin = messages["PackStatus"].signal("PackCurrent"), messages["Cabin"].signals[0]
    time_ns = _raw(series, cabin.key)[0][::EVERY]
    count = np.arange(len(time_ns))
    volts = SignalSpec(channel, "", "", 0, 10, factor=0.005, unit="V", minimum=0, maximum=5)
    warm = SignalSpec(channel, "", "", 0, 8, factor=1, offset=-40, unit="degC")
    switch = SignalSpec(channel, "", "", 0, 1)
    limit = int(_raw(series, current.key)[1].max()) + 30
    parts = {
        "CurrentLimit": (current, np.full(len(count), limit)),
        "CellVoltage": (volts, 780 + count % 2),
        "BatteryTemp": (warm, np.full(len(count), 61)),
        "ParkingBrake": (switch, np.ones(len(count), np.int64)),
        "Door": (switch, (count // 150) % 2),
    }
    return _packed(channel, "VehicleExtra", VEHICLE_ID, parts, time_ns)


def _raw(series, key):
    parts = series[key]
    return np.concatenate([p.time_ns for p in parts]), np.concatenate([p.raw for p in parts])


def _packed(channel, name, can_id, parts, time_ns):
    """Lay the signals out one after the other, little endian."""
    at, signals, payload = 0, [], np.zeros(len(time_ns), object)
    for signal, (spec, raw) in parts.items():
        bits = spec.length_bits
        placed = {"channel": channel, "message": name, "name": signal, "start_bit": at}
        signals.append(replace(spec, **placed, big_endian=False))
        payload += np.array([(int(code) & (1 << bits) - 1) << at for code in raw], object)
        at += bits
    message = MessageSpec(channel, name, can_id, False, -(-at // 8), tuple(signals))
    return message, (time_ns, payload)


def _frames(message, source):
    for time_ns, payload in zip(*source, strict=True):
        time_us = int(time_ns) // 1000 + LATE_US
        data = payload.to_bytes(message.length, "little").hex().upper()
        stamp = f"({time_us // 10**6}.{time_us % 10**6:06d})"
        yield f"{stamp} {message.channel} {message.can_id:03X}#{data}"
