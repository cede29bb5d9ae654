"""What can be made to lie, and how: changes of a healthy run's readings or of its recording.

A reading is a column with a row a millisecond, in the signal's own unit, before noise and rounding.
A recording is frames. Every lie states what it did in words, so that a pass can be explained.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.ndimage import minimum_filter1d

from canscope.simulate.messages import all_messages, cycle_s, step_of
from canscope.simulate.physics import Truth
from canscope.simulate.recording import Recording
from canscope.simulate.script import Script
from canscope.simulate.sensors import Readings
from canscope.simulate.vehicle import Vehicle

STATES = (
    "NegativeClosed", "PrechargeClosed", "PositiveClosed", "NegativeCommand", "PrechargeCommand",
    "PositiveCommand", "Ignition", "BrakePressed", "EmergencyStop", "Direction",
)  # fmt: skip
INPUTS = ("Ignition", "BrakePressed", "EmergencyStop", "Direction")
HARDLY_K = 4.0  # a dozen times the noise of two temperatures
FEW_STEPS = 3.0  # that a repeated value may hide of a reading
COUNTED = ("Alive", "Checksum", "Fault")  # computed by the node, or a code
# Numbers that one mistake in a definition changes alike.
GROUPS = {
    "all voltages": ("PackVoltage", "LinkVoltage"),
    "all speeds": ("MotorSpeed",),
    "all torques": ("Torque",),
    "all temperatures": ("InverterTemp", "WindingTemp"),
}


@dataclass(eq=False)
class Told:
    """A run while it is being made to lie."""

    vehicle: Vehicle
    script: Script
    truth: Truth
    seen: Readings
    rng: np.random.Generator
    later: list[Callable[[Recording], Recording]] = field(default_factory=list)
    about: tuple[str, ...] = ()  # names of the signals to choose from; none: all

    @property
    def rows(self) -> int:
        """Milliseconds."""
        return len(self.truth.time_s)

    def keys(self, *names: str) -> list[str]:
        """Keys of the signals with one of these names that the vehicle sends."""
        every = (m for own in all_messages(self.vehicle).values() for m in own)
        sent = [spec.key for message in every for spec in message.signals]
        return [k for k in sent if k in self.seen and (not names or _name(k) in names)]

    def numbers(self) -> list[str]:
        """Keys of what is measured."""
        return self._chosen(k for k in self.keys() if _name(k) not in (*STATES, *COUNTED))

    def states(self) -> list[str]:
        """Keys of what is on or off, or requested."""
        return self._chosen(self.keys(*STATES))

    def _chosen(self, keys: Iterable[str]) -> list[str]:
        """Those that this campaign is about; all of them where it names none of these."""
        every = list(keys)
        return [key for key in every if _name(key) in self.about] or every

    def put(self, key: str, column: np.ndarray, rows: slice = slice(None), *, still: bool = False):
        """Change a reading in these rows; ``still`` takes its noise away from there on."""
        self.seen[key] = self.seen[key].copy()
        self.seen[key][rows] = column
        if still:
            self.seen.still[key] = rows.start or 0

    def turning(self) -> np.ndarray:
        """Rows in which a unit turns."""
        speeds = [np.abs(column) for column in self.truth.speed_rpm.values()]
        return np.max(speeds, axis=0) > 50

    def dead(self) -> np.ndarray:
        """Rows in which all contactors are open and the link is below 60 V."""
        poles = np.max(list(self.truth.closed.values()), axis=0) > 0
        return ~poles & (self.truth.link_V < 60)

    def asleep(self) -> np.ndarray:
        """Rows of those in which the key is off as well: nodes may have fallen asleep."""
        return self.dead() & (self.truth.inputs["ignition"] == 0)

    def closed(self) -> np.ndarray:
        """Rows in which both main contactors are closed."""
        return (self.truth.closed["negative"] > 0) & (self.truth.closed["positive"] > 0)


def _name(key: str) -> str:
    return key.rpartition(".")[2]


@dataclass(frozen=True)
class Lie:
    """What was done: its kind, what it is about, and the particulars in words."""

    kind: str
    about: str
    words: str
    keys: tuple[str, ...] = ()  # the signals that it changed alike, if it was signals
    size: float | None = None  # a factor, or an offset in the signal's own unit

    def __str__(self) -> str:
        return f"{self.kind} {self.about}: {self.words}"


Maker = Callable[[Told], Lie | None]
KINDS: dict[str, Maker] = {}


def kind(name: str) -> Callable[[Maker], Maker]:
    """Enter a way of lying under its name; it answers None where a run has nothing for it."""

    def enter(maker: Maker) -> Maker:
        KINDS[name] = maker
        return maker

    return enter


# Identity: whose word it is.


@kind("same-bus")
def same_bus(told: Told) -> Lie | None:
    """A second adapter hears the first unit's bus again."""
    if len(told.vehicle.units) < 2:
        return None
    one, two = told.vehicle.units[0].channel, told.vehicle.units[1].channel
    if told.rng.random() < 0.5:
        one, two = two, one
    delay_us = int(told.rng.choice([0, 40, 900, 20_000]))
    same_ids = {m.can_id for m in all_messages(told.vehicle)[one]} == {
        m.can_id for m in all_messages(told.vehicle)[two]
    }
    if not same_ids:
        return None

    def again(recording: Recording) -> Recording:
        heard = recording.take(recording.of(one))
        code = recording.channels.index(two)
        copy = replace(heard, time_us=heard.time_us + delay_us, channel=np.full(len(heard), code))
        return joined(recording.take(~recording.of(two)), copy)

    told.later.append(again)
    return Lie("same-bus", two, f"is {one} again, {delay_us / 1000:g} ms later")


