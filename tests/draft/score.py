"""Compares a draft's bindings with the truth of a simulated vehicle."""

from __future__ import annotations

from collections import Counter

from canscope.capture.read import read_capture
from canscope.draft.inventory import take_inventory
from canscope.draft.match import match


def bound_by(case):
    """Role -> signal as the matcher binds it, units under the bus that they send on."""
    inventory = take_inventory(read_capture(case.folder / "capture.log"), case.files)
    matches = match(inventory)
    bound = {role: c.taken.candidate.key for role, c in matches.choices.items() if c.taken}
    axles = {}
    for unit in matches.units:
        axles[unit.name] = (unit.channel, unit.axle)
        for word, one in unit.temperatures.items():
            bound[f"units.{unit.name}.temperatures.{word}"] = one.candidate.key
        if unit.alive:
            bound[f"units.{unit.name}.alive"] = unit.alive.key
        if unit.checksum:
            bound[f"units.{unit.name}.checksum"] = unit.checksum[0].key
    return bound, axles, matches


def score(case, habit=""):
    """(role without its unit, right / open / wrong) of every role, and the axles exchanged."""
    bound, axles, _ = bound_by(case)
    by_channel = {channel: axle for axle, channel in case.channels.items()}
    found, exchanged = [], 0
    renamed = {}
    for role, key in bound.items():
        if role.startswith("units."):
            _, unit, rest = role.split(".", 2)
            channel, axle = axles[unit]
            true_axle = by_channel.get(channel, channel)
            exchanged += axle is not None and axle != true_axle
            role = f"units.{true_axle}.{rest}"
        renamed[role] = key
    truth = dict(case.truth)
    for role in [r for r in renamed if ".temperatures." in r and r not in truth]:
        # Another word for the same place is right: words are free.
        key = renamed.pop(role)
        word = role.rsplit(".", 1)[1]
        real = next((r for r, k in truth.items() if k == key and ".temperatures." in r), None)
        renamed[role if real is None or word in ("winding", "inverter") else real] = key
    tracks = ("driver.pedal", "driver.pedal_2")  # numbered through, nothing tells which is which
    both = [sorted(table.get(role, "") for role in tracks) for table in (truth, renamed)]
    if habit == "numbered" and both[0] == both[1] and all(both[0]):
        renamed |= {role: truth[role] for role in tracks}
    for role in {*truth, *renamed}:
        if role not in renamed:
            found.append((role, "open", truth[role], ""))
        elif renamed[role] == truth.get(role):
            found.append((role, "right", truth[role], renamed[role]))
        else:
            found.append((role, "wrong", truth.get(role, ""), renamed[role]))
    return found, exchanged


def tally(found):
    return Counter(state for _, state, _, _ in found)
