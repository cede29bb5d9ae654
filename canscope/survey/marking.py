"""How well a field fits marks: it moves at each of them, always the same way, and seldom else."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canscope.model.tables import Bools, Floats

BEFORE_S, AFTER_S = 0.7, 1.3  # around a mark, in which what was marked happens
GRID_S = 0.5  # from one instant elsewhere to the next
EITHER_WAY = 1.0  # log odds against a mark standing for a change either way
HIT = 0.95  # how often what was marked moves the true field
LATE_S, LATE = 0.2, 1.5  # a field that moves so much later than others is what came of it: log odds


@dataclass(frozen=True, eq=False)
class MarkFit:
    """What a field does at the marks.

    ``weight`` is the log odds against moving by chance, ``score`` 0 to 1, ``size`` the share of
    its range by which it moves, ``onset_s`` when it had gone half the way at each mark (NaN: not
    at all), ``cycle_s`` the time between its values.
    """

    weight: float
    score: float
    size: float
    onset_s: Floats
    cycle_s: float


def fit_marks(at_s: Floats, raw: Floats, marks: Floats) -> MarkFit | None:
    """How a field with these values at these seconds fits; None if it never moves at a mark."""
    if len(raw) < 8:
        return None
    grid = np.arange(at_s[0] + BEFORE_S, at_s[-1] - AFTER_S, GRID_S)
    grid = grid[np.abs(grid[:, None] - marks).min(axis=1) > BEFORE_S + AFTER_S]
    elsewhere, _ = _moves(at_s, raw, grid)
    here, onset_s = _moves(at_s, raw, marks)
    noise = float(np.median(np.abs(elsewhere))) if len(elsewhere) else 0.0
    threshold = max(0.5, 3 * noise)
    fits = [
        fit
        for moved, elsewhere_moved, cost in (
            (here, elsewhere, 0.0),
            (-here, -elsewhere, 0.0),
            (np.abs(here), np.abs(elsewhere), EITHER_WAY),
        )
        if (fit := _weighed(moved, elsewhere_moved, threshold, cost)) is not None
    ]
    if not fits:
        return None
    weight, score, typical, hits = max(fits, key=lambda fit: fit[0])
    return MarkFit(
        weight=weight,
        score=score,
        size=typical / max(float(np.ptp(raw)), 1.0),
        onset_s=np.where(hits, onset_s, np.nan),
        cycle_s=float(np.median(np.diff(at_s))),
    )


def _weighed(
    here: Floats, elsewhere: Floats, threshold: float, cost: float
) -> tuple[float, float, float, Bools] | None:
    """Log odds, score, usual size and which marks are hits, of moves that are upwards."""
    hits = here > threshold
    if not hits.any():
        return None
    typical = float(np.median(here[hits]))
    # What was marked ends as well: moves back are no other events.
    alike = elsewhere > max(threshold, 0.5 * typical)
    share = float(alike.mean()) if len(alike) else 0.0
    instants = max(len(elsewhere) * GRID_S / (BEFORE_S + AFTER_S), 1.0)  # that do not overlap
    chance = min((share * instants + 0.5) / (instants + 1), 0.9)
    odds = np.where(hits, np.log(HIT / chance), np.log((1 - HIT) / (1 - chance)))
    score = float(np.mean(hits)) * (1 - share)
    return float(np.sum(odds)) - cost, score, typical, hits


def lateness(fits: list[MarkFit]) -> list[float]:
    """Log odds against each of them for moving later than the others: causes come first.

    As much as a field's own cycle may delay it is no reason.
    """
    if not fits:
        return []
    onsets = np.array([fit.onset_s for fit in fits])
    first = np.min(np.where(np.isnan(onsets), np.inf, onsets), axis=0)
    cycles = np.array([fit.cycle_s for fit in fits])[:, None]
    late = np.clip((onsets - first - cycles) / LATE_S, 0, 1)
    costs: list[float] = (LATE * np.nansum(late, axis=1)).tolist()
    return costs


def _moves(at_s: Floats, raw: Floats, instants: Floats) -> tuple[Floats, Floats]:
    """How far it went from before each instant to its farthest point soon after, and when."""
    start = np.searchsorted(at_s, instants - BEFORE_S)
    end = np.searchsorted(at_s, instants + AFTER_S, side="right")
    moved, onset_s = np.zeros(len(instants)), np.full(len(instants), np.nan)
    for i, (a, b) in enumerate(zip(start.tolist(), end.tolist(), strict=True)):
        first = max(a - 1, 0)
        part = raw[first:b]
        if len(part):
            away = part - part[0]
            moved[i] = away[np.abs(away).argmax()]
            onset_s[i] = at_s[first + int((np.abs(away) >= 0.5 * np.abs(moved[i])).argmax())]
    return moved, onset_s