@kind("same-sensor")
def same_sensor(told: Told) -> Lie | None:
    """Two signals of one kind show what one sensor measures."""
    names = [n for n in ("MotorSpeed", "Torque", "LinkVoltage") if len(told.keys(n)) > 1]
    pairs = [tuple(told.keys(name)[:2]) for name in names]
    temps = told.keys("InverterTemp", "WindingTemp")
    pairs += [(a, b) for a in temps for b in temps if a != b]
    if not pairs:
        return None
    one, two = pairs[told.rng.integers(len(pairs))]
    about = two
    if "Temp" in two:
        way_K = float(np.ptp(told.seen[one]))
        steps = way_K / max(step_of(told.vehicle, key) for key in (one, two))
        about = f"hardly moving {two}" if steps < 8 or way_K < HARDLY_K else two
        about = f"twin {two}" if _name(one) == _name(two) else about
    told.put(two, told.seen[one])
    return Lie("same-sensor", about, f"shows {one}", (two,))


@kind("exchanged")
def exchanged(told: Told) -> Lie | None:
    """The buses of the two units are exchanged."""
    if len(told.vehicle.units) < 2:
        return None
    one, two = (unit.channel for unit in told.vehicle.units[:2])

    def swap(recording: Recording) -> Recording:
        codes = recording.channels.index(one), recording.channels.index(two)
        turned = recording.channel.copy()
        turned[recording.channel == codes[0]] = codes[1]
        turned[recording.channel == codes[1]] = codes[0]
        return replace(recording, channel=turned)

    told.later.append(swap)
    signs = {told.truth.raw_sign[unit.name] for unit in told.vehicle.units[:2]}
    alike = " alike" if len(signs) == 1 or not told.script.spins else ""
    return Lie("exchanged", f"{one} and {two}{alike}", "each bears the other's name")


# Loss, delay, a late start, an early end.


@kind("loss")
def loss(told: Told) -> Lie | None:
    """Frames are missing: one in so many, of one bus or of all."""
    every = int(told.rng.choice([2, 3, 5, 10, 40, 320]))
    channel = str(told.rng.choice(["all", *all_messages(told.vehicle)]))
    regular = bool(told.rng.random() < 0.5)
    dice = np.random.default_rng(int(told.rng.integers(1 << 30)))

    def lose(recording: Recording) -> Recording:
        mine = np.ones(len(recording), bool) if channel == "all" else recording.of(channel)
        number = np.cumsum(mine)
        lost = number % every == 0 if regular else dice.random(len(recording)) < 1 / every
        return recording.take(~(mine & lost))

    told.later.append(lose)
    return Lie("loss", channel, f"one frame in {every} missing{'' if regular else ', at random'}")


