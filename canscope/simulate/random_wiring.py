"""Random wiring: each message gets another identifier, cycle and byte order, each signal another
place, width, factor, offset, unit, sense and codes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from canscope.model.definition import MessageSpec, SignalSpec
from canscope.simulate.messages import Layout, unit_messages, vehicle_messages
from canscope.simulate.script import FORWARD, NEUTRAL, REVERSE
from canscope.simulate.vehicle import Vehicle
from canscope.simulate.wiring import AwakeTime, Encoding, Wiring

K = 273.15
RPM = 2 * math.pi / 60


@dataclass(frozen=True)
class Quantity:
    """How a quantity may be sent: unit -> (scale, offset) from the quantity's own unit.

    ``steps`` are raw steps from fine to coarse, ``low`` and ``high`` the range that is declared,
    all in the quantity's own unit.
    """

    units: Mapping[str, tuple[float, float]]
    steps: tuple[float, ...]
    low: float
    high: float
    may_invert: bool = False


VOLT = {"V": (1.0, 0.0), "Volt": (1.0, 0.0), "mV": (1e3, 0.0), "": (1.0, 0.0)}
QUANTITIES = {
    "PackVoltage": Quantity(VOLT, (0.01, 0.05, 0.1, 0.25, 0.5), 0, 600),
    "LinkVoltage": Quantity(VOLT, (0.01, 0.05, 0.1, 0.25, 0.5), 0, 600),
    "PackCurrent": Quantity(
        {"A": (1.0, 0.0), "mA": (1e3, 0.0), "Ampere": (1.0, 0.0)},
        (0.01, 0.05, 0.1, 0.2, 0.5),
        -600,
        600,
        may_invert=True,
    ),
    "Resistance": Quantity(
        {"kOhm": (1.0, 0.0), "Ohm": (1e3, 0.0), "MOhm": (1e-3, 0.0)}, (1.0, 5.0, 10.0), 0, 20000
    ),
    "ControlVoltage": Quantity(VOLT, (0.01, 0.02, 0.05, 0.1), 0, 32),
    "Pedal": Quantity({"%": (1.0, 0.0), "‰": (10.0, 0.0)}, (0.1, 0.25, 0.4, 0.5), 0, 100),
    "Pedal2": Quantity({"%": (1.0, 0.0), "percent": (1.0, 0.0)}, (0.1, 0.25, 0.4, 0.5), 0, 100),
    "MotorSpeed": Quantity(
        {
            "rpm": (1.0, 0.0),
            "1/min": (1.0, 0.0),
            "U/min": (1.0, 0.0),
            "1/s": (1 / 60, 0.0),
            "rad/s": (RPM, 0.0),
            "": (1.0, 0.0),
        },
        (0.25, 0.5, 1.0, 2.0, 5.0),
        -16000,
        16000,
        may_invert=True,
    ),
    "Torque": Quantity(
        {"Nm": (1.0, 0.0), "N·m": (1.0, 0.0), "daNm": (0.1, 0.0), "Ncm": (100.0, 0.0)},
        (0.05, 0.1, 0.2, 0.5),
        -400,
        400,
        may_invert=True,
    ),
    "Flow": Quantity({"l/min": (1.0, 0.0), "l/h": (60.0, 0.0)}, (0.01, 0.1, 0.2), 0, 50),
}
TEMPERATURE = Quantity(
    {"degC": (1.0, 0.0), "°C": (1.0, 0.0), "C": (1.0, 0.0), "K": (1.0, K), "degF": (1.8, 32.0)},
    (0.05, 0.1, 0.5, 1.0),
    -45,
    210,
)
QUANTITIES |= {"InverterTemp": TEMPERATURE, "WindingTemp": TEMPERATURE}

# Cycles in ms from which each message's own is drawn. Contactor states and temperatures may come
# slowly; what shows a curve or a burst comes faster.
CYCLES = {
    "PackStatus": (10, 20, 40, 50),
    "Insulation": (100, 500, 1000),
    "ContactorBox": (10, 20, 50, 100, 200),
    "Supply": (10, 20, 50, 100),
    "Cabin": (10, 20, 50, 100),
    "Cooling": (50, 100, 200),
    "UnitFast": (10, 10, 20, 25),
    "UnitSlow": (50, 100, 200),
}
STATES = ("Closed", "Command", "Ignition", "BrakePressed", "EmergencyStop")
NEVER_SLEEPS_S = 999.0


def draw_wiring(rng: np.random.Generator, vehicle: Vehicle, stage: str) -> Wiring:
    """How the nodes of one vehicle send."""
    features = Wiring(
        pedal_tracks=int(rng.integers(1, 3)),
        insulation_monitor=bool(rng.random() < 0.7),
        commands=bool(rng.random() < 0.5),
        coolant_flow=stage == "wet-spin",
        counters=bool(rng.random() < 0.7),
    )
    own, encodings = _relaid(rng, vehicle_messages("can0", features))
    messages = {"can0": own}
    alike = bool(rng.random() < 0.6)  # two units of one kind send alike, on their own buses
    first: tuple[tuple[MessageSpec, ...], dict[str, Encoding]] | None = None
    for unit in vehicle.units:
        own, encoded = _relaid(rng, unit_messages(unit.channel, features))
        if first is not None and alike:
            own, encoded = _moved(*first, unit.channel)
        messages[unit.channel], encodings = own, encodings | encoded
        first = first or (own, encoded)
    nodes = _awake_times(rng, vehicle)
    return replace(features, messages=messages, encodings=encodings, nodes=nodes)


def _awake_times(rng: np.random.Generator, vehicle: Vehicle) -> dict[str, AwakeTime]:
    """Some nodes wake just before they are needed, some never go to sleep."""

    def sleeps_s() -> float:
        return NEVER_SLEEPS_S if rng.random() < 0.2 else float(rng.uniform(0.2, 4.0))

    names = ["BatteryBox", "Supply", "Cooling", *(unit.name for unit in vehicle.units)]
    nodes = {name: AwakeTime(float(rng.uniform(0.1, 2.2)), sleeps_s()) for name in names}
    return nodes | {"Cabin": AwakeTime(-99.0, float(rng.uniform(0.5, 4.0)))}


def _moved(
    own: Sequence[MessageSpec], encodings: Mapping[str, Encoding], channel: str
) -> tuple[tuple[MessageSpec, ...], dict[str, Encoding]]:
    """The same messages on another channel."""
    moved = tuple(
        replace(m, channel=channel, signals=tuple(replace(s, channel=channel) for s in m.signals))
        for m in own
    )
    return moved, {f"{channel}:{key.split(':', 1)[1]}": e for key, e in encodings.items()}


def _relaid(
    rng: np.random.Generator, messages: Sequence[MessageSpec]
) -> tuple[tuple[MessageSpec, ...], dict[str, Encoding]]:
    """Every message with another layout, and the encodings of its signals."""
    encodings: dict[str, Encoding] = {}
    laid = []
    ids = rng.choice(np.arange(0x080, 0x700), len(messages), replace=False)
    for message, can_id in zip(messages, ids.tolist(), strict=True):
        while True:
            drawn = [_drawn(rng, spec) for spec in message.signals]
            if sum(spec.length_bits for spec, _ in drawn) <= 64:
                break
        signals = [spec for spec, _ in drawn]
        encodings |= {spec.key: encoding for spec, encoding in drawn if encoding is not None}
        extended = bool(rng.random() < 0.25)
        laid.append(
            replace(
                _placed(rng, message, signals),
                can_id=can_id + 0x18F0_0000 * extended,
                extended=extended,
                cycle_ns=int(rng.choice(CYCLES[message.name])) * 1_000_000,
            )
        )
    return tuple(laid), encodings


def _drawn(rng: np.random.Generator, spec: SignalSpec) -> tuple[SignalSpec, Encoding | None]:
    """One signal with another width, factor, offset and unit; and its encoding."""
    if spec.name in QUANTITIES:
        return _number(rng, spec, QUANTITIES[spec.name])
    if spec.name == "Direction":
        bits = int(rng.integers(2, 5))
        codes = rng.permutation(1 << bits)[:3].tolist()
        states = dict(zip((NEUTRAL, FORWARD, REVERSE), codes, strict=True))
    elif spec.name.endswith(STATES):
        bits = int(rng.integers(1, 4))
        states = dict(enumerate(rng.permutation(1 << bits)[:2].tolist()))
    elif spec.name == "Alive":
        return replace(spec, length_bits=int(rng.choice([2, 3, 4]))), None
    else:
        return spec, None
    names = {code: f"state {state}" for state, code in states.items()}
    labels = names if rng.random() < 0.5 else {}
    return replace(spec, length_bits=bits, labels=labels), Encoding(codes=states)


def _number(
    rng: np.random.Generator, spec: SignalSpec, quantity: Quantity
) -> tuple[SignalSpec, Encoding]:
    unit = str(rng.choice(list(quantity.units)))
    scale, shift = quantity.units[unit]
    inverted = quantity.may_invert and bool(rng.random() < 0.3)
    sign = -1.0 if inverted else 1.0
    low, high = sorted(sign * (edge * scale + shift) for edge in (quantity.low, quantity.high))
    factor = float(f"{float(rng.choice(quantity.steps)) * scale:.6g}")
    spare = int(rng.integers(0, 2))
    signed = low < 0 and bool(rng.random() < 0.5)
    if signed:
        bits, offset = 2 + math.ceil(math.log2(max(-low, high) / factor)) + spare, 0.0
        factor *= float(rng.choice([1, -1]))
    else:
        bits, offset = 1 + math.ceil(math.log2((high - low) / factor)) + spare, float(f"{low:.6g}")
    drawn = replace(
        spec,
        length_bits=bits,
        signed=signed,
        factor=factor,
        offset=offset,
        minimum=math.floor(low),
        maximum=math.ceil(high),
        unit=unit,
    )
    return drawn, Encoding(sign * scale, sign * shift, inverted)


def _placed(
    rng: np.random.Generator, message: MessageSpec, signals: Sequence[SignalSpec]
) -> MessageSpec:
    """The signals in another order with gaps between them; a checksum comes last, in its byte."""
    order = [signals[i] for i in rng.permutation(len(signals)).tolist()]
    checked = [spec for spec in order if spec.name == "Checksum"]
    order = [spec for spec in order if spec.name != "Checksum"]
    used = sum(spec.length_bits for spec in order)
    room = 64 - 8 * len(checked)
    length = int(rng.integers(math.ceil(used / 8), room // 8 + 1))
    cuts = np.sort(rng.integers(0, 8 * length - used + 1, len(order))).tolist()
    big = bool(rng.random() < 0.5)
    layout = Layout(message.channel, message.name, big)
    at = 0
    for spec, gap in zip(order, cuts, strict=True):
        layout.add(spec.name, at + gap, spec.length_bits, spec.unit)
        at += spec.length_bits
    for spec in checked:
        layout.add(spec.name, 8 * length, 8)
    places = {spec.name: spec.start_bit for spec in layout.signals}
    placed = tuple(
        replace(spec, start_bit=places[spec.name], big_endian=big) for spec in [*order, *checked]
    )
    return replace(message, length=length + len(checked), signals=placed)
