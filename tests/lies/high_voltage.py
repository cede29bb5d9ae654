"""High voltage and its feedback: states, links, pack, 12 V, stop button, insulation monitor.

Each is a likely mistake of a definition, of a gateway or of a sensor, on a run that went well.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import minimum_filter1d

from canscope.simulate.messages import cycle_s, step_of
from canscope.simulate.sensors import commanded, trailing_mean
from tests.lies.lies import Lie, Told, any_of, kind

CLOSED = ("NegativeClosed", "PrechargeClosed", "PositiveClosed")
MAINS = ("NegativeClosed", "PositiveClosed")
NEGATIVE = "can0:ContactorBox.NegativeClosed"


def _late(column: np.ndarray, ms: int) -> np.ndarray:
    """A column so much later; earlier if ``ms`` is negative."""
    if ms < 0:
        return np.concatenate((column[-ms:], np.full(-ms, column[-1])))
    return np.concatenate((np.full(ms, column[0]), column[: len(column) - ms]))


def _really(told: Told) -> None:
    """Count the lie though it differs by less than 50 ms."""
    told.later.append(lambda recording: recording)


def _shut(told: Told) -> np.ndarray:
    """Rows in which any pole is closed."""
    return np.max(list(told.truth.closed.values()), axis=0) > 0


def _edges(told: Told, column: np.ndarray | None = None) -> tuple[int, int]:
    """Rows of the first closing and of the last opening, of that state or of any pole."""
    rows = np.flatnonzero(_shut(told) if column is None else column)
    return int(rows[0]), int(rows[-1])


@kind("late-feedback")
def late_feedback(told: Told) -> Lie | None:
    """One reading comes 60 to 200 ms after what it shows."""
    ms = int(told.rng.integers(60, 201))
    groups = [[key] for key in told.keys(*CLOSED)]
    groups += [told.keys("LinkVoltage"), told.keys("LinkVoltage")[:1], told.keys("PackVoltage")]
    groups += [told.keys("PackCurrent"), told.keys("PackVoltage", "PackCurrent")]
    keys = any_of(told, groups)
    for key in keys:
        told.put(key, _late(told.seen[key], ms))
    return Lie("late-feedback", ", ".join(keys), f"{ms} ms late", tuple(keys), float(ms))


@kind("state-echo")
def state_echo(told: Told) -> Lie | None:
    """Contactor states are what was asked for, whether the command itself is sent or not."""
    keys = told.keys(*CLOSED)
    some = keys if told.rng.random() < 0.5 else [any_of(told, keys)]
    for key in some:
        pole = key.rpartition(".")[2].removesuffix("Closed").lower()
        told.put(key, commanded(told.truth.closed[pole], told.vehicle.box))
    _really(told)
    sent = told.keys(*(key.rpartition(".")[2].replace("Closed", "Command") for key in keys))
    cycle_ms = 1000 * cycle_s(told.vehicle, keys[0]) if sent else float("inf")
    return Lie("state-echo", ", ".join(some), "what was asked for", tuple(some), cycle_ms)


@kind("state-early")
def state_early(told: Told) -> Lie | None:
    """A pole reads closed before it closes, or open before it opens."""
    key, ms = any_of(told, told.keys(*CLOSED)), int(told.rng.choice([80, 150, 400]))
    told.put(key, _late(told.seen[key], -ms))
    return Lie("state-early", key, f"{ms} ms early", (key,))


@kind("state-freezes")
def state_freezes(told: Told) -> Lie | None:
    """A pole's state stands still from the first burst on, or from some time with it closed."""
    key = any_of(told, told.keys(*MAINS))
    turning, (first, last) = np.flatnonzero(told.turning()), _edges(told)
    at = int(told.rng.integers(first + 3000, last - 1000))
    at = int(turning[0]) if len(turning) and told.rng.random() < 0.6 else at
    told.put(key, told.seen[key][at], slice(at, told.rows), still=True)
    return Lie("state-freezes", key, f"from {at / 1000:.1f} s on", (key,))


