"""Faults of nodes, buses and of the recording itself."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canscope.simulate.faults.fault import Fault, fault
from canscope.simulate.messages import all_messages, signal_of
from canscope.simulate.physics import Truth
from canscope.simulate.recording import Recording
from canscope.simulate.script import Floats, Script
from canscope.simulate.sensors import Readings
from canscope.simulate.vehicle import Vehicle

BABBLE_ID = 0x7E5
ERROR_FRAME = 0x2000_0000  # SocketCAN's flag and classes of error frames (linux/can/error.h)
PROTOCOL, NO_ACKNOWLEDGE, BUS_OFF, BUS_ERROR = 0x08, 0x20, 0x40, 0x80


@fault("node-dies", must="cycle-time", may="axle-witness link-discharge dry-exposure")
class NodeDies(Fault):
    """The front unit falls silent in the middle of the forward burst and never comes back."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return vehicle.with_unit(replace(vehicle.front, dies_s=12.5))


def frames_of(recording: Recording, vehicle: Vehicle, message: str) -> NDArray[np.int64]:
    """The rows of one message, "channel:Message"."""
    channel, name = message.split(":")
    spec = next(m for m in all_messages(vehicle)[channel] if m.name == name)
    return np.flatnonzero(recording.of(channel, spec.can_id))


def _counts(vehicle: Vehicle) -> bool:
    return signal_of(vehicle, f"{vehicle.front.channel}:UnitFast.Alive") is not None


@fault("checksum-wrong", must="checksum")
class ChecksumWrong(Fault):
    """Some of the front unit's frames carry a checksum that does not fit their bytes."""

    def suits(self, vehicle: Vehicle) -> bool:
        return _counts(vehicle)

    def damage(self, recording: Recording, script: Script, vehicle: Vehicle) -> Recording:
        own = frames_of(recording, vehicle, f"{vehicle.front.channel}:UnitFast")
        hit = own[500 :: max(round(400 / self.severity), 1)]
        payload = recording.payload.copy()
        payload[hit, recording.length[hit] - 1] ^= 0x5A
        return replace(recording, payload=payload)


@fault("counter-stuck", must="alive-counter")
class CounterStuck(Fault):
    """The rear unit repeats the same counter: its processor hangs while its bus driver runs on."""

    def suits(self, vehicle: Vehicle) -> bool:
        return _counts(vehicle)

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        key = f"{vehicle.unit('rear').channel}:UnitFast.Alive"
        seen[key] = np.full(len(truth.time_s), 7.0)


@fault("unit-reports-fault", must="unit-fault")
class UnitReportsFault(Fault):
    """The front unit reports a fault of its own from the reverse burst on."""

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        key = f"{vehicle.unit('front').channel}:UnitSlow.Fault"
        seen[key] = np.where(truth.time_s >= script.spins[-1].start_s, 17.0, 0.0)


@fault("bus-off", must="error-frames", may="cycle-time capture-gaps")
class BusOff(Fault):
    """A node on the front unit's bus goes off it; the adapter records the error frame."""

    def damage(self, recording: Recording, script: Script, vehicle: Vehicle) -> Recording:
        at_s = np.array([script.spins[0].start_s + 0.4])
        return _with_errors(recording, at_s, vehicle.front.channel, BUS_OFF)


@fault("errors-while-driving", must="error-frames")
class ErrorsWhileDriving(Fault):
    """The front inverter's switching couples into its bus: errors while it drives its motor."""

    def damage(self, recording: Recording, script: Script, vehicle: Vehicle) -> Recording:
        spells = [
            np.arange(spin.start_s + 0.5, spin.end_s, 0.1 / self.severity) for spin in script.spins
        ]
        kind = PROTOCOL | BUS_ERROR
        return _with_errors(recording, np.concatenate(spells), vehicle.front.channel, kind)


@fault("nobody-acknowledges", must="error-frames")
class NobodyAcknowledges(Fault):
    """At first the front unit is alone with silent listeners: nobody acknowledges its frames."""

    def damage(self, recording: Recording, script: Script, vehicle: Vehicle) -> Recording:
        at_s = recording.since_s()[0] + np.arange(0.2, 1.2, 0.04 / self.severity)
        return _with_errors(recording, at_s, vehicle.front.channel, NO_ACKNOWLEDGE)


def _with_errors(recording: Recording, at_s: Floats, channel: str, kind: int) -> Recording:
    """The recording with error frames of that class at those seconds."""
    rows = np.searchsorted(recording.since_s(), at_s)
    pick = np.insert(np.arange(len(recording)), rows, np.minimum(rows, len(recording) - 1))
    out = recording.take(pick)
    new = rows + np.arange(len(rows))
    can_id, length = out.can_id.copy(), out.length.copy()
    where, payload = out.channel.copy(), out.payload.copy()
    can_id[new], length[new] = ERROR_FRAME | kind, 8
    where[new], payload[new] = recording.channels.index(channel), 0
    return replace(out, can_id=can_id, length=length, channel=where, payload=payload)


