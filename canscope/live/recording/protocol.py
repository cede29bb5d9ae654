"""What the watching process and the recorder's process write to each other: a JSON object a line.

To the recorder: its configuration, then ``stop REASON``. From it: ``opened`` or ``refused``, then
its status until ``end`` is filled.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any

from canscope.live.plain_data import read_as
from canscope.live.recording.recorder_config import RecorderConfig
from canscope.live.recording.status import RecorderStatus
from canscope.live.run_folder.run_file_schema import RunEnd


@dataclass(frozen=True)
class Refusal:
    """The recorder does not start: an adapter cannot be opened, or not silently."""

    refused: str


def config_line(config: RecorderConfig) -> str:
    """A configuration as one line."""
    return json.dumps({**asdict(config), "folder": str(config.folder)})


def read_config(line: str) -> RecorderConfig:
    """The configuration that such a line holds."""
    config: RecorderConfig = read_as(RecorderConfig, json.loads(line))
    return config


def refusal_line(error: object) -> str:
    """Why the recorder does not start, as one line."""
    return json.dumps({"refused": str(error)})


def status_line(status: RecorderStatus, *, opened: bool = False) -> str:
    """A status as one line; the first one after opening all adapters is ``opened``."""
    first = {"opened": True} if opened else {}
    buses = {name: vars(bus) for name, bus in status.buses.items()}
    # Not asdict, which copies everything: the recorder does this every 50 ms.
    return json.dumps({**first, **vars(status), "buses": buses, "end": _end_table(status.end)})


def _end_table(end: RunEnd | None) -> dict[str, Any]:
    """Without what is not known; empty while the recorder runs."""
    return {key: v for key, v in asdict(end).items() if v is not None} if end else {}


def read_report(line: str) -> RecorderStatus | Refusal:
    """What a line from the recorder says."""
    table = json.loads(line)
    if "refused" in table:
        return Refusal(table["refused"])
    table["end"] = table.get("end") or None
    status: RecorderStatus = read_as(RecorderStatus, table)
    return status
