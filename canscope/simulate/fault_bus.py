"""Faults of nodes, buses and of the recording itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from canscope.simulate.faults import Fault, fault
from canscope.simulate.messages import UNIT_FAST_ID
from canscope.simulate.physics import Truth
from canscope.simulate.record import Recording
from canscope.simulate.script import DrySpin, Script
from canscope.simulate.sensors import Readings
from canscope.simulate.vehicle import Vehicle

BUS_OFF_ID = 0x2000_0040  # SocketCAN error frame, class bus-off (linux/can/error.h)


@fault("node-dies", must="cycle-time", may="axle-witness link-discharge dry-exposure")
class NodeDies(Fault):
    """The front unit falls silent in the middle of the forward burst and never comes back."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return vehicle.with_unit(replace(vehicle.unit("front"), dies_s=12.5))


@fault("checksum-wrong", must="checksum")
class ChecksumWrong(Fault):
    """Some of the front unit's frames carry a checksum that does not fit their bytes."""

    def damage(self, recording: Recording, script: Script) -> Recording:
        own = np.flatnonzero(recording.of("can1", UNIT_FAST_ID))
        hit = own[500 :: max(round(400 / self.severity), 1)]
        payload = recording.payload.copy()
        payload[hit, 7] ^= 0x5A
        return replace(recording, payload=payload)


@fault("counter-stuck", must="alive-counter")
class CounterStuck(Fault):
    """The rear unit repeats the same counter: its processor hangs while its bus driver runs on."""

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
    """A node on can1 goes off the bus for a moment; the adapter records the error frame."""

    def damage(self, recording: Recording, script: Script) -> Recording:
        at_s = script.spins[0].start_s + 0.4
        row = int(np.searchsorted(recording.since_s(), at_s))
        pick = np.insert(np.arange(len(recording)), row, row)
        out = recording.take(pick)
        can_id, length = out.can_id.copy(), out.length.copy()
        channel, payload = out.channel.copy(), out.payload.copy()
        can_id[row], length[row] = BUS_OFF_ID, 8
        channel[row] = recording.channels.index("can1")
        payload[row] = 0
        return replace(out, can_id=can_id, length=length, channel=channel, payload=payload)


@fault("recording-gap", must="capture-gaps", may="cycle-time")
class RecordingGap(Fault):
    """The recorder missed everything on all buses for a while."""

    def damage(self, recording: Recording, script: Script) -> Recording:
        start_s = script.spins[-1].end_s + 10.0
        since = recording.since_s()
        return recording.take((since < start_s) | (since >= start_s + 0.4 * self.severity))


@fault(
    "clock-step", must="capture-integrity", may="cycle-time capture-gaps", unproven="axle-direction"
)
class ClockStep(Fault):
    """The laptop's clock is set back between the bursts."""

    def damage(self, recording: Recording, script: Script) -> Recording:
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

    def story(self, story: DrySpin) -> DrySpin:
        return replace(story, ends_after_s=74.0)