@kind("states-exchanged")
def states_exchanged(told: Told) -> Lie | None:
    """Two poles show each other's state, or one is inverted."""
    keys = told.keys(*CLOSED)
    one, two = (keys[i] for i in told.rng.choice(3, 2, replace=False).tolist())
    if told.rng.random() < 0.3:
        told.put(one, 1 - told.seen[one])
        return Lie("states-exchanged", one, "inverted", (one,))
    first, second = told.seen[one], told.seen[two]
    told.put(one, second)
    told.put(two, first)
    return Lie("states-exchanged", f"{one} and {two}", "each is the other", (one, two))


@kind("state-gap")
def state_gap(told: Told) -> Lie | None:
    """A main pole reads open for a moment in which nothing opens, or closed while all is open."""
    key, (first, last) = any_of(told, told.keys(*MAINS)), _edges(told)
    length = max(int(told.rng.choice([100, 400, 2500])), round(2200 * cycle_s(told.vehicle, key)))
    if told.rng.random() < 0.6:
        at, level = int(told.rng.integers(first + 2500, last - length - 500)), 0.0
        if not told.seen[key][at : at + length].all():
            return None
    else:
        at, level = max(first - 1200 - length, 2400), 1.0
    if told.seen[key][at] == level or (at + length >= first and level):
        return None
    told.put(key, np.full(length, level), slice(at, at + length))
    commanded = bool(told.keys(key.rpartition(".")[2].replace("Closed", "Command")))
    other = next(k for k in told.keys(*MAINS) if k != key)
    alone = not told.seen[other][at : at + length].any()
    name = "state-alone" if alone and not commanded else "state-gap"
    keys = (key,) if alone else ()
    return Lie(name, key, f"reads {level:g} for {length} ms at {at / 1000:.1f} s", keys)


@kind("pack-lost")
def pack_lost(told: Told) -> Lie | None:
    """The pack's voltage collapses, or goes too high, at any time."""
    key, (first, last) = told.keys("PackVoltage")[0], _edges(told)
    times = {
        "with poles open": first - 900,
        "in pre-charge": int(np.argmax(told.truth.closed["precharge"] > 0)) + 20,
        "at rest before the first burst": first + 3300,
        "after opening": last + 400,
    }
    when = any_of(told, list(times))
    high = told.rng.random() < 0.4
    level = told.vehicle.pack.maximum_V * 1.05 if high else 0.5 * told.truth.pack_V[0]
    length = max(int(told.rng.choice([50, 300])), round(2200 * cycle_s(told.vehicle, key)))
    told.put(key, np.full(length, level), slice(times[when], times[when] + length))
    _really(told)
    return Lie("pack-lost", key, f"{level:.0f} V for {length} ms {when}", (key,))


@kind("pack-dead")
def pack_dead(told: Told) -> Lie | None:
    """Current, voltage or 12 V freeze or flicker by a step, from any moment on."""
    key = any_of(told, told.keys("PackVoltage", "PackCurrent", "ControlVoltage"))
    first, last = _edges(told)
    at = int(told.rng.integers(first - 500, last - 2000))
    rows, level, step = slice(at, told.rows), told.seen[key][at], step_of(told.vehicle, key)
    if told.rng.random() < 0.5:
        told.put(key, level, rows, still=True)
        return Lie("pack-dead", key, f"stands at {level:.4g} from {at / 1000:.1f} s on", (key,))
    flicker = step * told.rng.integers(-1, 2, told.rows - at)
    told.put(key, level + flicker, rows, still=True)
    return Lie("pack-dead", key, f"flickers about {level:.4g} from {at / 1000:.1f} s on", (key,))


