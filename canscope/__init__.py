"""canscope: CAN log analyser for conversion bench tests. It listens and judges; it never transmits.

    import canscope as cs
    report = cs.check("first_spin.log", "bench.toml")
    print(report.headline)
    cs.write_report(report, "first_spin.html")

The public names:

    check             judge a capture against a bench plan -> Report
    decode            the signals of a capture, by name or as a pandas table
    read_capture      the frames of one or several captures, chunk by chunk -> Frames
    read_definitions  signal definitions (DBC, KCD, ARXML)
    read_plan         a bench plan, all its mistakes told at once
    watch             judge pieces of signals as they come
    write_report      a Report as HTML, JSON or XML, by the suffix
    Frames, Signals, Finding, Report   what these give
    CanscopeError     the base of every deliberate error; its text says what, where, what to do

They are loaded when they are first used, so that ``import canscope`` costs nothing. All else in
this package is internal and may change.
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
        import sys

        what = f"module 'canscope' has no attribute {name!r}"
        raise AttributeError(what, name=name, obj=sys.modules[__name__])  # Python names the nearest
    import importlib

    return getattr(importlib.import_module(_HOME[name]), name)
