"""What would tell fields apart that follow a reference equally well: where they differ most."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from canscope.model.survey import Candidate, Parting
from canscope.model.tables import SECOND_NS, Floats
from canscope.survey.following import FLOOR, REFERENCE
from canscope.survey.payloads import field_values
from canscope.survey.survey import Surveyed

GRID_S = 0.1
AROUND = 5  # steps of the grid: a difference counts that no time off by so much explains
POINTS = 20_000
# A reading tells apart what differs by so many of its standard deviations, a mark what differs by
# so much of a full press. Common practice, no source.
DEVIATIONS, OF_PRESS = 3.0, 0.5


def parting(
    surveyed: Sequence[Surveyed], origin: int, tied: Sequence[Candidate], kind: str
) -> Parting | None:
    """The instant at which ``tied`` differ most, counted from ``origin``.

    None for fewer than two, and where they were never on the bus at the same time.
    """
    if len(tied) < 2:
        return None
    courses = [_course(surveyed, origin, one) for one in tied]
    start = max(float(at_s[0]) for at_s, _ in courses)
    end = min(float(at_s[-1]) for at_s, _ in courses)
    if end - start <= 2 * AROUND * GRID_S:
        return None
    grid = np.linspace(start, end, min(int((end - start) / GRID_S) + 1, POINTS))
    said = np.array([v[np.searchsorted(t, grid, side="right") - 1] for t, v in courses])
    if kind == "marks":
        said = np.array([_pressed(row, said[0]) for row in said])
    around = np.lib.stride_tricks.sliding_window_view(said, 2 * AROUND + 1, axis=1)
    # Only what lies between the highest of one and the lowest of another is a difference.
    apart = around.min(axis=2).max(axis=0) - around.max(axis=2).min(axis=0)
    most = int(apart.argmax())
    middle = said[:, most + AROUND]
    enough = OF_PRESS
    if kind != "marks":
        size = np.abs(said[0])
        enough = DEVIATIONS * float(REFERENCE * size[most + AROUND] + FLOOR * size.max())
    return Parting(
        at_s=round(float(grid[most + AROUND]), 1),
        said=tuple(float(f"{value:.4g}") for value in middle.tolist()),
        apart=float(f"{max(float(apart[most]), 0.0):.3g}"),
        enough=bool(apart[most] > enough),
    )


def _course(surveyed: Sequence[Surveyed], origin: int, one: Candidate) -> tuple[Floats, Floats]:
    """Seconds, and what the reference would have read."""
    payloads = next(s.payloads for s in surveyed if s.identifier.key == one.identifier.key)
    rows = np.arange(len(payloads.data))
    if one.selected is not None:
        rows = np.flatnonzero(payloads.data[:, 0] == one.selected)
    rows = rows[np.argsort(payloads.time_ns[rows], kind="stable")]
    raw = field_values(payloads, one.field)[rows]
    at_s = (payloads.time_ns[rows] - origin) / SECOND_NS
    return at_s, np.asarray(one.gain * (raw * one.factor + one.offset), np.float64)


def _pressed(course: Floats, like: Floats) -> Floats:
    """0 at its rest and 1 at its farthest, whichever way that is."""
    away = course - np.median(course)
    if np.dot(away, like - np.median(like)) < 0:
        away = -away
    return np.asarray(away / (np.abs(away).max() or 1.0))