@kind("current-wrong")
def current_wrong(told: Told) -> Lie | None:
    """The pack current always reads some ampere, is offset, has the other sign or no sign."""
    key = told.keys("PackCurrent")[0]
    how = str(told.rng.choice(["stuck", "offset", "sign", "unsigned", "slow"]))
    column = told.seen[key]
    amps = float(told.rng.choice([-1, 1])) * float(told.rng.uniform(3.5, 10))
    if how == "stuck":
        amps = float(told.rng.uniform(0.3, 2))
        told.put(key, amps + 0.05 * told.rng.standard_normal(told.rows))
    elif how == "offset":
        told.put(key, column + amps)
    elif how == "sign":
        told.put(key, -column)
    elif how == "unsigned":
        if column.min() > -1.5:
            return None
        told.put(key, np.abs(column))
        return Lie("unsigned", key, "what flows back reads as flowing out", (key,), -column.min())
    else:
        told.put(key, trailing_mean(column, 4000))
    words = f"{how} {amps:.1f} A" if how in ("stuck", "offset") else how
    return Lie("current-wrong", f"{key} {how}", words, (key,))


@kind("insulation-canned")
def insulation_canned(told: Told) -> Lie | None:
    """The monitor shows one value: always, from some time on, or a code at its end."""
    keys = told.keys("Resistance")
    if not keys:
        return None
    key, (first, _) = keys[0], _edges(told)
    how = str(told.rng.choice(["always", "from closing on", "flickers", "code"]))
    level = float(told.rng.uniform(900, 5000))
    step = step_of(told.vehicle, key)
    if how == "always":
        told.put(key, np.full(told.rows, level), still=True)
    elif how == "from closing on":
        at = first - 300
        told.put(key, told.seen[key][at], slice(at, told.rows), still=True)
    elif how == "flickers":
        told.put(key, level + step * told.rng.integers(0, 2, told.rows), still=True)
    else:
        told.put(key, np.where(told.closed(), float(any_of(told, [20000.0, 0.0])), level))
    return Lie("insulation-canned", key, how, (key,))


@kind("stop-wrong")
def stop_wrong(told: Told) -> Lie | None:
    """Stop button, ignition: exchanged, always one value, or pressed while axles turn."""
    stop, on = "can0:Cabin.EmergencyStop", "can0:Cabin.Ignition"
    how = str(told.rng.choice(["exchanged", "always pressed", "always on", "in a burst"]))
    keys = {"always on": (on,), "exchanged": (stop, on)}.get(how, (stop,))
    if how == "exchanged":
        first, second = told.seen[stop], told.seen[on]
        told.put(stop, second)
        told.put(on, first)
    elif how == "always pressed":
        told.put(stop, np.ones(told.rows), still=True)
    elif how == "always on":
        told.put(on, np.ones(told.rows), still=True)
    else:
        turning = np.flatnonzero(told.turning())
        if not len(turning):
            return None
        length = max(300, round(2200 * cycle_s(told.vehicle, stop)))
        at = int(turning[0]) + 400
        told.put(stop, np.ones(length), slice(at, at + length))
    return Lie("stop-wrong", f"{how}", "stop button and ignition", keys)