@kind("message-loss")
def message_loss(told: Told) -> Lie | None:
    """Every second or third frame of one message is missing."""
    channel, own = any_of(told, list(all_messages(told.vehicle).items()))
    message = own[told.rng.integers(len(own))]
    every = int(told.rng.choice([2, 3]))

    def lose(recording: Recording) -> Recording:
        mine = recording.of(channel, message.can_id)
        return recording.take(~(mine & (np.cumsum(mine) % every != 0)))

    told.later.append(lose)
    return Lie("message-loss", message.key, f"only one frame in {every} is there")


@kind("delay")
def delay(told: Told) -> Lie | None:
    """A bus, or one signal, is late."""
    ms = int(told.rng.choice([150, 300, 700, 2000]))
    if told.rng.random() < 0.4:
        channel = any_of(told, list(all_messages(told.vehicle)))

        def late(recording: Recording) -> Recording:
            mine = recording.of(channel)
            moved = np.where(mine, recording.time_us + ms * 1000, recording.time_us)
            return joined(replace(recording, time_us=moved))

        told.later.append(late)
        return Lie("delay", channel, f"stamped {ms} ms late")
    key = any_of(told, told.numbers() + told.states())
    column = told.seen[key]
    told.put(key, np.concatenate((np.full(ms, column[0]), column[:-ms])))
    if _name(key) == "Torque":
        return late_torque(told, key, ms)
    every_ms = 1000 * cycle_s(told.vehicle, key)
    if _name(key) == "ControlVoltage" and every_ms >= 50 and ms <= 1500:
        return Lie("late-dips", key, f"{ms} ms late", (key,), every_ms)
    return Lie("delay", key, f"{ms} ms late", (key,), ms / 1000)


def late_torque(told: Told, key: str, ms: int) -> Lie:
    """What is said of a torque that is late: its size is what the unit gains until then, in rpm."""
    unit = next(u.name for u in told.vehicle.units if u.channel == key.partition(":")[0])
    rpm = np.abs(told.truth.speed_rpm[unit])
    gained = float(rpm[ms:][rpm[:-ms] < 1].max(initial=0.0))
    words = f"{ms} ms late, in which the unit gains up to {gained:.0f} rpm"
    return Lie("delay", key, words, (key,), gained if ms <= 300 else np.inf)


@kind("late-start")
def late_start(told: Told) -> Lie | None:
    """One bus, or the whole recording, begins later."""
    until_s = float(told.rng.uniform(4.3, 20))  # before negative closes, nothing is missing
    channel = str(told.rng.choice(["all", *all_messages(told.vehicle)]))

    def cut(recording: Recording) -> Recording:
        mine = np.ones(len(recording), bool) if channel == "all" else recording.of(channel)
        return recording.take(~mine | (recording.since_s() >= until_s))

    told.later.append(cut)
    return Lie("late-start", channel, f"begins at {until_s:.1f} s")


@kind("early-end")
def early_end(told: Told) -> Lie | None:
    """One bus, or the whole recording, ends too soon."""
    share = float(told.rng.uniform(0.3, 0.97))
    channel = str(told.rng.choice(["all", *all_messages(told.vehicle)]))

    def cut(recording: Recording) -> Recording:
        mine = np.ones(len(recording), bool) if channel == "all" else recording.of(channel)
        return recording.take(~mine | (recording.since_s() < share * told.script.end_s))

    told.later.append(cut)
    missing_s = (1 - share) * told.script.end_s
    row = round(share * told.script.end_s * 1000)
    poles = max(float(column[row:].max()) for column in told.truth.closed.values())
    # Nodes may sleep by then: they need no key-off for it.
    resting = not poles and float(told.truth.link_V[row]) < 60
    words = f"ends at {share:.0%} of the run, {missing_s:.1f} s early"
    if resting and channel == "all":
        return Lie("early-end", "all, after it had discharged,", words)
    return Lie("early-end", channel, words, size=missing_s if resting else np.inf)


