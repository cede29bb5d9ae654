"""Runs in which something lies, and how large each of the lies in it is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from importlib import import_module

import numpy as np

from canscope.model.runs import runs_of
from canscope.simulate.messages import all_messages, step_of
from canscope.simulate.nodes import record
from canscope.simulate.physics import simulate
from canscope.simulate.recording import Recording
from canscope.simulate.runs import Run, witness
from canscope.simulate.script import Script
from canscope.simulate.sensors import Readings, readings
from canscope.simulate.vehicle import Vehicle
from tests.lies.lies import KINDS, Lie, Told, bridged, lasting
from tests.lies.together import together

OTHERS = (
    "encoding",
    "events",
    "frames",
    "high_voltage",
    "inputs",
    "motion",
    "sensors",
    "shaft",
    "temperatures",
)
STOPS = (
    "freeze", "dither", "constant", "warm-frozen", "warm-model", "hides-soak", "wakes-and-stands",
    "dithers-cold", "numbers-dither", "gateway-holds", "code-while-turning", "absent",
    "random-walk", "quantised", "bit-stuck", "mean-of-both", "first-again",
)  # fmt: skip
SMALL_A, SMALL_V = 3.0, 2.5
PACK_KINDS = (
    "late-feedback", "delay", "dither", "freeze", "constant", "pack-dead", "replayed-burst",
    "random-walk", "reflected",
)  # fmt: skip


def lying(
    vehicle: Vehicle, script: Script, seed: int, kinds: list[str], about: tuple[str, ...] = ()
) -> tuple[Run, list[Lie]]:
    """A run that lies in these ways, and what was done; nothing where that changed no reading.

    ``about`` names the signals that kinds about any signal choose from; none: all of them.
    """
    list(every_kind())
    truth = simulate(vehicle, script)
    honest = Told(vehicle, script, truth, readings(truth, vehicle), np.random.default_rng(seed))
    honest.about = about
    ways = list(enumerate(kinds))
    told, lies = _told(honest, seed, ways)
    # A lie without which the readings are the same is none, whatever the others do.
    beside = {}  # what the others tell alone: a lie is as large as what it changes of that
    for way in ways:
        without, others = _told(honest, seed, [other for other in lies if other != way])
        beside[way] = without.seen
        if not lies[way][1] and all(
            not _differs(without.seen[k], told.seen[k], step_of(vehicle, k)) for k in told.seen
        ):
            told, lies = without, others
    recording = record(vehicle, script, told.seen, np.random.default_rng(seed))
    sent = record(vehicle, script, honest.seen, np.random.default_rng(seed))
    marks, whole = witness(truth, script, recording), recording
    for change in told.later:
        recording = change(recording)
    # What was told while its node slept, as it woke, or before the recording, is in no frame.
    kept = slice(int(recording.time_us.min()), int(recording.time_us.max()))
    some = [(way, lie, later) for way, (lie, later) in lies.items() if lie is not None]
    found = [
        _sized(lie, beside[way], told)
        for way, lie, later in some
        if later or _in_frames(vehicle, lie, whole, sent, kept)
    ]
    run = Run("lie", vehicle, script, None, seed, truth, recording, marks)
    return run, together(found, honest, told)


def _told(
    honest: Told, seed: int, ways: list[tuple[int, str]]
) -> tuple[Told, dict[tuple[int, str], tuple[Lie | None, bool]]]:
    """What an honest run becomes, and of each way its lie and whether that is told in frames.

    A way draws the same numbers whichever others are told beside it.
    """
    told = replace(honest, seen=Readings(), later=[])
    told.seen.update(honest.seen)
    lies: dict[tuple[int, str], tuple[Lie | None, bool]] = {}
    for number, name in ways:
        rng = np.random.default_rng([seed, number] if number else seed)
        told, later = replace(told, rng=rng), len(told.later)
        lie = KINDS[name](told)
        lies[number, name] = (lie, len(told.later) > later)
    return told, lies


def _in_frames(
    vehicle: Vehicle, lie: Lie, recording: Recording, sent: Recording, kept: slice
) -> bool:
    """Whether any frame of the messages that a lie is about is another one, of those kept.

    A node's first second does not count: it may send anything then.
    """
    about = {key.rpartition(".")[0] for key in (lie.keys or lie.about.split(", "))}
    messages = [m for own in all_messages(vehicle).values() for m in own if m.key in about]
    for message in messages:
        channel = message.key.partition(":")[0]
        one, other = (_awake(r, channel, message.can_id, kept) for r in (recording, sent))
        if len(one) != len(other) or (one != other).any():
            return True
    return not messages


def _awake(recording: Recording, channel: str, can_id: int, kept: slice) -> np.ndarray:
    """The payloads of a message from a second after its first one on, in that time in us."""
    own = recording.take(recording.of(channel, can_id))
    counts = own.time_us >= own.time_us[:1].sum() + 1_000_000
    return own.payload[counts & (own.time_us >= kept.start) & (own.time_us <= kept.stop)]


def _sized(lie: Lie, honest: dict[str, np.ndarray], told: Told) -> Lie:
    """A lie of a slow reading that stops or drifts, with how far it leads at most.

    So has one about the pack's voltage alone, in whatever way, and a stop of its current.
    """
    if lie.keys and lie.kind in PACK_KINDS and all("PackVoltage" in key for key in lie.keys):
        off_V = max(float(np.abs(told.seen[key] - honest[key]).max()) for key in lie.keys)
        return replace(lie, size=off_V)
    if lie.kind == "held" and lie.keys == ("can0:PackStatus.PackVoltage",):
        # Whatever is renewed seldom is late, and by no more than any other that is.
        off_V = float(np.abs(told.seen[lie.keys[0]] - honest[lie.keys[0]]).max())
        return replace(lie, kind="delay", size=off_V) if off_V <= SMALL_V else lie
    stops = lie.kind in ("freeze", "dither", "pack-dead") and lie.size is None
    if (stops or lie.kind == "absent") and "PackCurrent" in "".join(lie.keys):
        off = [np.abs(told.seen[key] - honest[key]) for key in lie.keys]
        return replace(lie, size=max(lasting(one, 100) for one in off))
    if lie.words.startswith("smoothed") and "PackCurrent" in "".join(lie.keys):
        # A gentle run's is one that hides as little as one that stops at some level.
        amps = max(lasting(np.abs(told.seen[key] - honest[key]), 100) for key in lie.keys)
        return replace(lie, kind="clipped", size=amps) if amps <= SMALL_A else lie
    if lie.kind == "delay" and lie.keys and all("Ignition" in key for key in lie.keys):
        # Late of the first contactor; going off late says nothing, as no rule needs a key-off.
        any_closed = np.max(list(told.truth.closed.values()), axis=0) > 0
        on = [int(np.argmax(told.seen[key] > 0)) for key in lie.keys]
        return replace(lie, size=max(0.0, (max(on) - int(np.argmax(any_closed))) / 1000))
    mains = {"can0:ContactorBox.NegativeClosed", "can0:ContactorBox.PositiveClosed"}
    if lie.kind == "delay" and len(lie.keys) == 1 and mains > set(lie.keys):
        # Late of what closes and opens the circuit; alone it does neither.
        (other,) = mains - set(lie.keys)
        pole = other.rpartition(".")[2].removesuffix("Closed").lower()
        off = told.seen[lie.keys[0]] != honest[lie.keys[0]]
        late_ms = [end - first for first, end in runs_of(off & (told.truth.closed[pole] > 0))]
        return replace(lie, size=max(late_ms, default=0) / 1000) if off.any() else lie
    if lie.kind == "delay" and all(key.endswith("PrechargeClosed") for key in lie.keys):
        off = np.any([told.seen[key] != honest[key] for key in lie.keys], axis=0)
        return replace(lie, kind="reads-on") if off.any() and bridged(told, off) else lie
    if lie.kind == "drift" and lie.keys and "Temp" in lie.keys[0]:
        # What moves by a part only drifts by that part.
        off = np.concatenate([told.seen[key] - honest[key] for key in lie.keys])
        return replace(lie, size=float(off[np.abs(off).argmax()]))
    if lie.kind not in STOPS or not lie.keys or "Temp" not in lie.keys[0]:
        return lie
    if lie.size is not None and lie.kind != "mean-of-both":
        return lie
    # A single reading that noise lifts over an edge hides nothing of a part that takes its time.
    hidden = max(lasting(honest[key] - told.seen[key], 300) for key in lie.keys)
    shown = max(lasting(told.seen[key] - honest[key], 300) for key in lie.keys)
    rounded = max(step_of(told.vehicle, key) for key in lie.keys) / 2  # by which any reading is off
    kind = lie.kind if lie.kind == "mean-of-both" else "freeze"
    return replace(lie, kind=kind, size=max(hidden - rounded, shown / 2, 0.0))  # too warm is safe


def _differs(one: np.ndarray, other: np.ndarray, step: float) -> bool:
    """Whether a column says something else for a while: by more than noise, for 50 ms and more.

    A sensor that stops where nothing moves it says nothing else than one that lives.
    """
    spread = min(step, 1.0) if len(set(one[:: len(one) // 50].tolist())) < 5 else 4 * step
    allowed = max(spread / 2, 0.04 * float(np.ptp(one)))
    return int((np.abs(one - other) > allowed).sum()) >= 50


def every_kind() -> Iterator[str]:
    """The ways of lying, in alphabetical order."""
    for name in OTHERS:  # they enter themselves
        import_module(f"tests.lies.{name}")
    yield from sorted(KINDS)
