"""What is asked for when a run is started, and what the recorder is told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from canscope.live.adapters.address import Address, parse_address
from canscope.live.adapters.kinds import stamp_uncertainty_ms
from canscope.live.recording.recorder_config import RecorderConfig
from canscope.live.run_folder.earlier_runs import as_recorded, earlier_runs_of
from canscope.live.run_folder.run_file_schema import RunClock, RunFile
from canscope.model.errors import CanscopeError
from canscope.plan.load import read_plan
from canscope.plan.plan import Plan


@dataclass(frozen=True)
class Setup:
    """A run as a person asks for it; ``buses`` as ``--bus`` takes them."""

    folder: Path
    buses: tuple[str, ...]
    plan: Path | None = None
    not_silent: str = ""
    about: Mapping[str, str] = field(default_factory=dict)  # for run.toml: who, note
    rotate_bytes: int = 256 << 20
    rotate_s: float = 3600.0


def prepared(setup: Setup) -> tuple[RecorderConfig, Plan | None]:
    """The recorder's configuration and the plan as this run is judged by it.

    Raises CanscopeError: the plan cannot be used, or a bus is none.
    """
    plan = read_plan(setup.plan) if setup.plan else None
    addresses = _addresses(setup.buses, plan)
    earlier = None
    if plan is not None:
        earlier = earlier_runs_of(setup.folder, plan.bench.vehicle)
        clock = RunClock(uncertainty_ms=stamp_uncertainty_ms(addresses))
        plan = as_recorded(plan, RunFile(earlier=earlier, clock=clock))
    config = RecorderConfig(
        folder=setup.folder,
        addresses=addresses,
        not_silent=setup.not_silent,
        rotate_bytes=setup.rotate_bytes,
        rotate_s=setup.rotate_s,
        about={key: text for key, text in setup.about.items() if text},
        earlier=earlier,
    )
    return config, plan


def _addresses(texts: tuple[str, ...], plan: Plan | None) -> tuple[Address, ...]:
    """The buses to record, with the plan's bit rates where none is given."""
    rates = plan.bench.bitrates if plan else {}
    addresses = tuple(
        replace(a, bitrate=a.bitrate or rates.get(a.name)) for a in map(parse_address, texts)
    )
    names = [address.name for address in addresses]
    for name in names:
        if names.count(name) > 1:
            raise CanscopeError(
                f"--bus: {name} is given twice", hint="each bus has a name of its own"
            )
    return addresses
