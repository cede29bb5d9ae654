"""Frames that a gateway, an adapter or a dead node makes up: renumbered, repeated, copied."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from canscope.simulate.bits import crc8_j1850, put
from canscope.simulate.messages import all_messages, cycle_s, step_of
from canscope.simulate.recording import Recording
from tests.lies.lies import (
    FEW_STEPS,
    STATES,
    Lie,
    Told,
    any_of,
    bridged,
    falls_late_s,
    granule,
    kind,
    lasting,
    late_s,
    measured,
)

LITTLE_V, LITTLE_A = 2.0, 1.5  # that a stop of the pack's readings may hide
BRIEF_S = 3.0  # as a load may go on and off
LATE_S = 1.2  # for which it hides more, at most: then it is late


def _units(told: Told) -> list[str]:
    return [unit.channel for unit in told.vehicle.units]


def _fast(told: Told, channel: str):
    return all_messages(told.vehicle)[channel][0]


@kind("renumbered")
def renumbered(told: Told) -> Lie | None:
    """Frames of a message are lost, and a gateway counts the rest anew."""
    channel = any_of(told, _units(told))
    message, every = _fast(told, channel), int(told.rng.choice([2, 3, 7, 40]))
    alive, checksum = message.signal("Alive"), message.signal("Checksum")
    if alive is None or checksum is None:
        return None

    def lose(recording: Recording) -> Recording:
        mine = recording.of(channel, message.can_id)
        kept = recording.take(~(mine & (np.cumsum(mine) % every == 0)))
        rows = kept.of(channel, message.can_id)
        payload = kept.payload.copy()
        own = payload[rows]
        own[:, alive.start_bit // 8] &= 0xF0
        own[:, checksum.start_bit // 8] = 0
        put(own, alive, np.arange(len(own)) % (1 << alive.length_bits))
        before = own[:, : checksum.start_bit // 8]
        put(own, checksum, crc8_j1850(before).astype(np.int64))
        payload[rows] = own
        return replace(kept, payload=payload)

    told.later.append(lose)
    return Lie("renumbered", message.key, f"one frame in {every} lost, the rest counted anew")


@kind("checksum-dead")
def checksum_dead(told: Told) -> Lie | None:
    """A checksum that is always the same, or the counter that is."""
    channel = any_of(told, _units(told))
    message = _fast(told, channel)
    spec = message.signal(any_of(told, ["Checksum", "Alive"]))
    if spec is None:
        return None

    def still(recording: Recording) -> Recording:
        rows, payload = recording.of(channel, message.can_id), recording.payload.copy()
        at = spec.start_bit // 8
        payload[rows, at] = payload[np.flatnonzero(rows)[:1], at]
        return replace(recording, payload=payload)

    told.later.append(still)
    return Lie("checksum-dead", spec.key, "always the same")


@kind("gateway-repeats")
def gateway_repeats(told: Told) -> Lie | None:
    """A gateway goes on sending the last payload of a message that it does not receive any more."""
    channel, own = any_of(told, list(all_messages(told.vehicle).items()))
    message = own[told.rng.integers(len(own))]
    slow = (message.cycle_ns or 0) > 50_000_000  # what it says changes little in some seconds
    s = 1e4 if slow else float(told.rng.choice([1.0, 3.0, 1e4]))
    turning = np.flatnonzero(told.turning())
    from_s = float(told.rng.uniform(4, told.script.end_s - 6))
    if len(turning) and told.rng.random() < 0.6:
        from_s = float(any_of(told, turning.tolist())) / 1000

    def repeat(recording: Recording) -> Recording:
        since = recording.since_s()
        rows = recording.of(channel, message.can_id) & (since >= from_s) & (since < from_s + s)
        payload = recording.payload.copy()
        if rows.any():
            payload[rows] = payload[np.argmax(rows)]
        return replace(recording, payload=payload)

    told.later.append(repeat)
    names = [spec.name for spec in message.signals]
    keys = [spec.key for spec in message.signals if spec.key in told.seen]
    rows = slice(round(1000 * from_s), min(round(1000 * (from_s + s)), told.rows))
    off = {key: np.abs(told.seen[key][rows] - told.seen[key][rows.start]) for key in keys}
    hidden = {key: float(by.max()) / granule(told, key) for key, by in off.items()}
    size = np.inf if {"Alive", "Checksum"} & set(names) else max(hidden.values(), default=np.inf)
    words = f"one payload for {s:g} s from {from_s:.1f} s on, which hides {size:.1f} steps"
    # From the pedal's last release on, or once the monitor has measured, less rests on it.
    pedals = [told.seen[key][rows.start :] for key in keys if "Pedal" in key]
    if pedals and rows.stop == told.rows and max(pedal.max() for pedal in pedals) < 3:
        return Lie("inputs-repeat", message.key, words, tuple(keys))
    late = falls_late_s(told, keys[0], rows) if message.name == "Supply" else None
    if late is not None:
        return Lie("falls-late", message.key, words, tuple(keys), late)
    current = f"{message.key}.PackCurrent"
    if message.name == "PackStatus" and off[f"{message.key}.PackVoltage"].max() <= LITTLE_V:
        amps = lasting(off[current], 100)
        if amps <= LITTLE_A:  # as with a stop that hides no more
            return Lie("freeze", message.key, words, (current,), amps)
        less = told.seen[current][rows] - told.seen[current][rows.start]
        if s <= BRIEF_S and lasting(less, 100) <= LITTLE_A:  # it shows more than flows
            return Lie("held-higher", message.key, words, (current,), amps)
    if pedals and _stays_pressed(told, hidden, rows):
        return Lie("clipped", message.key, words, tuple(k for k in keys if "Pedal" in k))
    some = [key for key, steps in hidden.items() if steps > FEW_STEPS]
    by_s = max((late_s(told, key, rows) for key in some), default=np.inf)
    if some and np.isfinite(by_s) and all(key.endswith("Ignition") for key in some):
        return Lie("delay", message.key, words, tuple(some), by_s)
    if len(some) == 1 and some[0].endswith(("NegativeClosed", "PositiveClosed")):
        by_s = min(by_s, _matters_s(told, some[0], rows)) if np.isfinite(by_s) else by_s
    if np.isfinite(size) and by_s < LATE_S:
        states = any(key.rpartition(".")[2] in STATES for key in some)
        name = "delay" if states else "holds-last"
        if all(key.endswith("PrechargeClosed") for key in some):
            wrong = np.zeros(told.rows, np.bool_)
            for key in some:
                wrong[rows] |= told.seen[key][rows] != told.seen[key][rows.start]
            name = "reads-on" if bridged(told, wrong) else name
        return Lie(name, message.key, words, tuple(some), by_s)
    name = "insulation-stops" if measured(told, keys[0], rows.start) else "gateway-repeats"
    return Lie(name, message.key, words, tuple(keys), size)


def _matters_s(told: Told, key: str, rows: slice) -> float:
    """For how long a main pole's state is repeated wrongly while the other one is closed."""
    other = "positive" if key.endswith("NegativeClosed") else "negative"
    wrong = told.seen[key][rows] != told.seen[key][rows.start]
    return float((wrong & (told.truth.closed[other][rows] > 0)).sum()) / 1000


