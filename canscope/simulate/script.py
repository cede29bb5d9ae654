"""What the driver does: a script of actions, and the inputs that follow from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
NEUTRAL, FORWARD, REVERSE = 0, 1, 2  # raw codes of the direction selector
PEDAL_RAMP_S = 0.25
RETRY_S, RETRY_OPEN_S = 3.5, 0.45  # from one attempt to the next, from closing to giving up
PEDAL_REST = 0.6  # percent, where the pedal comes to rest


@dataclass(frozen=True)
class Action:
    """One thing done at one time; ``what`` is a column of ``Script.inputs``."""

    time_s: float
    what: str  # ignition brake direction power emergency pedal axle
    value: float


@dataclass(frozen=True)
class Spin:
    """One stretch with the pedal down."""

    start_s: float
    end_s: float
    direction: int
    axle: int = 0  # number of the only unit that is asked to turn, from 1; 0: all of them


@dataclass(frozen=True, kw_only=True)
class Script:
    """A sequence of actions; times are seconds from the start of the recording."""

    stage: str
    actions: tuple[Action, ...]
    spins: tuple[Spin, ...] = ()
    hold_s: float = 2.5  # how long the second pole stays closed after the first opened
    positive_first: tuple[bool, ...] = (False,)  # opening order, attempt by attempt
    end_s: float

    def column(self, what: str, time_s: Floats, *, start: float = 0.0) -> Floats:
        """The value of one input at each instant; it holds until the next action on it."""
        own = sorted((a.time_s, a.value) for a in self.actions if a.what == what)
        values = np.array([start, *(value for _, value in own)])
        return values[np.searchsorted([at for at, _ in own], time_s, side="right")]

    def pedal(self, time_s: Floats) -> Floats:
        """Pedal in percent of its travel: ramps down and up, at rest in between."""
        at, percent = [0.0], [PEDAL_REST]
        for action in sorted((a for a in self.actions if a.what == "pedal"), key=_when):
            at += [action.time_s, action.time_s + PEDAL_RAMP_S]
            percent += [percent[-1], max(action.value, PEDAL_REST)]
        return np.interp(time_s, at, percent)

    def inputs(self, time_s: Floats) -> Mapping[str, Floats]:
        """Every input at each instant."""
        words = ("ignition", "brake", "direction", "power", "emergency", "axle")
        return {word: self.column(word, time_s) for word in words} | {"pedal": self.pedal(time_s)}

    def first(self, what: str, value: float, *, after_s: float = 0.0) -> float:
        """When an input first takes a value; infinite if it never does."""
        times = (a.time_s for a in self.actions if (a.what, a.value) == (what, value))
        return min((t for t in times if t >= after_s), default=float("inf"))


def _when(action: Action) -> float:
    return action.time_s


@dataclass(frozen=True, kw_only=True)
class DrySpin:
    """The dry spin: power up, forward, stop, reverse, stop, let the heat soak, open, key off.

    ``burst_s`` is how long the pedal is held; coasting comes on top of it.
    """

    pedal_percent: float = 20.0
    stage: str = "dry-spin"  # wet-spin and unit-alone are driven alike
    burst_s: float = 2.7
    brake_for_reverse: bool = True
    reverse: bool = True
    change_after_s: float | None = None  # reverse so soon after the pedal is released
    brake_in_burst: bool = False  # the brake is pressed while the pedal is still down
    retries: int = 0  # attempts broken off before the one that stays
    positive_first: bool = False
    hold_s: float = 2.5
    pause_s: float = 43.0  # in neutral between the bursts, so that things cool a little
    discharge_wait_s: float = 4.0
    soak_s: float = 64.0
    tail_s: float = 2.2  # recorded after ignition off
    ends_after_s: float = float("inf")  # the recording stops here, whatever happens

    def script(self) -> Script:
        """The actions."""
        acts = [(1.0, "ignition", 1.0), (3.0, "brake", 1.0), (4.0, "power", 1.0)]
        on = 4.0 + RETRY_S * self.retries
        for number in range(self.retries):
            off = 4.0 + RETRY_S * number + RETRY_OPEN_S
            acts += [(off, "power", 0.0), (4.0 + RETRY_S * (number + 1), "power", 1.0)]
        acts += [(on + 5.0, "direction", FORWARD), (on + 6.0, "brake", 0.0)]
        spins = [Spin(on + 7.0, on + 7.0 + self.burst_s, FORWARD)]
        if self.brake_in_burst:
            acts += [(spins[0].start_s + 1.2, "brake", 1.0), (spins[0].end_s + 0.5, "brake", 0.0)]
        stopped = spins[0].end_s + 3.0  # coasting takes little more than one second
        if self.change_after_s is not None:
            stopped = spins[0].end_s + self.change_after_s
            acts += [(stopped - 0.01, "brake", 1.0), (stopped, "direction", REVERSE)]
            stopped += 3.0
        acts += [(stopped, "brake", 1.0), (stopped + 0.8, "direction", NEUTRAL)]
        last = stopped
        if self.reverse:
            last, more = self._reverse(stopped)
            acts += more
            spins.append(Spin(last - 3.0 - self.burst_s, last - 3.0, REVERSE))
        for spin in spins:
            acts += [(spin.start_s, "pedal", self.pedal_percent), (spin.end_s, "pedal", 0.0)]
        opening = last + self.soak_s
        off = opening + self.hold_s + self.discharge_wait_s
        acts += [(last + 4.0, "brake", 0.0), (opening, "power", 0.0), (off, "ignition", 0.0)]
        return Script(
            stage=self.stage,
            actions=tuple(Action(*act) for act in acts),
            spins=tuple(spins),
            hold_s=self.hold_s,
            positive_first=(self.positive_first,),
            end_s=min(off + self.tail_s, self.ends_after_s),
        )

    def _reverse(self, stopped_s: float) -> tuple[float, list[tuple[float, str, float]]]:
        """The second half: when it has stopped again, and the actions on the way."""
        enter = stopped_s + self.pause_s
        acts = [(enter, "direction", float(REVERSE)), (enter + 1.0, "brake", 0.0)]
        if not self.brake_for_reverse:
            acts[1] = (enter - 1.5, "brake", 0.0)
        stopped_again = enter + 2.0 + self.burst_s + 3.0
        acts += [(stopped_again, "brake", 1.0), (stopped_again + 0.8, "direction", NEUTRAL)]
        return stopped_again, acts


@dataclass(frozen=True, kw_only=True)
class PowerUp:
    """Power-up without spinning: three attempts, opened in both orders and by emergency stop."""

    closed_s: float = 34.0  # long enough for the insulation monitor to settle
    hold_s: float = 2.5
    discharge_wait_s: float = 5.0
    tail_s: float = 2.2

    def script(self) -> Script:
        """The actions."""
        acts: list[tuple[float, str, float]] = [(1.0, "ignition", 1.0), (3.0, "brake", 1.0)]
        start = 4.0
        for length in (self.closed_s, 6.0):
            acts += [(start, "power", 1.0), (start + length, "power", 0.0)]
            start += length + self.hold_s + self.discharge_wait_s
        stop = start + 6.0
        over = stop + self.discharge_wait_s - 1.0
        acts += [(start, "power", 1.0), (stop, "emergency", 1.0), (over, "power", 0.0)]
        acts += [(over, "emergency", 0.0), (over + 2.0, "ignition", 0.0)]
        return Script(
            stage="power-up",
            actions=tuple(Action(*act) for act in acts),
            hold_s=self.hold_s,
            positive_first=(False, True, False),
            end_s=over + 2.0 + self.tail_s,
        )


@dataclass(frozen=True, kw_only=True)
class AxleByAxle:
    """Each axle turns by itself in each direction, so that a person can tell them apart."""

    stage: str = "dry-spin"
    pedal_percent: float = 20.0
    burst_s: float = 2.7
    pause_s: float = 33.0  # longer than a mark may lie after the burst that it belongs to
    discharge_wait_s: float = 4.0
    soak_s: float = 64.0

    def script(self) -> Script:
        """The actions."""
        acts = [(1.0, "ignition", 1.0), (3.0, "brake", 1.0), (4.0, "power", 1.0)]
        spins = []
        at = 9.0
        for axle, direction in ((1, FORWARD), (2, FORWARD), (1, REVERSE), (2, REVERSE)):
            spin = Spin(at + 2.0, at + 2.0 + self.burst_s, direction, axle)
            acts += [(at, "direction", direction), (at, "axle", axle), (at + 1.0, "brake", 0.0)]
            acts += [(spin.start_s, "pedal", self.pedal_percent), (spin.end_s, "pedal", 0.0)]
            acts += [(spin.end_s + 3.0, "brake", 1.0), (spin.end_s + 3.8, "direction", NEUTRAL)]
            spins.append(spin)
            at = spin.end_s + 3.0 + self.pause_s
        opening = spins[-1].end_s + self.soak_s
        off = opening + 2.5 + self.discharge_wait_s
        acts += [(opening, "power", 0.0), (off, "ignition", 0.0)]
        return Script(
            stage=self.stage,
            actions=tuple(Action(*act) for act in acts),
            spins=tuple(spins),
            end_s=off + 2.2,
        )


Story = DrySpin | PowerUp | AxleByAxle
