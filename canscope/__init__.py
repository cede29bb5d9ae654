"""canscope: CAN log analyser for conversion bench tests. It listens and judges; it never transmits.

The public names are loaded when they are first used, so that ``import canscope`` costs nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOME = {
    "read_capture": "canscope.capture.read",
    "read_definitions": "canscope.decoding.database",
    "read_plan": "canscope.plan.load",
    "decode": "canscope.api",
    "check": "canscope.api",
    "watch": "canscope.judge.check",
    "write_report": "canscope.report.write",
    "Frames": "canscope.model.tables",
    "Signals": "canscope.model.signals",
    "Finding": "canscope.model.findings",
    "Report": "canscope.model.report",
    "CanscopeError": "canscope.model.errors",
}

__all__ = [
    "CanscopeError",
    "Finding",
    "Frames",
    "Report",
    "Signals",
    "check",
    "decode",
    "read_capture",
    "read_definitions",
    "read_plan",
    "watch",
    "write_report",
]

if TYPE_CHECKING:
    from canscope.api import check, decode
    from canscope.capture.read import read_capture
    from canscope.decoding.database import read_definitions
    from canscope.judge.check import watch
    from canscope.model.errors import CanscopeError
    from canscope.model.findings import Finding
    from canscope.model.report import Report
    from canscope.model.signals import Signals
    from canscope.model.tables import Frames
    from canscope.plan.load import read_plan
    from canscope.report.write import write_report


def __dir__() -> list[str]:
    return [*__all__, "__doc__", "__version__"]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'canscope' has no attribute {name!r}")
    import importlib

    return getattr(importlib.import_module(_HOME[name]), name)
