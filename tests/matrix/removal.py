"""Healthy runs from which evidence was taken away, and what may no longer be said of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from canscope.model.definition import SignalSpec
from canscope.model.findings import Finding
from canscope.model.report import Report
from canscope.simulate.messages import all_messages
from canscope.simulate.nodes import record
from canscope.simulate.physics import Truth, simulate
from canscope.simulate.recording import Recording
from canscope.simulate.runs import Run, witness
from canscope.simulate.script import Floats, Script, Story
from canscope.simulate.sensors import readings
from canscope.simulate.vehicle import Vehicle

# Not sensors: what they say is right only as long as it follows the rest of their message.
COMPUTED = ("Alive", "Checksum")
# What is said of frames stays true of frames, whatever a sensor behind them does.
OF_FRAMES = frozenset(
    {"buses-distinct", "cycle-time", "frame-length", "message-presence", "value-range"}
)
# What was judged for good before evidence went away half-way, between the two bursts.
OVER = frozenset({"contactor-sequence", "control-supply", "precharge-curve", "precharge-level"})
# Signals that a finding shows beside those that it rests on: the 12 V was held against the other
# closings, the curve ends before positive closes, stalling is asked for only where nothing turns.
BESIDE = {
    "axle-direction": ("Torque", "BrakePressed"),
    "control-supply": ("NegativeClosed", "PrechargeClosed", "PositiveClosed"),
    "unasked-motion": ("EmergencyStop",),  # it asks for nothing where nothing turns
    "precharge-curve": ("PositiveClosed",),
    "link-discharge": ("NegativeClosed", "PositiveClosed"),  # one opening is enough
}


@dataclass(frozen=True, eq=False)
class Bench:
    """One healthy run, acted out once; its recording is made anew for each removal."""

    vehicle: Vehicle
    script: Script
    truth: Truth
    seed: int

    def recorded(self, changed: dict[str, Floats] | None = None, from_row: int = 0) -> Run:
        """The run with some readings changed; those have no noise from that row on."""
        seen = readings(self.truth, self.vehicle)
        for key, column in (changed or {}).items():
            seen[key] = column
            seen.still[key] = from_row
        recording = record(self.vehicle, self.script, seen, np.random.default_rng(self.seed))
        marks = witness(self.truth, self.script, recording)
        return Run(
            "removal", self.vehicle, self.script, None, self.seed, self.truth, recording, marks
        )

    def column(self, key: str) -> Floats:
        """What a sensor would show."""
        return readings(self.truth, self.vehicle)[key]

    @property
    def signals(self) -> tuple[str, ...]:
        """Every signal that is sent."""
        every = (m for own in all_messages(self.vehicle).values() for m in own)
        return tuple(spec.key for message in every for spec in message.signals)


def bench(vehicle: Vehicle, story: Story, seed: int) -> Bench:
    """A vehicle and a story, acted out."""
    script = story.script()
    return Bench(vehicle, script, simulate(vehicle, script), seed)


@dataclass(frozen=True)
class Removal:
    """One way of taking evidence away: what was done, and to which signals."""

    kind: str  # dropped frozen half silenced fell-silent cut
    what: str  # message, signal or channel
    gone: frozenset[str] = frozenset()  # the signals that no longer say anything true
    at_s: float = 0.0

    @property
    def name(self) -> str:
        """How it is called in a list of tests."""
        return f"{self.kind}-{self.what}"


def removals(made: Bench) -> Iterator[Removal]:
    """Every removal that a bench can have."""
    messages = all_messages(made.vehicle)
    half_s = made.script.end_s / 2
    if made.script.spins:  # between the bursts
        half_s = made.script.spins[-1].start_s - 3.0
    for channel, own in messages.items():
        for message in own:
            keys = frozenset(spec.key for spec in message.signals)
            yield Removal("dropped", message.key, keys)
        keys = frozenset(spec.key for message in own for spec in message.signals)
        yield Removal("silenced", channel, keys)
        yield Removal("fell-silent", channel, keys, half_s)
    for key in made.signals:
        if not key.endswith(COMPUTED):
            column = made.column(key)
            moves_later = np.ptp(column[round(half_s * 1000) :]) > 0
            if np.ptp(column) > 0:  # what stands still anyway cannot be frozen
                yield Removal("frozen", key, frozenset({key}))
            if moves_later:
                yield Removal("half", key, frozenset({key}), half_s)
    for share in (0.05, 0.2, 0.4, 0.6, 0.8, 0.9):
        yield Removal("cut", f"{share:.0%}", at_s=share * made.script.end_s)


def removed(made: Bench, removal: Removal) -> Run:
    """The run without that evidence."""
    if removal.kind in ("frozen", "half"):
        row = round(removal.at_s * 1000)
        column = made.column(removal.what).copy()
        column[row:] = column[row]  # noise was no evidence either
        return made.recorded({removal.what: column}, row)
    run = made.recorded()
    keep = _kept(run.recording, removal, made.vehicle)
    return replace(run, recording=run.recording.take(keep))


def _kept(recording: Recording, removal: Removal, vehicle: Vehicle) -> np.ndarray:
    late = recording.since_s() >= removal.at_s
    if removal.kind == "cut":
        return ~late
    channel, _, name = removal.what.partition(":")
    if not name:
        return ~(recording.of(channel) & late)
    message = next(m for m in all_messages(vehicle)[channel] if m.name == name)
    return ~recording.of(channel, message.can_id)


def resting(report: Report, removal: Removal) -> list[Finding]:
    """The findings that pass and rest on what the removal takes away."""
    found = []
    for finding in report.findings:
        shown = {k for k in finding.signals if not k.endswith(BESIDE.get(finding.rule, ("//",)))}
        of_frames = removal.kind in ("frozen", "half") and finding.rule in OF_FRAMES
        # Any other message of two buses tells them apart as well.
        of_frames |= removal.kind == "dropped" and finding.rule == "buses-distinct"
        if finding.verdict == "pass" and removal.gone & shown and not of_frames:
            found.append(finding)
    return found


def wrongs_of(healthy: Report, report: Report, removal: Removal) -> list[str]:
    """Passes that stand although what they rest on was taken away.

    What was seen before evidence went away half-way may stand; the whole run may not.
    """
    wrongs = []
    if not removal.at_s:
        wrongs = [f"{f.rule} {f.subject}: {f.sentence}" for f in resting(report, removal)]
    rested = (f for f in resting(healthy, removal) if not removal.at_s or f.rule not in OVER)
    needed = removal.kind == "cut" or any(f.required for f in rested)
    if needed and report.verdict == "pass":
        wrongs.append("the whole run")
    return wrongs


# Signals whose role another one checks, and that tell ten times too much.
TEN_TIMES = (
    "PackStatus.PackVoltage",
    "PackStatus.PackCurrent",
    "Supply.ControlVoltage",
    "Cabin.Pedal",
    "UnitFast.MotorSpeed",
    "UnitFast.Torque",
    "UnitFast.LinkVoltage",
    "UnitSlow.InverterTemp",
    "UnitSlow.WindingTemp",
)


def ten_times(made: Bench, signal: str, by: str) -> Run:
    """The run with one signal that reads ten times too much: as sent, or as its definition says."""
    channel = made.vehicle.front.channel if signal.startswith("Unit") else "can0"
    key = f"{channel}:{signal}"
    if by == "traffic":
        return made.recorded({key: 10 * made.column(key)})
    run = made.recorded()
    messages = {
        channel: tuple(
            replace(m, signals=tuple(_by_ten(s) if s.key == key else s for s in m.signals))
            for m in own
        )
        for channel, own in run.vehicle.wiring.messages.items()
    }
    return replace(
        run, vehicle=replace(run.vehicle, wiring=replace(run.vehicle.wiring, messages=messages))
    )


def _by_ten(spec: SignalSpec) -> SignalSpec:
    """A decimal point in the wrong place; whoever misplaced it gave no range either."""
    return replace(spec, factor=10 * spec.factor, offset=10 * spec.offset, minimum=0, maximum=0)


def exchanged(made: Bench, *, still: bool) -> Run:
    """The run with the two units' buses exchanged; ``still``: the other axle's rest was marked."""
    run = made.recorded()
    front, rear = (
        run.recording.channels.index(unit.channel) for unit in (run.vehicle.front, run.vehicle.rear)
    )
    channel = run.recording.channel.copy()
    channel[run.recording.channel == front] = rear
    channel[run.recording.channel == rear] = front
    marks = tuple(mark for mark in run.marks if still or mark.seen != "still")
    return replace(run, recording=replace(run.recording, channel=channel), marks=marks)