# What a sensor says.


@kind("scale")
def scale(told: Told) -> Lie | None:
    """A wrong factor: of one signal, or of all that one mistake changes."""
    factor = float(told.rng.choice([0.1, 0.25, 0.5, 0.75, 1.33, 2.0, 9.55, 0.105]))
    about, keys = _signals(told)
    cold = max((float(told.seen[key][0]) for key in keys), key=abs)
    for key in keys:
        told.put(key, told.seen[key] * factor)
    if all("Temp" in key for key in keys):  # its size: by how much it moves a cold one
        moves = (factor - 1) * cold
        return Lie("warm-scale", about, f"times {factor:g}", tuple(keys), moves)
    return Lie("scale", about, f"times {factor:g}", tuple(keys), factor)


@kind("offset")
def offset(told: Told) -> Lie | None:
    """A wrong offset: forgotten or applied twice."""
    about, keys = _signals(told)
    span = max(float(np.ptp(told.seen[key])) for key in keys)
    size = float(told.rng.choice([-40, 40, 32])) if "Temp" in keys[0] else span * 0.3
    size *= 1 if "Temp" in keys[0] else float(told.rng.choice([-1, 1]))
    if not size:
        return None
    for key in keys:
        told.put(key, told.seen[key] + size)
    return Lie("offset", about, f"{size:+.4g}", tuple(keys), size)


@kind("fahrenheit")
def fahrenheit(told: Told) -> Lie | None:
    """Temperatures in another unit than the definition says."""
    keys = told.keys("InverterTemp", "WindingTemp")
    for key in keys:
        told.put(key, told.seen[key] * 1.8 + 32)
    return Lie("fahrenheit", "all temperatures", "degF called degC", tuple(keys)) if keys else None


@kind("sign")
def sign(told: Told) -> Lie | None:
    """A wrong sign: of one signal, or of all of its kind."""
    names = [("MotorSpeed",), ("Torque",), ("PackCurrent",), ("MotorSpeed", "Torque")]
    keys = told.keys(*names[told.rng.integers(len(names))])
    if told.rng.random() < 0.6 and len(keys) > 1:
        keys = [any_of(told, keys)]
    for key in keys:
        told.put(key, -told.seen[key])
    return Lie("sign", ", ".join(keys), "inverted", tuple(keys)) if keys else None


@kind("freeze")
def freeze(told: Told) -> Lie | None:
    """A sensor stops at what it said last: from the start, some time, or for a spell."""
    key, (rows, when) = any_of(told, told.numbers() + told.states()), _spell(told)
    name, size = _of_a_stop(told, key, rows) or ("freeze", None)
    told.put(key, told.seen[key][rows.start], rows, still=rows.stop == told.rows)
    return Lie(name, key, f"stands still {when}", (key,), size)


@kind("dither")
def dither(told: Told) -> Lie | None:
    """A sensor is dead but flickers by a step."""
    key, (rows, when) = any_of(told, told.numbers()), _spell(told)
    level, step = told.seen[key][rows.start], step_of(told.vehicle, key)
    if lasting(np.abs(told.seen[key][rows] - level), 100) < 2 * step:
        return None  # one that lives and rests says the same
    name, size = _of_a_stop(told, key, rows) or ("dither", None)
    told.put(key, level + step * told.rng.integers(-1, 2, rows.stop - rows.start), rows)
    return Lie(name, key, f"flickers about one value {when}", (key,), size)