@kind("link-hidden")
def link_hidden(told: Told) -> Lie | None:
    """Links that hide that they are still live: capped, computed, low at once, frozen low, or gone.

    In truth they discharge as they should, so what each shows is what a broken one might.
    """
    keys = told.keys("LinkVoltage")
    keys = keys if told.rng.random() < 0.7 else [any_of(told, keys)]
    _, last = _edges(told)
    how = str(told.rng.choice(["capped", "computed", "freezes", "gone", "rises", "plateau"]))
    rows = slice(last, told.rows)
    for key in keys:
        column = told.seen[key][rows]
        if how == "capped":
            told.put(key, np.minimum(column, 55.0), rows)
        elif how == "computed":
            both = told.closed() | (told.truth.link_V > 0.95 * told.truth.pack_V)
            told.put(key, np.where(both, told.seen["can0:PackStatus.PackVoltage"], 0.0))
        elif how == "freezes":
            low = np.flatnonzero(column < float(told.rng.uniform(61, 150)))
            if not len(low) or column[low[0]] < 60:
                return None
            told.put(key, column[low[0]], slice(last + int(low[0]), told.rows), still=True)
        elif how == "rises":
            low = np.flatnonzero(column < 40)
            if not len(low) or last + low[0] + 1100 > told.rows:
                return None
            at = last + int(low[0]) + 600  # the nodes are still awake
            told.put(key, np.linspace(70, 90, 400), slice(at, at + 400))
        elif how == "plateau":
            told.put(key, np.maximum(column, 72.0), rows)
    if how == "gone":
        channels = {key.partition(":")[0] for key in keys}
        from_s, to_s = last / 1000 - 0.05, last / 1000 + float(told.rng.uniform(1.0, 4.0))

        def cut(recording):
            mine = np.any([recording.of(channel) for channel in channels], axis=0)
            since = recording.since_s()
            return recording.take(~(mine & (since > from_s) & (since < to_s)))

        told.later.append(cut)
    return Lie("link-hidden", f"{how} {', '.join(keys)}", how, tuple(keys))


@kind("second-attempt")
def second_attempt(told: Told) -> Lie | None:
    """After all was over the vehicle closes once more, and the recording ends with it."""
    _, last = _edges(told)
    length = told.rows - last - 1500
    if length < 2500:
        return None
    at, pack = last + 1500 + int(told.rng.integers(0, length - 2000)), told.truth.pack_V[0]
    if at > 1000 * told.script.first("ignition", 0.0):
        return None  # the nodes sleep, and nobody hears of it
    for key in told.keys(*CLOSED):
        late = {"NegativeClosed": 0, "PrechargeClosed": 300, "PositiveClosed": 900}
        begin = at + late[key.rpartition(".")[2]]
        end = begin + 1000 if "Precharge" in key else told.rows
        if begin < told.rows:
            told.put(key, np.ones(min(end, told.rows) - begin), slice(begin, min(end, told.rows)))
    rise = pack * (1 - np.exp(-np.arange(told.rows - at - 300) / 120))
    for key in told.keys("LinkVoltage"):
        told.put(key, rise, slice(at + 300, told.rows))
    return Lie("second-attempt", "all poles", f"at {at / 1000:.1f} s, still closed at the end")


# What nobody wrote down: a gateway or a controller that computes what it should measure.


@kind("held")
def held(told: Told) -> Lie | None:
    """A gateway renews a reading only every 0.5 to 5 s and repeats it in between."""
    key = any_of(told, told.keys("PackVoltage", "PackCurrent", "LinkVoltage", "ControlVoltage"))
    ms = int(told.rng.choice([500, 1500, 5000]))
    column = told.seen[key][::ms].repeat(ms)[: told.rows]
    told.put(key, column, still=True)
    changes = int(np.count_nonzero(np.diff(np.round(column / step_of(told.vehicle, key)))))
    return Lie("held", key, f"renewed every {ms} ms, {changes} changes", (key,), float(changes))


@kind("from-command")
def from_command(told: Told) -> Lie | None:
    """Current or link computed from the contactors' states instead of measured."""
    key = any_of(told, told.keys("PackCurrent", "LinkVoltage", "ControlVoltage"))
    both, name = told.closed(), key.rpartition(".")[2]
    pack = float(told.truth.pack_V[0])
    level = {"PackCurrent": 0.8, "LinkVoltage": pack, "ControlVoltage": 13.8}[name]
    rest = {"PackCurrent": 0.0, "LinkVoltage": 0.0, "ControlVoltage": 12.6}[name]
    told.put(key, np.where(both, level, rest))
    ms = None
    if name == "ControlVoltage":  # coarse steps take as many readings more to show a coil
        ms = 1000 * cycle_s(told.vehicle, key) * max(1.0, step_of(told.vehicle, key) / 0.05)
    return Lie("from-command", key, "computed from the contactors' states", (key,), ms)


