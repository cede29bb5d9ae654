"""Which fields follow a reference: every field is fitted, and the fits are compared."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from canscope.model.survey import CHECKSUM, COUNTER, UNEXPLAINED, Candidate, Ranking
from canscope.model.tables import SECOND_NS, Bools, Floats
from canscope.survey.payloads import raw_values
from canscope.survey.reference import Reference
from canscope.survey.survey import Surveyed

HAND_S = 0.5  # how far a typed-in time may lie from its instant; common practice, no source
BEFORE_S, AFTER_S = 0.7, 1.3  # around a mark, in which what was marked happens
STALE_S = 5.0  # a value that is older does not show the instant
SHOWN = 8  # candidates of a ranking
UNROUND = 3.0  # log odds against a factor that is no round number
EVEN = 4.0  # log odds against a value that needs an offset
ROUND = (1.0, 1.25, 2.0, 2.5, 4.0, 5.0, 7.8125, 8.0)  # leading digits of usual factors
CLEAR = 3.0  # log odds by which the first must lead


@dataclass(frozen=True, eq=False)
class _Series:
    """One field (of one selector's value) over time, seconds from the first frame."""

    candidate: Candidate
    at_s: Floats
    raw: Floats


def rank(surveyed: Sequence[Surveyed], references: Sequence[Reference]) -> tuple[Ranking, ...]:
    """The candidates for each reference, best first."""
    origin = min(int(one.payloads.all_ns.min()) for one in surveyed)
    series = [one for each in surveyed for one in _series(each, origin)]
    return tuple(_ranking(series, reference) for reference in references)


def _series(one: Surveyed, origin: int) -> Iterator[_Series]:
    payloads = one.payloads
    for field in one.identifier.fields:
        if field.kind in (UNEXPLAINED, COUNTER, CHECKSUM):
            continue
        raw = raw_values(
            payloads.data,
            field.low,
            field.length_bits,
            big_endian=field.big_endian,
            signed=field.signed,
        )
        if payloads.selector and field.low < 8:
            continue
        for selected in payloads.selector or (None,):
            rows = np.arange(len(raw))
            if selected is not None:
                rows = np.flatnonzero(payloads.data[:, 0] == selected)
            rows = rows[np.argsort(payloads.time_ns[rows], kind="stable")]
            at_s = (payloads.time_ns[rows] - origin) / SECOND_NS
            start = Candidate(one.identifier, field, selected, 0.0)
            yield _Series(start, at_s, raw[rows].astype(float))


def _ranking(series: Sequence[_Series], reference: Reference) -> Ranking:
    fit = _following if reference.value is not None else _marked
    fitted = [found for one in series if (found := fit(one, reference)) is not None]
    fitted.sort(key=lambda pair: -pair[0])
    weights = [weight for weight, _ in fitted]
    lead = weights[0] - weights[1] if len(weights) > 1 else np.inf
    best = fitted[0][1].score if fitted else 0.0
    return Ranking(
        reference.role,
        reference.kind,
        len(reference.at_s),
        tuple(candidate for _, candidate in fitted[:SHOWN]),
        bool(lead >= CLEAR and best > 0.5),
    )


def _following(series: _Series, reference: Reference) -> tuple[float, Candidate] | None:
    """How well raw * factor + offset gives the values: log odds, and the fit."""
    wanted = np.array(reference.value)
    at_s = np.array(reference.at_s)
    x, spread, seen = _near(series, at_s)
    if seen.sum() < max(3, 0.6 * len(at_s)):
        return None
    x, spread, y = x[seen], spread[seen], wanted[seen]
    n = len(y)
    # What a meter and a hand leave open; the field's own motion around the instant comes on top.
    fine = max(0.002 * float(np.abs(y).max()), 1e-9)
    plain = float(y.var()) + fine**2
    best: tuple[float, Candidate] | None = None
    for factor, offset, cost in _fits(x, y):
        left = y - factor * x - offset
        known = fine**2 + (factor / 2) ** 2 / 3 + (0.5 * factor * spread) ** 2
        # Beyond three times what is open, a point costs no more: one reading may be mistyped.
        off = np.minimum(left**2 / known, 9.0)
        error = float(np.sqrt(np.mean(left**2)))
        weight = float(-0.5 * np.sum(off + np.log(known / plain))) - cost
        # Of two fields that fit alike, the one that shows more of the quantity.
        weight -= 0.5 * np.log1p(known.mean() / fine**2)
        score = float(np.clip(1 - np.mean(left**2) / max(float(y.var()), fine**2), 0, 1))
        if score == 0 and y.var() > 4 * fine**2:
            continue
        found = replace(
            series.candidate,
            score=round(score, 4),
            factor=float(f"{factor:.6g}"),
            offset=float(f"{offset:.6g}"),
            error=float(f"{error:.3g}"),
        )
        if best is None or weight > best[0]:
            best = weight, found
    return best if n else None


def _near(series: _Series, at_s: Floats) -> tuple[Floats, Floats, Bools]:
    """At each instant the mean and spread within what a hand may be off, and whether seen."""
    first = np.searchsorted(series.at_s, at_s - HAND_S)
    last = np.searchsorted(series.at_s, at_s + HAND_S, side="right")
    x, spread = np.full(len(at_s), np.nan), np.zeros(len(at_s))
    for i, (a, b) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
        part = series.raw[a:b]
        if len(part):
            x[i], spread[i] = part.mean(), np.ptp(part)
        elif a and at_s[i] - series.at_s[a - 1] < STALE_S:
            x[i] = series.raw[a - 1]
    return x, spread, ~np.isnan(x)


def _fits(x: Floats, y: Floats) -> Iterator[tuple[float, float, float]]:
    """Factor, offset and what they cost: through zero or not, round or not."""
    square = float(np.sum(x * x))
    if square == 0:
        return
    through = float(np.sum(x * y)) / square
    if through:
        yield through, 0.0, UNROUND
        near = _round(through)
        if abs(near / through - 1) < 0.03:
            yield near, 0.0, 0.0
    variance = float(x.var())
    if variance > 0:
        slope = float(np.mean((x - x.mean()) * (y - y.mean()))) / variance
        if slope:
            yield slope, float(y.mean() - slope * x.mean()), EVEN + UNROUND
            near = _round(slope)
            if abs(near / slope - 1) < 0.1:
                yield near, float(y.mean() - near * x.mean()), EVEN


def _round(factor: float) -> float:
    """The nearest usual factor."""
    power = 10.0 ** np.floor(np.log10(abs(factor)))
    steps = np.array([*ROUND, 10.0]) * power
    return float(np.sign(factor) * steps[np.abs(np.log(steps / abs(factor))).argmin()])


def _marked(series: _Series, reference: Reference) -> tuple[float, Candidate] | None:
    """How much more often it changes at the marks than at other times, always the same way."""
    marks = np.array(reference.at_s)
    if len(series.raw) < 8:
        return None
    grid = np.arange(series.at_s[0] + BEFORE_S, series.at_s[-1] - AFTER_S, 0.5)
    grid = grid[np.abs(grid[:, None] - marks).min(axis=1) > BEFORE_S + AFTER_S]
    elsewhere = _moves(series, grid)
    here = _moves(series, marks)
    noise = float(np.percentile(np.abs(elsewhere), 50)) if len(elsewhere) else 0.0
    threshold = max(0.5, 3 * noise)
    hits = np.abs(here) > threshold
    if not hits.any():
        return None
    one_way = abs(float(np.sign(here[hits]).mean()))
    others = float((np.abs(elsewhere) > threshold).mean()) if len(elsewhere) else 0.0
    score = float(hits.mean()) * one_way * (1 - others)
    size = float(np.median(np.abs(here[hits]))) / max(float(np.ptp(series.raw)), 1.0)
    return 10 * score + size, replace(series.candidate, score=round(score, 4))


def _moves(series: _Series, at_s: Floats) -> Floats:
    """How far it went from before each instant to its farthest point soon after it."""
    start = np.searchsorted(series.at_s, at_s - BEFORE_S)
    end = np.searchsorted(series.at_s, at_s + AFTER_S, side="right")
    moved = np.zeros(len(at_s))
    for i, (a, b) in enumerate(zip(start.tolist(), end.tolist(), strict=True)):
        part = series.raw[max(a - 1, 0) : b]
        if len(part):
            away = part - part[0]
            moved[i] = away[np.abs(away).argmax()]
    return moved