def _of_a_stop(told: Told, key: str, rows: slice) -> tuple[str, float | None] | None:
    """What a stop of the 12 V, the insulation monitor or an input is called, and its size.

    Of the monitor that is how long after a closing it ends. ``told`` does not stop yet.
    """
    if _name(key) in INPUTS:
        return _of_an_input(told, key, rows)
    if _name(key) == "ControlVoltage":
        by_s = falls_late_s(told, key, rows)
        return None if by_s is None else ("falls-late", by_s)
    if _name(key) != "Resistance":
        return None
    closed = told.closed()[rows]
    if rows.stop < told.rows and closed[-1] and not closed.all():
        return "insulation-settles", float(len(closed) - 1 - np.flatnonzero(~closed)[-1]) / 1000
    return ("insulation-stops", None) if measured(told, key, rows.start) else None


def _of_an_input(told: Told, key: str, rows: slice) -> tuple[str, float | None] | None:
    """What a stop of a key, a lever or a brake is called that hides one change, or the end."""
    if repeats_at_rest(told, key, told.seen[key][rows.start], rows):
        return "inputs-repeat", None
    by_s = late_s(told, key, rows)
    return ("delay", by_s) if np.isfinite(by_s) else None


def repeats_at_rest(told: Told, key: str, shown: np.ndarray, rows: slice) -> bool:
    """Whether a lever or key hides only what follows the last release of the pedal."""
    hides = np.flatnonzero(told.seen[key][rows] != shown) + rows.start
    pedals = told.keys("Pedal", "Pedal2")
    at_rest = len(hides) and all((told.seen[pedal][hides[0] :] < 3).all() for pedal in pedals)
    return bool(at_rest and pedals and _name(key) != "BrakePressed")


def late_s(told: Told, key: str, rows: slice) -> float:
    """How long a reading is repeated after it moved; for ever, if it moved and came back."""
    column, least = told.seen[key], FEW_STEPS * granule(told, key)
    moved = np.abs(column[rows] - column[rows.start]) > least
    late = int(moved.sum())
    to_the_end = late and moved[-late:].all() and rows.stop < told.rows
    return late / 1000 if to_the_end else float("inf")


def falls_late_s(told: Told, key: str, rows: slice) -> float | None:
    """How long after all contactors opened a level is still repeated, if that hides no more."""
    hidden = np.abs(told.seen[key][rows] - told.seen[key][rows.start]) > 3 * granule(told, key)
    at = np.flatnonzero(hidden) + rows.start
    any_closed = np.flatnonzero(np.max(list(told.truth.closed.values()), axis=0)[: rows.stop])
    all_closed = np.flatnonzero(told.closed()[: rows.stop])
    if not len(at) or not len(all_closed) or at[0] < all_closed[-1]:
        return None
    return max(0.0, float(at[-1] - any_closed[-1]) / 1000)


def granule(told: Told, key: str) -> float:
    """What counts as one step of a reading: a state's change, a kelvin at least."""
    if key.rpartition(".")[2] in STATES:
        return 0.1
    return max(step_of(told.vehicle, key), 1.0 if "Temp" in key else 0.0)


def as_asked(shown: np.ndarray, torque: np.ndarray) -> bool:
    """Whether a torque differs for long by no more than those of two units with one request do."""
    return lasting(np.abs(shown - torque), 100) <= 0.3 * float(np.abs(torque).max())


def measured(told: Told, key: str, row: int) -> bool:
    """Whether it is the insulation monitor, and has settled on what it reads when all is closed.

    Which it has after 5 s, or once it reads what it reads last before they open.
    """
    if _name(key) != "Resistance":
        return False
    closed, column = told.closed(), told.seen[key]
    seen = np.cumsum(closed[:row])
    if (seen[5000:] - seen[:-5000] == 5000).any():
        return True
    last = np.flatnonzero(closed)[-1:]
    if not closed[max(row - 1000, 0) : row + 1].all() or not len(last):
        return False
    return bool(abs(column[row] / column[last[0]] - 1) <= 0.02)


@kind("constant")
def constant(told: Told) -> Lie | None:
    """A sensor that always shows one good-looking value."""
    key = any_of(told, told.numbers())
    busy = told.turning() if told.turning().any() else told.closed()
    level = float(np.median(told.seen[key][busy]))
    told.put(key, np.full(told.rows, level), still=True)
    return Lie("constant", key, f"always {level:.4g}", (key,))