@kind("pole-by-link")
def pole_by_link(told: Told) -> Lie | None:
    """A contactor's state is derived from the link voltage, or from another contactor."""
    full = (told.truth.link_V > 0.95 * told.truth.pack_V).astype(float)
    charging = ((told.truth.link_V > 5) & (np.gradient(told.truth.link_V) > 0.02)).astype(float)
    key = any_of(told, told.keys(*CLOSED))
    other = np.max([told.seen[k] for k in told.keys(*CLOSED) if k != key], axis=0)
    ways = {
        "NegativeClosed": {"any other pole": other, "a full link": full},
        "PrechargeClosed": {"a charging link": charging, "not positive": 1 - told.closed()},
        "PositiveClosed": {"a full link": full, "negative": told.seen[told.keys(*MAINS)[0]]},
    }[key.rpartition(".")[2]]
    words = any_of(told, list(ways))
    shown = np.asarray(ways[words], float)
    told.put(key, shown)
    # As far as the circuit shows it: current flows from the later of negative and pre-charge on.
    flows = told.truth.closed["negative"] * told.truth.closed["precharge"]
    closed, opened = _edges(told, shown)
    late_ms = closed - int(np.argmax(flows > 0))
    ends = [_edges(told, told.truth.closed[pole])[1] for pole in ("negative", "positive")]
    after_ms = opened - min(ends)
    if key == NEGATIVE and 0 <= late_ms <= 300 and 0 <= after_ms <= 300:
        return Lie("late-feedback", key, f"derived from {words}", (key,), float(late_ms))
    # Of a full link its size is the share of the pack at which it counts as full.
    size = 0.95 if words == "a full link" else None
    return Lie("pole-by-link", f"{key} {words}", f"derived from {words}", (key,), size)


@kind("replayed-burst")
def replayed_burst(told: Told) -> Lie | None:
    """Pack current or voltage show the first burst again in the last one."""
    spins = told.script.spins
    if len(spins) < 2:
        return None
    key = any_of(told, told.keys("PackCurrent", "PackVoltage"))
    late = int(told.rng.integers(-900, 900))
    one, two = (round(s.start_s * 1000) for s in (spins[0], spins[-1]))
    told.put(
        key, told.seen[key][one - 200 : one + 4500], slice(two - 200 + late, two + 4500 + late)
    )
    size = float(late) if key.endswith("Current") else None
    return Lie("replayed-burst", key, f"{late} ms off", (key,), size)


@kind("neighbour")
def neighbour(told: Told) -> Lie | None:
    """A role bound to a signal beside the right one: pack and link exchanged, 12 V the pack's."""
    pack, supply = told.keys("PackVoltage")[0], told.keys("ControlVoltage")[0]
    link = any_of(told, told.keys("LinkVoltage"))
    pairs = {
        "pack is the link": (pack, told.seen[link]),
        "link is the pack": (link, told.seen[pack]),
        "12 V from the pack": (supply, told.seen[pack] / 29.0),
    }
    words = any_of(told, list(pairs))
    key, column = pairs[words]
    told.put(key, column.copy())
    return Lie("neighbour", f"{key} {words}", words, (key,))


@kind("clipped")
def clipped(told: Told) -> Lie | None:
    """A reading never goes beyond some level, as one that saturates."""
    key = any_of(told, told.keys("PackCurrent", "PackVoltage", "LinkVoltage", "ControlVoltage"))
    column = told.seen[key]
    low, high = float(np.min(column)), float(np.max(column))
    if told.rng.random() < 0.5:
        level = low + float(told.rng.uniform(0.3, 0.8)) * (high - low)
        told.put(key, np.minimum(column, level))
        hides = high - level
        if key.endswith("PackCurrent"):  # for a moment, it may lie between two readings
            hides = max(float(minimum_filter1d(column - level, 100).max()), 0.0)
        return Lie("clipped", key, f"never above {level:.4g}", (key,), hides)
    level = low + float(told.rng.uniform(0.2, 0.6)) * (high - low)
    told.put(key, np.maximum(column, level))
    return Lie("clipped", key, f"never below {level:.4g}", (key,), level - low)


