"""Does a temperature move as a part does that is heated in bursts?

Heat comes while a unit turns, spreads from body to body and goes into the air. What each burst does
to a part is then a sum of responses of bodies in a row, fast and slow ones, none of them negative;
whatever came before the recording fades. A reading that falls, swings or jumps otherwise than such
a sum can is not that of a part: it is made up, another's, or repeats what was.

All thresholds are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from canscope.model.tables import SECOND_NS, Floats, Int64s

TAUS_S = (3.0, 10.0, 30.0, 100.0, 10_000.0)  # of a module's own sensor to that of a whole unit
FADES_S = (60.0, 600.0)  # of what was before
MOST_BURSTS, FEWEST = 8, 15  # bursts that are told apart; blocks of the course
ROUNDS = 300  # of the fit, at most
LEFT_STEPS, LEFT_K, LEFT_PART = 0.8, 0.25, 0.15  # that may be left: of its steps, of its way
SOAKS_NS, WITHIN_NS = 15 * SECOND_NS, 40 * SECOND_NS  # after a burst; a soak takes minutes
RISES_K, RISES = 8.0, 2.0  # in that time; of what the bursts had warmed it by
LEFT_WET, LEFT_COOL, COOL_K = (
    0.4,
    0.25,
    8.0,
)  # of its way, where coolant may cool it; of a small one


def unexplained(
    at_ns: Int64s, degC: Floats, turns: Sequence[tuple[int, int]], step_K: float, *, wet: bool
) -> tuple[float, int] | None:
    """By how much (in K) and when a temperature lay farthest from what bursts can make of it.

    None where that is little, or where too little is known. ``at_ns`` and ``degC`` are the middles
    and the means of n stretches of time, ``turns`` when each burst of any unit began and ended.
    ``wet``: coolant may cool it now more, now less.
    """
    bursts = _joined(turns)
    if len(at_ns) < FEWEST or not 0 < len(bursts) <= MOST_BURSTS:
        return None
    start_ns = int(at_ns[0])
    seconds = (at_ns - start_ns) / SECOND_NS
    columns = [np.ones(len(seconds)), *(np.exp(-seconds / tau_s) for tau_s in FADES_S)]
    columns += [-column for column in columns]
    for begin_ns, end_ns in bursts:
        stretch = ((begin_ns - start_ns) / SECOND_NS, (end_ns - start_ns) / SECOND_NS)
        alone = [_warmed(seconds, *stretch, tau_s) for tau_s in TAUS_S]
        columns += alone
        columns += [slow - fast for fast, slow in combinations(alone, 2)]  # one body after another
    left = degC - _fitted(np.stack(columns, axis=1), degC - float(degC.min())) - float(degC.min())
    row = int(np.argmax(np.abs(left)))
    way_K = float(np.ptp(degC))
    part = (LEFT_WET if way_K >= COOL_K else LEFT_COOL) if wet else LEFT_PART
    most_K = max(LEFT_STEPS * step_K, LEFT_K, part * way_K)
    return (float(left[row]), int(at_ns[row])) if abs(left[row]) > most_K else None


def rises_at_rest(
    at_ns: Int64s, degC: Floats, turns: Sequence[tuple[int, int]]
) -> tuple[float, int] | None:
    """By how much (in K) and when a temperature rose long after a burst; None if by little.

    Heat soaks from part to part, the slower the farther; what rises fast by far more than the
    bursts had warmed it has another source, or is no temperature. Columns as in ``unexplained``.
    """
    bursts = _joined(turns)
    cold = degC[at_ns < bursts[0][0]][-1:] if bursts else degC[:0]
    for number, (_, end_ns) in enumerate(bursts if len(cold) else ()):
        until_ns = bursts[number + 1][0] if number + 1 < len(bursts) else int(at_ns[-1]) + 1
        rows = np.flatnonzero((at_ns >= end_ns + SOAKS_NS) & (at_ns < until_ns))
        if not len(rows):
            continue
        since = at_ns[rows].searchsorted(at_ns[rows] - WITHIN_NS)
        low = [degC[rows][first : row + 1].min() for row, first in enumerate(since.tolist())]
        rise_K = degC[rows] - np.array(low)
        most = int(rise_K.argmax())
        if rise_K[most] > max(RISES_K, RISES * float(degC[rows[0]] - cold[0])):
            return float(rise_K[most]), int(at_ns[rows[most]])
    return None


def _joined(turns: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Bursts of several units, as stretches that do not overlap, in time order."""
    found: list[tuple[int, int]] = []
    for begin_ns, end_ns in sorted(turns):
        if found and begin_ns <= found[-1][1] + SECOND_NS:
            found[-1] = found[-1][0], max(found[-1][1], end_ns)
        else:
            found.append((begin_ns, end_ns))
    return found


def _warmed(seconds: Floats, begin_s: float, end_s: float, tau_s: float) -> Floats:
    """A body that heat of one kelvin a second reaches during a burst, and leaves with ``tau_s``."""
    since = np.maximum(seconds - begin_s, 0.0)
    after = np.maximum(seconds - end_s, 0.0)
    return np.asarray(tau_s * (np.exp(-after / tau_s) - np.exp(-since / tau_s)))


def _fitted(columns: Floats, values: Floats) -> Floats:
    """The nearest sum of these columns with no negative share (Lawson and Hanson)."""
    sizes = np.linalg.norm(columns, axis=0)
    columns = columns[:, sizes > 0] / sizes[sizes > 0]
    used = np.zeros(columns.shape[1], bool)
    shares = np.zeros(columns.shape[1])
    for _ in range(ROUNDS):
        slope = columns.T @ (values - columns @ shares)
        slope[used] = -np.inf
        if used.all() or slope.max() <= 1e-9 * float(np.linalg.norm(values)):
            break
        used[int(np.argmax(slope))] = True
        while True:
            some = np.flatnonzero(used)
            wanted = np.linalg.lstsq(columns[:, some], values, rcond=None)[0]
            if (wanted > 0).all():
                shares[some] = wanted
                break
            low = wanted <= 0
            part = shares[some][low] / (shares[some][low] - wanted[low])
            shares[some] += float(part.min()) * (wanted - shares[some])
            used[some[shares[some] <= 1e-12]] = False
            used[some[low][part <= part.min()]] = False
            shares[~used] = 0.0
            if not used.any():
                break
    return np.asarray(columns @ shares)