def _stays_pressed(told: Told, hidden: dict[str, float], rows: slice) -> bool:
    """Whether only pedals moved, which were pressed all the while, and read so."""
    moved = [key for key, steps in hidden.items() if steps > 0]
    return all("Pedal" in key and told.seen[key][rows].min() >= 3 for key in moved)


@kind("gateway-holds")
def gateway_holds(told: Told) -> Lie | None:
    """A gateway refreshes a signal only now and then, and sends it as often as ever."""
    key, ms = any_of(told, told.keys()), int(told.rng.choice([300, 1000, 3000]))
    rows = np.arange(told.rows) // ms * ms
    honest = told.seen[key]
    told.put(key, honest[rows], still=True)
    words = f"refreshed every {ms} ms"
    if key.rpartition(".")[2] in STATES:  # it is late by up to that
        changes = np.flatnonzero(np.diff(honest)) + 1
        late_ms = float((-changes % ms).max(initial=0))
        return Lie("delay", key, words, (key,), late_ms / 1000)
    if key.endswith("Flow"):
        return Lie("delay", key, words, (key,), ms / 1000)
    if "Pedal" in key or "Resistance" in key:
        return Lie("renewed", key, words, (key,), ms / 1000)
    if key.endswith("ControlVoltage") and ms < 5000 * cycle_s(told.vehicle, key):
        return Lie("holds-last", key, words, (key,), ms / 1000)  # too short to be told from its own
    if "Voltage" in key:  # as one that is held
        changes = int(
            np.count_nonzero(np.diff(np.round(honest[rows] / step_of(told.vehicle, key))))
        )
        return Lie("held", key, f"{words}, {changes} changes", (key,), float(changes))
    return Lie("gateway-holds", key, words, (key,))


@kind("message-copied")
def message_copied(told: Told) -> Lie | None:
    """One message of one unit is the other unit's."""
    if len(told.vehicle.units) < 2:
        return None
    one, two = _units(told)[:2]
    number, ms = int(told.rng.integers(2)), int(told.rng.choice([0, 1, 17]))
    mine, theirs = (all_messages(told.vehicle)[channel][number] for channel in (one, two))
    names = [[spec.name for spec in message.signals] for message in (mine, theirs)]
    if names[0] != names[1] or mine.can_id != theirs.can_id:
        return None

    def copy(recording: Recording) -> Recording:
        whole = recording.take(~recording.of(two, theirs.can_id))
        other = recording.take(recording.of(one, mine.can_id))
        code = np.full(len(other), recording.channels.index(two))
        other = replace(other, channel=code, time_us=other.time_us + 1000 * ms)
        columns = ("time_us", "channel", "can_id", "length", "payload")
        joined = {n: np.concatenate([getattr(whole, n), getattr(other, n)]) for n in columns}
        order = np.argsort(joined["time_us"], kind="stable")
        return replace(whole, **{n: column[order] for n, column in joined.items()})

    told.later.append(copy)
    about = theirs.key
    if not {"Alive", "Checksum"} & set(names[1]):
        keys = [[spec.key for spec in message.signals] for message in (mine, theirs)]
        apart = [
            float(np.abs(told.seen[a] - told.seen[b]).max()) / granule(told, b)
            for a, b in zip(*keys, strict=True)
            if a in told.seen and b in told.seen
        ]
        about = f"hardly different {about}" if max(apart, default=0.0) < 3 else about
    return Lie("message-copied", about, f"{mine.key} again, {ms} ms later")


@kind("half-rate")
def half_rate(told: Told) -> Lie | None:
    """A message comes at half its rate, and nothing states its cycle."""
    channel = any_of(told, _units(told))
    message = any_of(told, list(all_messages(told.vehicle)[channel]))

    def lose(recording: Recording) -> Recording:
        mine = recording.of(channel, message.can_id)
        return recording.take(~(mine & (np.cumsum(mine) % 2 == 0)))

    told.later.append(lose)
    return Lie("half-rate", message.key, "every second frame is missing")