@fault("recording-gap", must="capture-gaps", may="cycle-time alive-counter capture-integrity")
class RecordingGap(Fault):
    """The recorder missed everything on all buses for a while."""

    def damage(self, recording: Recording, script: Script, vehicle: Vehicle) -> Recording:
        start_s = script.spins[-1].end_s + 10.0
        since = recording.since_s()
        return recording.take((since < start_s) | (since >= start_s + 0.4 * self.severity))


@fault(
    "clock-step", must="capture-integrity", may="cycle-time capture-gaps", unproven="axle-direction"
)
class ClockStep(Fault):
    """The laptop's clock is set back between the bursts."""

    def damage(self, recording: Recording, script: Script, vehicle: Vehicle) -> Recording:
        after = recording.since_s() >= script.spins[-1].start_s - 4.0
        back_us = round(90e6 * self.severity)
        return replace(recording, time_us=recording.time_us - np.where(after, back_us, 0))


@fault("cut-end", must="capture-integrity")
class CutEnd(Fault):
    """The recording breaks off in the middle of a line: the file was copied while being written."""

    def spoil(self, text: str) -> str:
        return text[:-9]


@fault("garbled-lines", must="capture-integrity", may="cycle-time alive-counter capture-gaps")
class GarbledLines(Fault):
    """Two in a hundred lines of the capture cannot be read."""

    def spoil(self, text: str) -> str:
        lines = text.splitlines()
        step = max(round(50 / self.severity), 2)
        for number in range(200, len(lines), step):
            lines[number] = lines[number].replace("#", "?")
        return "\n".join(lines) + "\n"


@fault("ends-early", unproven="temperature-ceiling link-discharge")
class EndsEarly(Fault):
    """The recording was stopped seconds after the last burst, before the heat came out."""

    def story(self, story: Any) -> Any:
        return replace(story, ends_after_s=story.script().spins[-1].end_s + 9.0)


@fault("short-frames", must="frame-length", may="alive-counter checksum cycle-time")
class ShortFrames(Fault):
    """Some of the rear unit's frames are shorter than their definition."""

    def damage(self, recording: Recording, script: Script, vehicle: Vehicle) -> Recording:
        own = frames_of(recording, vehicle, f"{vehicle.rear.channel}:UnitFast")
        length = recording.length.copy()
        length[own[300 :: max(round(400 / self.severity), 1)]] = 1
        return replace(recording, length=length)


@fault(
    "message-missing",
    unproven="message-presence temperature-ceiling temperature-rate temperature-rise sensor-alive",
)
class MessageMissing(Fault):
    """The front unit's slow message never comes: its temperatures are not sent on this bus."""

    def damage(self, recording: Recording, script: Script, vehicle: Vehicle) -> Recording:
        rows = np.ones(len(recording), np.bool_)
        rows[frames_of(recording, vehicle, f"{vehicle.front.channel}:UnitSlow")] = False
        return recording.take(rows)


@fault("value-out-of-range", must="value-range", unproven="control-supply")
class ValueOutOfRange(Fault):
    """The 12 V reading leaves the range that its definition declares, at the first closing too."""

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        key = "can0:Supply.ControlVoltage"
        start_s = script.first("power", 1.0) - 1.0
        odd = (truth.time_s >= start_s) & (truth.time_s < start_s + 8.0)
        seen[key] = np.where(odd, 40.0 * self.severity, seen[key])


@fault("babbling-node", must="bus-load", may="capture-gaps")
class BabblingNode(Fault):
    """A node that nobody knows floods the vehicle's bus for a second."""

    def suits(self, vehicle: Vehicle) -> bool:
        return vehicle.limits.bus_load_percent is not None

    def damage(self, recording: Recording, script: Script, vehicle: Vehicle) -> Recording:
        start_us = recording.time_us[0] + round(8e6)
        every_us = 330.0 / self.severity  # a full frame takes some 260 us at 500 kbit/s
        more_us = start_us + np.arange(0, 1e6, every_us).astype(np.int64)
        extra = Recording(
            more_us,
            np.full(len(more_us), recording.channels.index("can0")),
            np.full(len(more_us), BABBLE_ID),
            np.full(len(more_us), 8),
            np.full((len(more_us), 8), 0x55, np.uint8),
            recording.channels,
        )
        both = Recording(
            np.concatenate([recording.time_us, extra.time_us]),
            np.concatenate([recording.channel, extra.channel]),
            np.concatenate([recording.can_id, extra.can_id]),
            np.concatenate([recording.length, extra.length]),
            np.concatenate([recording.payload, extra.payload]),
            recording.channels,
        )
        return both.take(np.argsort(both.time_us, kind="stable"))
