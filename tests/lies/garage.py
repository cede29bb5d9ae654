"""Other vehicles, other habits: voltages, wheels, steps and cycles, what is tried before a run.

As ``traits``: none of it is a fault.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np

from canscope.simulate.messages import all_messages
from canscope.simulate.physics import Truth
from canscope.simulate.recording import Recording
from canscope.simulate.script import FORWARD, NEUTRAL, REVERSE, Action, Floats, Script
from canscope.simulate.sensors import Readings, trailing_mean
from canscope.simulate.wiring import AwakeTime
from tests.lies.lies import joined
from tests.lies.real import POWER_S, Real, trait

VOLTAGES = ("PackVoltage", "LinkVoltage")
COARSE = {  # a step in the quantity's own unit, as some sensors have
    "PackVoltage": 1.0,
    "LinkVoltage": 1.0,
    "PackCurrent": 1.0,
    "Resistance": 50.0,
    "ControlVoltage": 0.2,
    "Pedal": 1.0,
    "MotorSpeed": 10.0,
    "Torque": 1.0,
    "Flow": 0.5,
}


def _added(script: Script, *actions: tuple[float, str, float]) -> Script:
    return replace(script, actions=(*script.actions, *(Action(*one) for one in actions)))


# The vehicle as built.


def _of_volts(real: Real, open_V: float) -> None:
    """Another pack voltage; the link holds the same energy and takes as long to charge."""
    pack, box, real.rescaled = real.vehicle.pack, real.vehicle.box, True
    share = open_V / pack.open_circuit_V
    farad = float(f"{box.link_capacitance_F / share**2:.2e}")
    ohms = share**2
    pack = replace(
        pack,
        open_circuit_V=open_V,
        nominal_V=round(open_V),
        maximum_V=round(open_V * 1.14),
        resistance_ohm=min(pack.resistance_ohm * ohms, 0.8),  # source-resistance allows 1 ohm
        insulation_kohm=min(pack.insulation_kohm * max(share, 0.5), 4800.0),
    )
    resistor = float(f"{box.resistor_ohm * ohms:.3g}")
    box = replace(
        box,
        resistor_ohm=resistor,
        stated_resistor_ohm=resistor,
        link_capacitance_F=farad,
        active_bleed_ohm=max(box.active_bleed_ohm * ohms, open_V / 1.2),
        passive_bleed_ohm=max(box.passive_bleed_ohm * ohms, open_V / 1.2),
    )
    real.vehicle = replace(real.vehicle, pack=pack, box=box)
    empties_s = farad * box.active_bleed_ohm * float(np.log(open_V / 60.0))
    wait_s = max(real.story.discharge_wait_s, empties_s + 2.0)
    real.story = replace(real.story, discharge_wait_s=wait_s)


def _rescaled(real: Real, steps: dict[str, float], wider: float = 1.0) -> None:
    """Other steps of signals by name; ``wider``: their ranges as well."""
    own = {}
    for channel, messages in all_messages(real.vehicle).items():
        own[channel] = tuple(
            replace(
                message,
                signals=tuple(
                    replace(
                        spec,
                        factor=np.sign(spec.factor) * abs(spec.factor) * steps[spec.key],
                        minimum=None if spec.minimum is None else spec.minimum * wider,
                        maximum=None if spec.maximum is None else spec.maximum * wider,
                    )
                    if spec.key in steps
                    else spec
                    for spec in message.signals
                ),
            )
            for message in messages
        )
    real.rewire(messages=own)


@trait("low-voltage")
def low_voltage(real: Real) -> str | None:
    """A pack of few cells, with a large link."""
    if real.rescaled:
        return None
    open_V = float(real.rng.uniform(112, 170))
    _of_volts(real, open_V)
    return f"pack of {open_V:.0f} V"


@trait("high-voltage")
def high_voltage(real: Real) -> str | None:
    """A pack of 800 V."""
    if real.rescaled:
        return None
    open_V = float(real.rng.uniform(650, 820))
    _of_volts(real, open_V)
    specs = [s for own in all_messages(real.vehicle).values() for m in own for s in m.signals]
    _rescaled(real, {spec.key: 2.0 for spec in specs if spec.name in VOLTAGES}, 2.0)
    return f"pack of {open_V:.0f} V"


@trait("coarse-steps")
def coarse_steps(real: Real) -> str:
    """Some quantities are sent in coarse steps."""
    names = [str(n) for n in real.rng.choice(list(COARSE), int(real.rng.integers(1, 4)), False)]
    encodings = real.vehicle.wiring.encodings
    steps = {
        spec.key: abs(COARSE[spec.name] * encodings[spec.key].scale / spec.factor)
        for own in all_messages(real.vehicle).values()
        for message in own
        for spec in message.signals
        if spec.name in names
    }
    _rescaled(real, {key: max(factor, 1.0) for key, factor in steps.items()})
    return "steps of " + ", ".join(f"{COARSE[name]:g} in {name}" for name in names)


@trait("cycles")
def cycles(real: Real) -> str:
    """Units send every 5 ms; insulation, coolant and temperatures come once a second."""
    fast = bool(real.rng.random() < 0.5)
    if fast:
        real.relay("UnitFast", cycle_ns=5_000_000)
    for name in ("Insulation", "Cooling", "UnitSlow"):
        real.relay(name, cycle_ns=1_000_000_000)
    return f"once a second what is slow{', every 5 ms what is fast' if fast else ''}"


@trait("other-wheels")
def other_wheels(real: Real) -> str | None:
    """Light or heavy wheels, that drag less or more; none that the road couples."""
    if real.coupled:
        return None
    words = []
    for unit in real.vehicle.units:
        times = float(real.rng.uniform(0.4, 1.8))
        drag = float(real.rng.uniform(max(0.6, 0.7 * times), 1.5))  # else it coasts too long, dry
        heavier = replace(unit, inertia_kgm2=unit.inertia_kgm2 * times, drag_Nm=unit.drag_Nm * drag)
        real.vehicle = real.vehicle.with_unit(heavier)
        words.append(f"{unit.name} {times:.0%} of the inertia and {drag:.0%} of the drag")
    return ", ".join(words)


@trait("converter-late")
def converter_late(real: Real) -> str:
    """The d.c. converter lifts the 12 V only some seconds after positive has closed."""
    late_s, ramp_ms = float(real.rng.uniform(0.3, 4.0)), int(real.rng.integers(50, 1500))

    def lifted(real: Real, truth: Truth, seen: Readings) -> None:
        supply, key = real.vehicle.supply, "can0:Supply.ControlVoltage"
        closed = (np.asarray(truth.closed["positive"]) > 0).astype(float)
        lift = supply.charging_V - supply.resting_V
        rows = round(late_s * 1000)
        late = closed * np.concatenate((np.zeros(rows), closed[:-rows]))
        seen[key] = seen[key] + lift * (trailing_mean(late, ramp_ms) * closed - closed)

    real.sensed.append(lifted)
    return f"converter {late_s:.1f} s after positive, over {ramp_ms} ms"


@trait("lamps")
def lamps(real: Real) -> str:
    """Lamps and fans go on and off on the 12 V."""
    count, volt = int(real.rng.integers(3, 15)), float(real.rng.uniform(0.05, 0.3))
    times = np.sort(real.rng.uniform(0.5, real.script.end_s, 2 * count))

    def switched(real: Real, truth: Truth, seen: Readings) -> None:
        on = np.searchsorted(times, truth.time_s) % 2
        key = "can0:Supply.ControlVoltage"
        seen[key] = seen[key] - volt * trailing_mean(on.astype(float), 30)

    real.sensed.append(switched)
    return f"{volt:.2f} V taken from the 12 V {count} times"


# What people do.


@trait("key-opens")
def key_opens(real: Real) -> str:
    """The key is turned off and the contactors open by that; nodes stay awake for a while."""
    real.awake_s = awake_s = real.script.first("ignition", 0.0) - _last_off(real.script) + 6.0
    nodes = {
        name: AwakeTime(node.wake_s, max(node.sleep_s, awake_s))
        for name, node in real.vehicle.wiring.nodes.items()
    }
    real.rewire(nodes=nodes)

    def turned(script: Script) -> Script:
        off_s = _last_off(script)
        kept = [a for a in script.actions if (a.what, a.value) != ("ignition", 0.0)]
        return replace(script, actions=(*kept, Action(off_s, "ignition", 0.0)))

    real.scripted.append(turned)
    return "contactors open by the key"


def _last_off(script: Script) -> float:
    """When high voltage is asked to go for the last time, by the switch or the stop."""
    asked = [(a.time_s, a.what) for a in script.actions if (a.what, a.value) == ("power", 0.0)]
    return max(asked)[0]


@trait("long-hold")
def long_hold(real: Real) -> str | None:
    """High voltage is on for minutes before anything turns."""
    if not real.script.spins:
        return None
    minutes = float(real.rng.uniform(3, 9))
    at_s = real.script.spins[0].start_s - 2.5

    def waits(script: Script) -> Script:
        more = 60 * minutes
        return replace(
            script,
            actions=tuple(
                replace(a, time_s=a.time_s + more * (a.time_s > at_s)) for a in script.actions
            ),
            spins=tuple(
                replace(s, start_s=s.start_s + more, end_s=s.end_s + more) for s in script.spins
            ),
            end_s=script.end_s + more,
        )

    real.scripted.append(waits)
    return f"{minutes:.0f} minutes of high voltage before the first burst"


@trait("stop-tried")
def stop_tried(real: Real) -> str:
    """The stop button is tried before high voltage is on."""
    at_s = float(real.rng.uniform(1.8, POWER_S - 1.2))
    tried = [(at_s, "emergency", 1.0), (at_s + 0.7, "emergency", 0.0)]
    real.scripted.append(lambda script: _added(script, *tried))
    return f"stop tried at {at_s:.1f} s"


@trait("pedal-tried")
def pedal_tried(real: Real) -> str:
    """The pedal is pressed through before high voltage is on, in neutral."""
    at_s = float(real.rng.uniform(1.5, POWER_S - 2.0))
    percent = float(real.rng.uniform(30, 98))
    tried = [(at_s, "pedal", percent), (at_s + 0.8, "pedal", 0.0)]
    real.scripted.append(lambda script: _added(script, *tried))
    return f"pedal tried at {at_s:.1f} s to {percent:.0f} %"


@trait("shifts-tried")
def shifts_tried(real: Real) -> str | None:
    """Reverse and forward are tried with the brake pressed, before the first burst."""
    if not real.script.spins:
        return None
    at_s = float(real.rng.uniform(POWER_S + 1.5, POWER_S + 2.5))
    way, other = (REVERSE, FORWARD) if real.rng.random() < 0.5 else (FORWARD, REVERSE)
    tried = [(at_s, way), (at_s + 0.6, NEUTRAL), (at_s + 0.9, other), (at_s + 1.6, NEUTRAL)]
    real.scripted.append(
        lambda script: _added(script, *((when, "direction", float(what)) for when, what in tried))
    )
    return f"directions tried from {at_s:.1f} s on"


@trait("brake-played")
def brake_played(real: Real) -> str | None:
    """Somebody plays with the brake pedal while nothing is asked for."""
    script = real.script
    if not script.spins:
        return None
    many = int(real.rng.integers(1, 9))

    def played(script: Script) -> Script:
        """Its times are those of the whole story, whatever was changed of that since."""
        from_s = script.spins[-1].end_s + 9.0
        begins = [from_s + 1.7 * k for k in range(many)]
        return _added(
            script, *((at + s, "brake", float(s == 0)) for at in begins for s in (0, 0.6))
        )

    real.scripted.append(played)
    return f"brake pressed {many} times after the last burst"


@trait("marks-off")
def marks_off(real: Real) -> str | None:
    """Marks are made up to a second and a half after what was seen."""
    if not real.script.spins:
        return None
    seed = int(real.rng.integers(1 << 30))

    def late(file: str, text: str) -> str:
        if file != "plan.toml":
            return text
        rng = np.random.default_rng(seed)

        def moved(found: re.Match[str]) -> str:
            return f"at_s = {float(found[1]) + rng.uniform(0.0, 1.5):.3f}"

        return re.sub(r"(?m)^at_s = ([\d.]+)$", moved, text)

    real.planned.append(late)
    return "marks up to 1.5 s late"


# How it is sent.


@trait("on-change")
def on_change(real: Real) -> str:
    """The contactor box sends at once what has changed, besides its cycle."""
    seed = int(real.rng.integers(1 << 30))

    def more(real: Real, recording: Recording) -> Recording:
        own = all_messages(real.vehicle)
        often = tuple(
            replace(m, cycle_ns=5_000_000) if m.name == "ContactorBox" else m for m in own["can0"]
        )
        box = next(m for m in often if m.name == "ContactorBox")
        wiring = replace(real.vehicle.wiring, messages=own | {"can0": often})
        fine = real.again(replace(real.vehicle, wiring=wiring), seed)
        fine = fine.take(fine.of("can0", box.can_id))
        changed = np.flatnonzero((np.diff(fine.payload, axis=0) != 0).any(axis=1)) + 1
        picked = np.zeros(len(fine), np.bool_)
        picked[changed] = True
        return joined(recording, fine.take(picked))

    real.sent.insert(0, more)
    return "contactor box sends on change as well"


@trait("one-bus")
def one_bus(real: Real) -> str | None:
    """Both units are on one bus, under other identifiers."""
    if len(real.units) < 2:
        return None
    own = all_messages(real.vehicle)
    stays, goes = real.units
    ids = [{(m.can_id, m.extended) for m in own[channel]} for channel in (stays, goes)]
    if ids[0] & ids[1]:
        return None

    def moved(real: Real, recording: Recording) -> Recording:
        one, other = (recording.channels.index(channel) for channel in (stays, goes))
        return replace(
            recording, channel=np.where(recording.channel == other, one, recording.channel)
        )

    def told(file: str, text: str) -> str:
        if file == f"{goes}.dbc":
            return text.replace("UnitFast", "OtherFast").replace("UnitSlow", "OtherSlow")
        text = re.sub(rf"(?m)^{goes} = .*\n", "", text)
        text = text.replace(f'["{stays}.dbc"]', f'["{stays}.dbc", "{goes}.dbc"]')
        return text.replace(f"{goes}:Unit", f"{stays}:Other")

    real.sent.append(moved)
    real.planned.append(told)
    return f"both units on {stays}"


@trait("split-bus")
def split_bus(real: Real) -> str:
    """The battery and its contactors are on a bus of their own."""
    names = ("PackStatus", "ContactorBox")
    ids = [m.can_id for m in all_messages(real.vehicle)["can0"] if m.name in names]

    def moved(real: Real, recording: Recording) -> Recording:
        own = recording.of("can0") & np.isin(recording.can_id, ids)
        channels = (*recording.channels, "can8")
        channel = np.where(own, len(channels) - 1, recording.channel)
        return replace(recording, channel=channel, channels=channels)

    def told(file: str, text: str) -> str:
        if not file.endswith(".toml"):
            return text
        text = re.sub(r"(?m)^can0 = (.*)$", r"can0 = \1\ncan8 = \1", text)
        for name in names:
            text = text.replace(f"can0:{name}", f"can8:{name}")
        return text

    real.sent.append(moved)
    real.planned.append(told)
    return "battery and contactors on a bus of their own"


@trait("hum")
def hum(real: Real) -> str:
    """The pack current carries a ripple of the converter, and voltages one of the chargers."""
    amps, volts = float(real.rng.uniform(0.1, 0.6)), float(real.rng.uniform(0.05, 0.4))
    hertz = float(real.rng.uniform(3, 40))

    def hums(real: Real, truth: Truth, seen: Readings) -> None:
        on = np.asarray(truth.closed["positive"]) > 0
        wave: Floats = np.sin(2 * np.pi * hertz * truth.time_s) * on
        for key, size in (("PackCurrent", amps), ("PackVoltage", -volts)):
            seen[f"can0:PackStatus.{key}"] = seen[f"can0:PackStatus.{key}"] + size * wave

    real.sensed.append(hums)
    return f"{amps:.1f} A and {volts:.1f} V of ripple at {hertz:.0f} Hz"
