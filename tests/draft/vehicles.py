"""Runs of the simulator under somebody else's names, and what each role's signal really is."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from canscope.simulate.messages import all_messages, dbc_text
from canscope.simulate.plans import vehicle_toml
from canscope.simulate.random_vehicle import draw
from canscope.simulate.recording import candump_text
from canscope.simulate.runs import Run, make_run
from tests.draft.naming import Names
from tests.draft.rivals import with_rivals


@dataclass(frozen=True)
class Case:
    """A folder with capture.log and one definition file a bus; role -> signal, as it really is.

    Units are called by their axle in ``truth``; ``channels`` is axle -> bus.
    """

    folder: Path
    files: tuple[Path, ...]
    truth: dict[str, str]
    channels: dict[str, str]


def random_run(seed: int) -> Run:
    """One random vehicle, as everywhere else."""
    vehicle, story = draw(seed)
    return make_run(vehicle, story=story, seed=seed)


def lay_out(run: Run, folder: Path, names: Names | None = None) -> Case:
    """Write the run; the definitions under these names, or under the simulator's own."""
    folder.mkdir(parents=True, exist_ok=True)
    capture = folder / "capture.log"
    capture.write_text(candump_text(run.recording), "utf-8")
    messages, renamed, files, texts = all_messages(run.vehicle), {}, [], set()
    if names:
        messages, text = with_rivals(messages, capture)
        capture.write_text(text, "utf-8")
    for own in messages.values():
        placed = tuple(_renamed(run, message, names, renamed) for message in own)
        text = dbc_text(placed)
        if text not in texts:  # two units of one kind share a file
            texts.add(text)
            files.append(folder / f"definitions_{len(files)}.dbc")
            files[-1].write_text(text, "utf-8")
    truth = {role: renamed[key] for role, key in true_roles(run).items()}
    return Case(folder, tuple(files), truth, {u.name: u.channel for u in run.vehicle.units})


def _renamed(run, message, names, renamed):
    called = names.message(message.name) if names else message.name
    signals = []
    for spec in message.signals:
        name = names.signal(message.name, spec.name) if names else spec.name
        moved = replace(spec, message=called, name=name)
        encoding = run.vehicle.wiring.encodings.get(spec.key)
        if names and encoding and encoding.codes:
            moved = replace(moved, labels=_labels(names, spec, encoding.codes))
        renamed[spec.key] = moved.key
        signals.append(moved)
    return replace(message, name=called, signals=tuple(signals))


def _labels(names, spec, codes):
    """The same labels on every bus: units of one kind share their file."""
    key = ("labels of", spec.message, spec.name)
    if key not in names.given:
        names.given[key] = names.labels(spec.name, codes)
    return names.given[key]


def true_roles(run: Run) -> dict[str, str]:
    """Role -> signal, from the plan that the simulator writes for its own vehicle."""
    plan = tomllib.loads(vehicle_toml(run.vehicle))
    found = {}

    def take(role, value):
        if isinstance(value, str) and ":" in value:
            found[role] = value
        elif isinstance(value, dict) and "signal" in value:
            found[role] = value["signal"]
        elif isinstance(value, dict) and "state" in value:
            take(role, value["state"])
            take(f"{role}.command", value["command"])

    for section in ("pack", "contactors", "supply", "driver", "cooling"):
        for key, value in plan.get(section, {}).items():
            take(f"{section}.{key}", value)
    for unit, table in plan["units"].items():
        for key, value in table.items():
            if key == "temperatures":
                for word, signal in value.items():
                    take(f"units.{unit}.temperatures.{word}", signal)
            else:
                take(f"units.{unit}.{key}", value)
    return found


def names_of(seed: int, habit: str) -> Names:
    """The names of one person."""
    return Names(np.random.default_rng([seed, 20_261_129]), habit)