@kind("stuck-state")
def stuck_state(told: Told) -> Lie | None:
    """A state that always reads the same, or has two values exchanged."""
    key = any_of(told, told.states())
    column = told.seen[key]
    if told.rng.random() < 0.3 and _name(key) != "Direction":
        told.put(key, 1 - column)
        return Lie("stuck-state", key, "exchanged", (key,))
    level = float(any_of(told, sorted(set(column.tolist()))))
    told.put(key, np.full(told.rows, level), still=True)
    name = "pole-stuck" if "ContactorBox" in key else "stuck-state"
    return Lie(name, key, f"always {level:g}", (key,))


@kind("echo")
def echo(told: Told) -> Lie | None:
    """A contactor's state is only its command again."""
    sent = set(told.keys())  # where no command is sent, nothing shows that it is one
    pairs = [
        (key, key.replace("Closed", "Command"))
        for key in told.keys("NegativeClosed", "PrechargeClosed", "PositiveClosed")
        if key.replace("Closed", "Command") in sent
    ]
    if not pairs:
        return None
    some = pairs if told.rng.random() < 0.5 else [any_of(told, pairs)]
    for state, command in some:
        told.put(state, told.seen[command])
    keys = tuple(state for state, _ in some)
    cycle_ms = 1000 * cycle_s(told.vehicle, keys[0])
    return Lie("state-echo", ", ".join(keys), "the command again", keys, cycle_ms)


@kind("absent")
def absent(told: Told) -> Lie | None:
    """Readings at the end of their range, or zero, just while a unit turns or poles are closed."""
    key = any_of(told, told.numbers())
    mine = told.turning() if told.rng.random() < 0.6 else told.closed()
    level = float(any_of(told, [0.0, 1e9, -1e9]))
    if not mine.any():
        return None
    size = None if level else float(np.abs(told.seen[key][mine]).max())  # of what is hidden
    told.put(key, np.where(mine, level, told.seen[key]))
    words = f"{'zero' if not level else 'at its end'} while it matters"
    return Lie("absent", key, words, (key,), None if "Temp" in key else size)


# What really happens, and nobody asked for.


@kind("event")
def event(told: Told) -> Lie | None:
    """Something that must not happen, for a moment or for long, at any time of the run."""
    rows, when = _moment(told)
    happens: list[tuple[str, tuple[str, ...], float]] = [
        ("12 V at 8 V", ("ControlVoltage",), 8.0),
        ("12 V at 17 V", ("ControlVoltage",), 17.0),
        ("the link at 350 V", ("LinkVoltage",), 350.0),
        ("link and pack above their maximum", ("LinkVoltage", "PackVoltage"), 450.0),
        ("the pack at half its voltage", ("PackVoltage", "LinkVoltage"), 180.0),
        ("25 A from the pack", ("PackCurrent",), 25.0),
        ("45 A from the pack", ("PackCurrent",), 45.0),
        ("a unit turns at 180 rpm", ("MotorSpeed",), 180.0),
        ("a unit turns at -180 rpm", ("MotorSpeed",), -180.0),
        ("the insulation at 20 kohm", ("Resistance",), 20.0),
        ("a winding at 150 degC", ("WindingTemp",), 150.0),
        ("the stop button pressed", ("EmergencyStop",), 1.0),
    ]
    words, names, level = happens[told.rng.integers(len(happens))]
    keys = [key for name in names for key in told.keys(name)]
    if "unit" in words or words.startswith("a winding"):
        keys = keys and [any_of(told, keys)]
    longest_s = max((cycle_s(told.vehicle, key) for key in keys), default=np.inf)
    if rows.stop - rows.start < 2200 * longest_s:  # too short for the signal to show it
        return None
    if words.startswith("the stop") and not told.closed()[rows].any():
        return None  # with all contactors open there is nothing that it has to open
    if words.startswith("25 A") and rows.stop - rows.start < 100:
        return None  # less than any ceiling, for less than what a peak between two readings lasts
    if words.startswith("a unit") and told.dead()[rows].all():
        return None  # a hand does that, and the first screen tells of it
    for key in keys:
        told.put(key, np.full(rows.stop - rows.start, level), rows)
    open_ = np.flatnonzero(~told.closed()[: rows.start])
    if words.startswith("25 A") and told.closed()[rows].all() and len(open_):
        since_s = (rows.start - int(open_[-1])) / 1000
        return Lie("idle-current", keys[0], f"{words} {when}", tuple(keys), since_s)
    if told.asleep()[rows].all() and {_name(key) for key in keys} <= {"PackVoltage", "LinkVoltage"}:
        return Lie("after-key-off", ", ".join(keys), f"{words} {when}", tuple(keys))
    # A link that leaps as nothing real can is not believed, which may be all that is told.
    mine = tuple(keys) if words == "the link at 350 V" else ()
    return Lie("event", ", ".join(keys), f"{words} {when}", mine)


