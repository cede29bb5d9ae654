"""Which fields follow a reference: every field is fitted, and the fits are compared."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from canscope.model.survey import (
    CHECKSUM,
    COUNTER,
    ENUMERATION,
    FLAG,
    NUMBER,
    UNEXPLAINED,
    Candidate,
    Field,
    Ranking,
)
from canscope.model.tables import SECOND_NS, Bools, Floats
from canscope.survey.counters import positions
from canscope.survey.payloads import field_values
from canscope.survey.reference import Reference
from canscope.survey.survey import Surveyed

HAND_S = 0.5  # how far a typed-in time may lie from its instant; common practice, no source
BEFORE_S, AFTER_S = 0.7, 1.3  # around a mark, in which what was marked happens
STALE_S = 5.0  # a value that is older does not show the instant
APART = 8  # bits from one field to the next that may be its high digits
JOINED = 2.0  # log odds against each further field being part of one
LONGEST = 24  # bits of such a one
AS_ONE = "neighbouring fields read as one"
NOT_FOLLOWING = (UNEXPLAINED, COUNTER, CHECKSUM)
MOMENTS = 3  # at which a mark must stand before a field is clearly what was marked
SHOWN = 8  # candidates of a ranking
UNROUND = 1.5  # log odds against a factor that is no round number
EVEN = 3.0  # log odds against a value that needs an offset
ROUND = (1.0, 1.25, 2.0, 2.5, 4.0, 5.0, 7.8125, 8.0)  # leading digits of usual factors
CODE = 6.0  # log odds against a few codes giving a value that a meter shows
MISTYPED = 4.0  # log odds that one reading can take away
LEVEL = 0.05  # of the range of the readings, from one level to the next
CLEAR = 3.0  # log odds by which the first must lead


@dataclass(frozen=True, eq=False)
class _Series:
    """One field (of one selector's value) over time, seconds from the first frame."""

    candidate: Candidate
    at_s: Floats
    raw: Floats
    cost: float  # log odds against its being one field


def rank(surveyed: Sequence[Surveyed], references: Sequence[Reference]) -> tuple[Ranking, ...]:
    """The candidates for each reference, best first."""
    origin = min(int(one.payloads.all_ns.min()) for one in surveyed)
    series = [one for each in surveyed for one in _series(each, origin)]
    return tuple(_ranking(series, reference) for reference in references)


def _series(one: Surveyed, origin: int) -> Iterator[_Series]:
    payloads = one.payloads
    joined = dict(_joined(one))
    for field in dict.fromkeys([*one.identifier.fields, *joined]):
        if field.kind in NOT_FOLLOWING or (payloads.selector and field.low < 8):
            continue
        raw = field_values(payloads, field)
        for selected in payloads.selector or (None,):
            rows = np.arange(len(raw))
            if selected is not None:
                rows = np.flatnonzero(payloads.data[:, 0] == selected)
            rows = rows[np.argsort(payloads.time_ns[rows], kind="stable")]
            at_s = (payloads.time_ns[rows] - origin) / SECOND_NS
            start = Candidate(one.identifier, field, selected, 0.0)
            yield _Series(start, at_s, raw[rows].astype(float), joined.get(field, 0.0))


def _joined(one: Surveyed) -> Iterator[tuple[Field, float]]:
    """Neighbouring fields read as one: a number whose high digits hardly moved looks like two."""
    usable = [f for f in one.identifier.fields if f.kind not in NOT_FOLLOWING]
    taken = {bit for f in one.identifier.fields for bit in positions(f)}
    width = 8 * one.payloads.data.shape[1]
    for first in usable:
        for big in (False, True):
            line = positions(replace(first, bits=min(LONGEST, width), big_endian=big))
            line = [bit for bit in line if 0 <= bit < width]
            own: set[int] = set()
            parts = 0
            for bits, bit in enumerate(line, start=1):
                ends = [f for f in usable if f.high == bit and set(positions(f)) <= set(line)]
                own |= {bit for f in ends for bit in positions(f)}
                parts += len(ends)
                if not taken & set(line[:bits]) <= own | _pending(usable, line, bits):
                    break
                if ends and len(own) > first.bits and bits - len(own) <= APART:
                    field = _as_one(first, ends[0], bits, big and line[0] // 8 != bit // 8)
                    yield field, JOINED * (parts - 1)


def _pending(usable: Sequence[Field], line: Sequence[int], bits: int) -> set[int]:
    """Bits of the field that has begun but not ended at this place."""
    for field in usable:
        own = set(positions(field))
        if line[bits - 1] in own and own <= set(line):
            return own
    return set()


def _as_one(first: Field, last: Field, bits: int, big_endian: bool) -> Field:
    return replace(
        first,
        high=last.high,
        bits=bits,
        spare=min(last.spare, 7 - last.high % 8),  # those in the byte where both orders agree
        big_endian=big_endian,
        signed=last.signed,
        kind=NUMBER,
        confidence=round(min(first.confidence, last.confidence) / 2, 2),
        about=AS_ONE,
    )


def _ranking(series: Sequence[_Series], reference: Reference) -> Ranking:
    if reference.value is None:
        series = [one for one in series if one.candidate.field.about != AS_ONE]
    fit = _following if reference.value is not None else _marked
    fitted = [found for one in series if (found := fit(one, reference)) is not None]
    fitted.sort(key=lambda pair: -pair[0])
    clear = False
    if fitted:
        weight, best = fitted[0]
        others = [other for other, one in fitted if not _overlap(one, best)]
        clear = best.score > 0.5 and weight - max(others, default=-np.inf) >= CLEAR
        if reference.value is None:
            # Marks of one moment count once: too much else happens in it.
            moments = 1 + int((np.diff(reference.at_s) > BEFORE_S + AFTER_S).sum())
            clear &= moments >= MOMENTS
        else:
            # A line through two levels fits whatever has two levels, through three it often does.
            clear &= _levels(reference.value) >= (4 if best.offset else 2)
    shown: list[Candidate] = []
    for _, one in fitted:
        if len(shown) < SHOWN and not any(_overlap(one, better) for better in shown):
            shown.append(one)
    return Ranking(reference.role, reference.kind, len(reference.at_s), tuple(shown), bool(clear))


def _levels(values: Sequence[float]) -> int:
    """How many clearly different values there are among the readings."""
    ordered = np.sort(np.array(values))
    span = float(np.ptp(ordered))
    if span <= 0.01 * np.abs(ordered).max():
        return 1
    return int((np.diff(ordered) > LEVEL * span).sum()) + 1


def _overlap(one: Candidate, other: Candidate) -> bool:
    """Whether they are readings of the same bits: parts of one number, not rivals."""
    if (one.identifier.key, one.selected) != (other.identifier.key, other.selected):
        return False
    return bool(set(positions(one.field)) & set(positions(other.field)))


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
    fine = np.maximum(0.002 * np.abs(y) + 0.001 * np.abs(y).max(), 1e-9)
    plain = float(y.var() + np.mean(fine**2))
    code = CODE if series.candidate.field.kind in (FLAG, ENUMERATION) else 0.0
    best: tuple[float, Candidate] | None = None
    for factor, offset, cost in _fits(x, y):
        left = y - factor * x - offset
        known = fine**2 + (factor / 2) ** 2 / 3 + (0.5 * factor * spread) ** 2
        # Against a field that knows nothing; one reading may be mistyped, and costs no more.
        gain = np.maximum(-0.5 * (left**2 / known + np.log(known / plain)), -MISTYPED)
        error = float(np.sqrt(np.mean(left**2)))
        weight = float(gain.sum()) - cost - code - series.cost
        # Of two fields that fit alike, the one that shows more of the quantity.
        weight -= 0.5 * float(np.log1p(np.mean(known / fine**2)))
        score = float(np.clip(1 - np.mean(left**2) / plain, 0, 1))
        if score == 0 and y.var() > 4 * np.mean(fine**2):
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