@kind("drifts")
def drifts(told: Told) -> Lie | None:
    """A voltage or the current drifts away over the run."""
    key = any_of(told, told.keys("PackCurrent", "PackVoltage", "LinkVoltage"))
    span = 8.0 if "Current" in key else 0.06 * float(told.truth.pack_V[0])
    size = span * float(told.rng.choice([-1, 1]))
    told.put(key, told.seen[key] + np.linspace(0, size, told.rows))
    return Lie("drifts", key, f"by {size:+.1f} until the end", (key,))


@kind("sags-unloaded")
def sags_unloaded(told: Told) -> Lie | None:
    """Pack and links fall together with the poles closed, at once or in a line, and nobody loads.

    Each by the same share: what one wrong reference of all sensors does, or a load past the sensor.
    """
    (first, last), turning = _edges(told), np.flatnonzero(told.turning())
    s = float(told.rng.choice([0.3, 2.0, 20.0]))
    share = float(told.rng.choice([-0.05, -0.07, 0.05]))
    begin, end = first + 4000, last - 500
    if len(turning) and told.rng.random() < 0.5:
        end = int(turning[0]) - 500  # before the first burst
    elif len(turning):
        begin = int(turning[-1]) + 1000
    if end - begin < 1000 * s + 500:
        return None
    at = int(told.rng.integers(begin, end - round(1000 * s)))
    rows = slice(at, at + round(1000 * s))
    shape = np.linspace(0, 1, rows.stop - at) if s > 10 else np.ones(rows.stop - at)
    if not told.closed()[rows].all():
        return None  # not across attempts
    keys = told.keys("PackVoltage", "LinkVoltage")
    for key in keys:
        told.put(key, told.seen[key][rows] * (1 + share * shape), rows)
    words = f"{share:+.0%} for {s:g} s at {at / 1000:.1f} s"
    return Lie("sags-unloaded", ", ".join(keys), words, tuple(keys))


@kind("ignition-off")
def ignition_off(told: Told) -> Lie | None:
    """The ignition reads off for some seconds while the contactors stay closed."""
    key = "can0:Cabin.Ignition"
    first, last = _edges(told)
    length = int(told.rng.choice([1500, 5000, 9000]))
    if last - first < length + 3000:
        return None
    at = int(told.rng.integers(first + 1500, last - length - 1000))
    if not told.closed()[at - 500 : at + length + 500].all():
        return None
    told.put(key, np.zeros(length), slice(at, at + length))
    return Lie("ignition-off", key, f"for {length / 1000:g} s at {at / 1000:.1f} s", (key,))


@kind("ignition-from-pole")
def ignition_from_pole(told: Told) -> Lie | None:
    """The ignition is the state of a contactor: late by as much as that closes after the first."""
    key, pole = "can0:Cabin.Ignition", any_of(told, told.keys(*CLOSED))
    late_s = (_edges(told, told.seen[pole])[0] - _edges(told)[0]) / 1000
    told.put(key, told.seen[pole])
    name = "ignition-from-pole" if "Precharge" in pole else "delay"
    return Lie(name, key, f"is {pole}", (key,), late_s)


@kind("stop-from-poles")
def stop_from_poles(told: Told) -> Lie | None:
    """The stop button reads pressed while all poles are open: each opening is its own doing."""
    key = told.keys("EmergencyStop")[0]
    told.put(key, 1.0 - _shut(told))
    return Lie("stop-from-poles", key, "pressed while all poles are open", (key,))


