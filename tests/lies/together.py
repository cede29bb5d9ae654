"""What several lies in one run amount to: each may hide what would show another one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.lies.lies import Lie, Told, granule, lasting

LEVER, BRAKE = "can0:Cabin.Direction", "can0:Cabin.BrakePressed"


def together(lies: list[Lie], honest: Told, told: Told) -> list[Lie]:
    """The lies, by what they are beside each other."""
    lies = [_after_key_off(lie, honest, told) for lie in lies]
    lies = [_repeated_over(lie, lies) for lie in lies]
    lies = [_cut_short(lie, lies) for lie in lies]
    return _late_inputs(_of_one_sensor(_not_enabled(_smoothed_alike(lies)), honest, told))


def _after_key_off(lie: Lie, honest: Told, told: Told) -> Lie:
    """A lie of the 12 V that begins only once the key reads off, by a lie about the key."""
    key = next(iter(told.keys("Ignition")), "")
    if not lie.keys or not all(name.endswith("ControlVoltage") for name in lie.keys) or not key:
        return lie
    off = [np.abs(told.seen[k] - honest.seen[k]) > granule(told, k) for k in lie.keys]
    begins = np.flatnonzero(np.any(off, axis=0))[:1]
    last_on = np.flatnonzero(told.seen[key] > 0)[-1:]
    earlier = (told.seen[key] != honest.seen[key]).any()
    if earlier and len(begins) and len(last_on) and begins[0] > last_on[0]:
        return replace(lie, kind="after-key-off", size=None)
    return lie


def _repeated_over(lie: Lie, lies: list[Lie]) -> Lie:
    """A code that a payload repeated over it keeps from the bus, by that repeat."""
    if lie.kind != "fault-codes":
        return lie
    over = [one for one in lies if one.kind == "gateway-repeats" and set(lie.keys) <= set(one.keys)]
    return replace(lie, kind=over[0].kind, keys=over[0].keys, size=over[0].size) if over else lie


def _cut_short(lie: Lie, lies: list[Lie]) -> Lie:
    """A pack that reads less while a link charges, where positive says that it was over by then."""
    early = any(one.kind == "state-early" and "Positive" in one.keys[0] for one in lies)
    return replace(lie, kind="pack-low-short") if lie.kind == "pack-low-charging" and early else lie


def _smoothed_alike(lies: list[Lie]) -> list[Lie]:
    """The lies, where a low-pass of a unit's speed and one of its torque are one lie."""
    speeds = [lie for lie in lies if lie.kind == "smoothed" and lie.keys[0].endswith("MotorSpeed")]
    torques = [lie for lie in lies if lie.kind == "torque-smoothed"]
    if len(speeds) != 1 or len(torques) != 1:
        return lies
    both = (speeds[0], torques[0])
    keys = both[0].keys + both[1].keys
    if len({key.rpartition(".")[0] for key in keys}) > 1:
        return lies
    longer_s = max(lie.size or np.inf for lie in both)
    words = "; ".join(lie.words for lie in both)
    one = Lie("both-smoothed", ", ".join(keys), words, keys, longer_s)
    return [one, *(lie for lie in lies if lie not in both)]


def _not_enabled(lies: list[Lie]) -> list[Lie]:
    """The lies, where a torque of next to nothing and a speed that stands are one lie."""
    weak = [lie for lie in lies if lie.kind == "scale" and 0 <= (lie.size or 1.0) <= 0.2]
    weak = [lie for lie in weak if all(key.endswith("Torque") for key in lie.keys)]
    still = [lie for lie in lies if lie.kind == "burst-still"]
    if len(weak) != 1 or len(still) != 1 or still[0].about not in map(_speed_of, weak[0].keys):
        return lies
    keys = (still[0].about, *weak[0].keys)
    words = f"{still[0].words}; {weak[0].words}"
    one = Lie("not-enabled", ", ".join(keys), words, keys)
    return [one, *(lie for lie in lies if lie not in (weak[0], still[0]))]


def _speed_of(torque: str) -> str:
    return torque.rpartition(".")[0] + ".MotorSpeed"


def _of_one_sensor(lies: list[Lie], honest: Told, told: Told) -> list[Lie]:
    """The lies, where several of one temperature hide as little as one that stops."""
    found = []
    for lie in lies:
        beside = [other for other in lies if other.keys == lie.keys]
        if len(beside) > 1 and len(lie.keys) == 1 and "Temp" in lie.keys[0]:
            off = honest.seen[lie.keys[0]] - told.seen[lie.keys[0]]
            hidden_K = max(lasting(off, 300), lasting(-off, 300) / 2, 0.0)
            lie = replace(lie, kind="freeze", size=hidden_K) if hidden_K <= 3.5 else lie
        found.append(lie)
    return found


def _late_inputs(lies: list[Lie]) -> list[Lie]:
    """The lies, where a lever is as late as the brake that has to be pressed with it, or later."""
    late_s = {lie.keys: lie.size for lie in lies if lie.kind == "delay" and lie.size is not None}
    brake_s = late_s.get((BRAKE,), 0.0)
    return [
        replace(lie, size=max(lie.size - brake_s, 0.0))
        if lie.kind == "delay" and lie.keys == (LEVER,) and lie.size is not None
        else lie
        for lie in lies
    ]
