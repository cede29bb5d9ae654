"""Exponential fits by least squares: how a link charges and discharges.

v(t) = level + swing * exp(-t / tau), t counted from the first sample. For a given tau the other two
are linear, so a grid of taus finds the right valley and Gauss-Newton steps refine it. Standard
errors come from the curvature at the minimum and the scatter of the residuals.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canscope.model.tables import Floats

GRID = 120  # taus tried first
STEPS = 25  # Gauss-Newton steps at most
MOST = 2000  # samples used; more are thinned evenly


@dataclass(frozen=True)
class Exponential:
    """A fitted curve; times in s, levels in V. The ``u`` are twice the standard error."""

    tau_s: float
    level: float  # where it ends
    swing: float  # what it starts with above (or below, if negative) that level
    tau_u: float
    level_u: float  # 0 where the level was given
    rms: float  # of the residuals
    r2: float  # share of the samples' variance that the curve explains

    def at(self, t_s: float) -> float:
        """Its value so many seconds after the first sample."""
        return float(self.level + self.swing * np.exp(-t_s / self.tau_s))

    def when(self, value: float) -> float:
        """How many seconds after the first sample it reaches a value; NaN if it never does."""
        ratio = (value - self.level) / self.swing if self.swing else -1.0
        return float(-self.tau_s * np.log(ratio)) if ratio > 0 else float("nan")


def exponential(t_s: Floats, v: Floats, *, level: float | None = None) -> Exponential | None:
    """Fit the curve, with its final level fitted too unless it is given.

    None where there are not more samples than unknowns, where nothing moves, or where no tau
    between a two-hundredth and twenty times the stretch fits best (a straight line, a step).
    """
    free = level is None
    if len(t_s) < (4 if free else 3) or np.ptp(v) == 0 or np.ptp(t_s) == 0:
        return None
    thin = slice(None, None, -(-len(t_s) // MOST))
    t, y = t_s[thin] - t_s[0], v[thin]
    base = 0.0 if level is None else level
    tau = _valley(t, y - base, free)
    if tau is None:
        return None
    return _descend(t, y - base, tau, free, base)


def _linear(t: Floats, y: Floats, tau: float, free: bool) -> tuple[Floats, Floats]:
    """The best swing (and level) for one tau, and the residuals."""
    shape = np.exp(-t / tau)
    columns = _beside(shape, 1.0) if free else shape[:, None]
    best = np.asarray(np.linalg.lstsq(columns, y, rcond=None)[0], np.float64)
    return best, y - columns @ best


def _valley(t: Floats, y: Floats, free: bool) -> float | None:
    """The tau of the grid that fits best, if it does not lie at an end of it."""
    taus = np.geomspace(t[-1] / 200, t[-1] * 20, GRID)
    shape = np.exp(-t / taus[:, None])
    if free:  # a free level takes up both means
        shape, y = shape - shape.mean(axis=1, keepdims=True), y - y.mean()
    swing = (shape @ y) / np.einsum("ij,ij->i", shape, shape)
    cost = np.sum((y - swing[:, None] * shape) ** 2, axis=1)
    best = int(np.argmin(cost))
    return float(taus[best]) if 0 < best < GRID - 1 else None


def _descend(t: Floats, y: Floats, tau: float, free: bool, base: float) -> Exponential | None:
    best, residual = _linear(t, y, tau, free)
    for _ in range(STEPS):
        slopes = _slopes(t, tau, best[0], free)
        step = np.linalg.lstsq(slopes, residual, rcond=None)[0]
        # Never more than a factor e at once: the curve is far from linear in tau.
        wanted = tau * float(np.exp(np.clip(step[0], -1, 1)))
        new_best, new_residual = _linear(t, y, wanted, free)
        if np.sum(new_residual**2) >= np.sum(residual**2):
            break
        tau, best, residual = wanted, new_best, new_residual
    slopes = _slopes(t, tau, best[0], free)
    spare = len(t) - slopes.shape[1]
    scatter = float(np.sum(residual**2)) / max(spare, 1)
    try:
        spread = 2 * np.sqrt(np.diag(np.linalg.inv(slopes.T @ slopes)) * scatter)
    except np.linalg.LinAlgError:
        return None
    total = float(np.sum((y - y.mean()) ** 2))
    return Exponential(
        tau_s=tau,
        level=base + (float(best[1]) if free else 0.0),
        swing=float(best[0]),
        tau_u=float(spread[0]) * tau,
        level_u=float(spread[2]) if free else 0.0,
        rms=float(np.sqrt(np.mean(residual**2))),
        r2=1 - float(np.sum(residual**2)) / total,
    )


def _slopes(t: Floats, tau: float, swing: float, free: bool) -> Floats:
    """How the curve moves with ln tau, swing and (if fitted) level; one row a sample."""
    shape = np.exp(-t / tau)
    moved = swing * shape * t / tau
    return _beside(moved, shape, 1.0) if free else _beside(moved, shape)


def _beside(first: Floats, *others: Floats | float) -> Floats:
    """Columns, or the number that fills one, side by side."""
    table = np.empty((len(first), 1 + len(others)))
    for place, column in enumerate((first, *others)):
        table[:, place] = column
    return table
