"""How well a field fits marks: it moves at each of them, always the same way, and seldom else."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from canscope.model.tables import Bools, Floats

BEFORE_S, AFTER_S = 0.7, 1.3  # around a mark, in which what was marked happens
ONE_SIDED = 2.0  # log odds against going to both sides of its rest
GRID_S = 0.5  # from one instant elsewhere to the next
EITHER_WAY = 1.0  # log odds against a mark standing for a change either way
HIT = 0.95  # how often what was marked moves the true field
ONSET = 0.2  # of its move, from where on a field has begun to move
LATE_S, LATE = 0.2, 1.5  # a field that moves so much later than others is what came of it: log odds


@dataclass(frozen=True, eq=False)
class MarkFit:
    """What a field does at the marks.

    ``weight`` is the log odds against moving by chance, ``score`` 0 to 1, ``size`` the share of
    its range by which it moves, ``onset_s`` when it began to move at each mark (NaN: not
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
    # What a person presses comes from its rest and goes back there, never beyond it.
    rest = float(np.median(raw))
    beyond = min(raw.max() - rest, rest - raw.min()) / max(float(np.ptp(raw)), 1.0)
    return MarkFit(
        weight=weight - ONE_SIDED * min(4 * beyond, 1.0),
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

    Half a field's own cycle is what its frames come late in the mean.
    """
    if not fits:
        return []
    onsets = np.array([fit.onset_s - fit.cycle_s / 2 for fit in fits])
    hits = np.isfinite(onsets)
    usual = [
        np.median(column[hit]) if hit.any() else 0.0
        for column, hit in zip(onsets.T, hits.T, strict=True)
    ]
    early = np.where(hits, onsets - usual, 0.0).sum(axis=1) / np.maximum(hits.sum(axis=1), 1)
    enough = hits.sum(axis=1) >= 0.7 * hits.sum(axis=1).max()
    first = int(np.where(enough, early, np.inf).argmin())
    costs = []
    for own, fit in zip(onsets, fits, strict=True):
        both = np.isfinite(own) & hits[first]
        count = int(both.sum())
        if not count:
            costs.append(0.0)
            continue
        late = float(np.mean(own[both] - onsets[first][both]))
        late -= 2 * math.hypot(fit.cycle_s, fits[first].cycle_s) / math.sqrt(12 * count)
        costs.append(LATE * count * min(max(late / LATE_S, 0.0), 1.0))
    return costs


def _moves(at_s: Floats, raw: Floats, instants: Floats) -> tuple[Floats, Floats]:
    """How far it went from before each instant to its farthest point soon after, and from when."""
    start = np.searchsorted(at_s, instants - BEFORE_S)
    end = np.searchsorted(at_s, instants + AFTER_S, side="right")
    moved, onset_s = np.zeros(len(instants)), np.full(len(instants), np.nan)
    for i, (a, b) in enumerate(zip(start.tolist(), end.tolist(), strict=True)):
        first = max(a - 1, 0)
        part = raw[first:b]
        if len(part):
            away = part - part[0]
            moved[i] = away[np.abs(away).argmax()]
            half = int((np.abs(away) >= 0.5 * np.abs(moved[i])).argmax())
            before = np.flatnonzero(np.abs(away[:half]) < ONSET * np.abs(moved[i]))
            onset_s[i] = at_s[first + (int(before[-1]) + 1 if len(before) else half)]
    return moved, onset_s