@kind("creeps")
def creeps(told: Told) -> Lie | None:
    """A unit goes on turning, or speeds up by itself, after the pedal was released."""
    if not told.script.spins:
        return None
    spin = any_of(told, list(told.script.spins))
    key = any_of(told, told.keys("MotorSpeed"))
    rows = slice(round(spin.end_s * 1000), round(spin.end_s * 1000) + 2500)
    before = told.seen[key][rows.start - 50]
    gain = float(told.rng.choice([0.6, 1.0, 1.5]))
    told.put(key, np.linspace(before, before * gain, rows.stop - rows.start), rows)
    return Lie("creeps", key, f"for 2.5 s after release to {gain:g} of its speed")


def any_of(told: Told, among: list):
    """One of these, by the lie's own dice."""
    return among[told.rng.integers(len(among))]


def _signals(told: Told) -> tuple[str, list[str]]:
    """One signal, or all that one mistake in a definition changes."""
    if told.rng.random() < 0.5:
        group = str(any_of(told, list(GROUPS)))
        keys = told.keys(*GROUPS[group])
        if keys and (not told.about or set(GROUPS[group]) <= set(told.about)):
            return group, keys
    key = any_of(told, told.numbers())
    return key, [key]


def _spell(told: Told) -> tuple[slice, str]:
    """From the start, from some time on, or for some seconds."""
    how = told.rng.integers(4)
    if how == 0:
        return slice(0, told.rows), "from the start"
    turning = np.flatnonzero(told.turning())
    if how == 1 and len(turning):
        return slice(int(turning[0]) - 200, told.rows), "from the first burst on"
    at = int(told.rng.integers(2000, told.rows - 3000))
    if how == 2:
        return slice(at, told.rows), f"from {at / 1000:.1f} s on"
    length = int(told.rng.integers(1500, 12_000))
    return slice(
        at, min(at + length, told.rows)
    ), f"for {length / 1000:.1f} s from {at / 1000:.1f} s"


def _moment(told: Told) -> tuple[slice, str]:
    length = int(told.rng.choice([60, 400, 2000, 6000]))
    at = int(told.rng.integers(1500, told.rows - length - 1500))
    return slice(at, at + length), f"for {length} ms at {at / 1000:.1f} s"


def joined(*parts: Recording) -> Recording:
    """Frames together, in the order of their stamps."""
    columns = ("time_us", "channel", "can_id", "length", "payload")
    whole = {name: np.concatenate([getattr(part, name) for part in parts]) for name in columns}
    order = np.argsort(whole["time_us"], kind="stable")
    return replace(parts[0], **{name: column[order] for name, column in whole.items()})


def bridged(told: Told, off: np.ndarray) -> bool:
    """Whether positive is closed whenever a state of pre-charge is off."""
    return bool((told.truth.closed["positive"][off] > 0).all())


def lasting(off: np.ndarray, ms: int) -> float:
    """By how much a reading is off for so long at least."""
    return float(minimum_filter1d(off, ms).max())
