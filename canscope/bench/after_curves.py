"""Curves of a recording as JSON, with what its report says about their times."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from canscope.bench.after_recording import Recording
from canscope.curves.query import Curve, Curves
from canscope.model.errors import CanscopeError
from canscope.model.report import Report
from canscope.report.wording import state, visible, worst_first

MOST_SIGNALS = 32  # drawn at once
MOST_POINTS = 4096  # buckets of a window
KEPT = 4  # recordings whose curves stay open
OPEN_STATES = ("failed", "unproven", "accepted")
MICRO = 6  # digits of a second


class Opened:
    """Curves that were asked for lately."""

    def __init__(self) -> None:
        self._kept: dict[str, tuple[int, Curves]] = {}

    def open(self, recording: Recording, *, anew: bool = False) -> Curves:
        """The curves of a recording. Raises CurveError if they have to be drawn first.

        With ``anew`` they are held against the recording's files.
        """
        index = recording.curves / "curves.json"
        stamp = index.stat().st_mtime_ns if index.is_file() else 0
        known, curves = self._kept.get(recording.query, (0, None))
        if curves is None or known != stamp or anew:
            curves = Curves(recording.curves, recording.read_definitions(), recording.paths)
            self._kept.pop(recording.query, None)
            self._kept[recording.query] = stamp, curves
            for old in list(self._kept)[:-KEPT]:
                self._kept.pop(old, None)
        return curves


def overview(curves: Curves, report: Report | None) -> dict[str, Any]:
    """Which signals there are, over which time, and what the report says of instants in it."""
    roles = {fact.signal: fact.role for fact in report.roles} if report else {}
    stretches = curves.stretches_s
    told: dict[str, Any] = {
        "from": min((start for start, _ in stretches), default=0.0),
        "until": max((end for _, end in stretches), default=0.0),
        "stretches": stretches,
        "frames": curves.frames,
        "signals": [
            {
                "key": fact.key,
                "unit": fact.unit,
                "states": fact.states,
                "count": fact.count,
                "lowest": _finite(fact.lowest),
                "highest": _finite(fact.highest),
                "role": roles.get(fact.key, ""),
            }
            for fact in curves.signals
        ],
        "bursts": [],
        "marks": [],
        "findings": [],
    }
    if report is not None:
        told["bursts"] = [
            {"unit": visible(b.unit), "from": b.start_s, "until": b.start_s + b.length_s}
            for b in report.bursts
        ]
        told["marks"] = list(_marks(report.marks))
        told["findings"] = findings(report)
    return told


def findings(report: Report) -> list[dict[str, Any]]:
    """What failed, is missing or was accepted, the worst first."""
    return [
        {
            "state": state(finding),
            "rule": finding.rule,
            "subject": visible(finding.subject),
            "text": visible(finding.short or finding.sentence),
            "at": _finite(finding.at_s),
            "window": [_finite(end) for end in finding.window_s] if finding.window_s else None,
            "signals": list(finding.signals),
        }
        for finding in worst_first(report.findings)
        if state(finding) in OPEN_STATES
    ]


def _marks(marks: Sequence[Mapping[str, Any]]) -> Iterator[dict[str, Any]]:
    for mark in marks:
        at = mark.get("at_s")
        if isinstance(at, int | float) and math.isfinite(at):
            words = [f"{mark[key]} {key}" for key in ("asked", "seen") if mark.get(key)]
            said = f"{mark.get('axle') or 'vehicle'}: {', '.join(words)}" if words else ""
            text = "; ".join(filter(None, (said, str(mark.get("text") or ""))))
            yield {"at": at, "text": visible(text)}


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def stretch(asked: Mapping[str, Any]) -> tuple[float, float, int]:
    """The window that is asked for: from, until and its buckets. Raises CanscopeError for none."""
    try:
        from_s, until_s = float(asked["from"]), float(asked["until"])
        width = int(asked.get("width", 1024))
    except (KeyError, TypeError, ValueError) as error:
        raise CanscopeError("from and until are wanted here, in seconds") from error
    if not (math.isfinite(from_s) and math.isfinite(until_s) and from_s < until_s):
        raise CanscopeError("from has to be less than until")
    return from_s, until_s, min(max(width, 16), MOST_POINTS)


def window(curves: Curves, keys: Sequence[str], asked: tuple[float, float, int]) -> dict[str, Any]:
    """The curves of these signals in a window. Raises CanscopeError for too many signals."""
    if len(keys) > MOST_SIGNALS:
        raise CanscopeError(f"at most {MOST_SIGNALS} signals are drawn at once")
    return {"curves": [_plain(curve) for curve in curves.window(keys, *asked)]}


def _plain(curve: Curve) -> dict[str, Any]:
    finite = np.isfinite(curve.value)  # a floating-point signal may hold an infinity
    return {
        "key": curve.key,
        "unit": curve.unit,
        "states": curve.states,
        "labels": curve.labels,
        "t": np.round(curve.at_s[finite], MICRO).tolist(),
        "v": curve.value[finite].tolist(),
        "gaps": np.round(curve.gaps, MICRO).tolist(),
        "bucket": curve.bucket_s,
    }