@kind("pack-low-charging")
def pack_low_charging(told: Told) -> Lie | None:
    """The pack reads lower by 3 % while the link charges, so that the link looks full."""
    key, charging = told.keys("PackVoltage")[0], told.truth.closed["precharge"] > 0
    told.put(key, told.seen[key] * np.where(charging, 0.97, 1.0))
    return Lie("pack-low-charging", key, "3 % lower while pre-charge is closed", (key,))


@kind("supply-gain")
def supply_gain(told: Told) -> Lie | None:
    """The 12 V move by a part only of what they should, about what they read at first."""
    key, gain = told.keys("ControlVoltage")[0], float(told.rng.choice([0.1, 0.3, 0.6]))
    column = told.seen[key]
    told.put(key, column[0] + gain * (column - column[0]))
    return Lie("gain", key, f"moves times {gain:g}", (key,), gain)


@kind("link-fades")
def link_fades(told: Told) -> Lie | None:
    """Links that fade to nothing by themselves from the first opening on: one of them, or all."""
    keys = told.keys("LinkVoltage")
    some = keys if told.rng.random() < 0.5 else [any_of(told, keys)]
    _, last = _edges(told, told.closed())
    ms = int(told.rng.choice([60, 200, 1000]))
    shape = np.interp(np.arange(told.rows - last), [0, ms], [1, 0])
    was = {key: told.seen[key] for key in some}
    for key in some:
        told.put(key, told.seen[key][last] * shape, slice(last, told.rows))
    off = max(
        float(np.abs(told.seen[key] - honest).max()) / honest[last] for key, honest in was.items()
    )
    alike = len(some) == len(keys) or ms <= 200 or off <= 1 / 4
    name = "link-fades" if told.vehicle.box.bleed == "active" and alike else "link-hidden"
    return Lie(name, ", ".join(some), f"straight to 0 in {ms} ms from the opening on", tuple(some))


@kind("idle-current")
def idle_current(told: Told) -> Lie | None:
    """A current of kilowatts flows, in or out, while the poles are closed and nothing turns."""
    key, (first, last) = told.keys("PackCurrent")[0], _edges(told)
    turning = np.flatnonzero(told.turning())
    begin = int(turning[-1]) + 2500 if len(turning) else first + 4000
    length = int(told.rng.choice([600, 3000]))
    if last - 500 - length <= begin:
        return None
    at = int(told.rng.integers(begin, last - 500 - length))
    amps = float(told.rng.choice([-20, 12, 25]))
    rows = slice(at, at + length)
    told.put(key, told.seen[key][rows] + amps, rows)
    open_ = np.flatnonzero(~told.closed()[:at])
    since_s = (at - int(open_[-1])) / 1000
    words = f"{amps:+g} A for {length} ms at {at / 1000:.1f} s"
    return Lie("idle-current", key, words, (key,), since_s)


@kind("insulation-dips")
def insulation_dips(told: Told) -> Lie | None:
    """Insulation reads far too little for some seconds with the contactors closed."""
    keys, shut = told.keys("Resistance"), np.flatnonzero(told.closed())
    if not keys:
        return None
    s = float(told.rng.choice([2.0, 4.0, 15.0]))
    begins = bool(told.rng.random() < 0.2)
    at = int(shut[0]) + (0 if begins else int(told.rng.integers(5200, 12_000)))
    s = min(s, 8.0) if begins else s
    rows = slice(at, at + round(1000 * s))
    if rows.stop > int(shut[-1]) or not told.closed()[rows].all():
        return None
    told.put(keys[0], np.full(rows.stop - at, 20.0), rows)
    words = f"20 kohm for {s:g} s, {(at - int(shut[0])) / 1000:.1f} s after closing"
    return Lie("insulation-settles" if begins else "insulation-dips", keys[0], words, (keys[0],), s)
