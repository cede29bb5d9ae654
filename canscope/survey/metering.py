"""Which fields follow readings: each whole field, and parts of the best of them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from canscope.model.survey import ENUMERATION, FLAG, NUMBER, Candidate
from canscope.model.tables import Bools, Int64s
from canscope.survey.counters import positions
from canscope.survey.following import Around, Readings, around, best_fit, jitter, quick_fit
from canscope.survey.reference import Reference
from canscope.survey.series import AS_ONE, Series

MOST = 120  # readings that are weighed
PROMISING, CUT = 24, 6  # fields that are weighed, and of which parts are: what a line fits best
LOWER, UPPER = "the lower bits of a field", "the upper bits of a field"
SHORTEST, MERGED = 8, 17  # bits of such a part, and of a field that may be two
PART = 4.0  # log odds against a field ending earlier than its bits say
CODE = 6.0  # log odds against a few codes giving a value that a meter shows

Fits = list[tuple[float, Candidate]]  # log odds, and the candidate
Bits = tuple[int, int, bool]  # how many are skipped, how many are taken, whether with a sign


def by_values(series: Sequence[Series], reference: Reference) -> Fits:
    """How well raw * factor + offset gives the values of a reference: log odds, and the fit."""
    readings = _thinned(Readings(np.array(reference.at_s), np.array(reference.value)))
    wholes = []
    for one in series:
        raw, seen = around(one.at_s, one.raw, readings.at_s)
        if seen.any(axis=1).sum() >= max(3, 0.6 * len(readings.at_s)):
            wholes.append((_against(raw, seen, readings), one, raw, seen))
    wholes.sort(key=lambda whole: whole[0])
    found: Fits = []
    for place, (against, one, raw, seen) in enumerate(wholes[:PROMISING]):
        found += _fitted(one, one.candidate, one.cost, None, raw, seen, readings)
        if place < CUT:
            for candidate, bits in _cuts(one):
                # A part that gives the readings worse than the whole is none.
                if _against(_bits(raw, bits), seen, readings) < against + PART:
                    found += _fitted(one, candidate, PART, bits, raw, seen, readings)
    return found


def _against(raw: Int64s, seen: Bools, readings: Readings) -> float:
    """Log odds against a line that gives the readings, at a glance."""
    left = float(quick_fit(Around(raw.astype(float), seen, 0.0), readings).min())
    return (
        0.5
        * float(readings.counts.sum())
        * math.log(max(left, 0.0) + float(np.mean(readings.fine**2)))
    )


def _thinned(readings: Readings) -> Readings:
    """At most ``MOST`` of them: half evenly over time, half evenly over what they say."""
    count = len(readings.at_s)
    if count <= MOST:
        return readings
    rows = np.linspace(0, count - 1, MOST // 2).round().astype(int).tolist()
    levels = np.linspace(readings.value.min(), readings.value.max(), MOST // 2)
    rows += np.abs(readings.value[:, None] - levels).argmin(axis=0).tolist()
    rows = sorted(set(rows))
    return Readings(readings.at_s[rows], readings.value[rows])


def _cuts(series: Series) -> Iterator[tuple[Candidate, Bits]]:
    """The lower or upper bits of a field: two neighbours can look like one."""
    field = series.candidate.field
    if field.kind != NUMBER or field.about == AS_ONE:
        return
    line, less = positions(field), round(field.confidence / 2, 2)
    for bits in range(SHORTEST, field.bits):
        for signed in (False, True):
            part = replace(
                field, high=line[bits - 1], bits=bits, spare=0, signed=signed,
                confidence=less, about=LOWER,
            )  # fmt: skip
            yield replace(series.candidate, field=part), (0, bits, signed)
    for skipped in range(1, field.bits - SHORTEST if field.bits >= MERGED else 1):
        part = replace(
            field, low=line[skipped], bits=field.bits - skipped, confidence=less, about=UPPER
        )
        yield replace(series.candidate, field=part), (skipped, 64, field.signed)


def _fitted(
    series: Series,
    candidate: Candidate,
    cost: float,
    bits: Bits | None,
    raw: Int64s,
    seen: Bools,
    readings: Readings,
) -> Fits:
    """The fit of a field, or of some bits of it; none if it does not follow the readings."""
    field = Around(_bits(raw, bits).astype(float), seen, jitter(_bits(series.raw, bits)))
    fit = best_fit(field, readings, signed=candidate.field.signed)
    if fit is None or not np.isfinite(fit.left):
        return []
    spread = float(readings.value.var())
    fine = float(np.mean(readings.fine**2))
    score = float(np.clip(1 - fit.left / (spread + fine), 0, 1))
    if score == 0 and spread > 4 * fine:
        return []
    if candidate.field.kind in (FLAG, ENUMERATION):
        cost += CODE
    follows = replace(
        candidate,
        score=round(score, 4),
        factor=float(f"{fit.factor:.6g}"),
        offset=float(f"{fit.offset:.6g}"),
        error=float(f"{fit.left**0.5:.3g}"),
    )
    return [(fit.weight - cost, follows)]


def _bits(raw: Int64s, bits: Bits | None) -> Int64s:
    """Of raw values some bits alone."""
    if bits is None:
        return raw
    skipped, width, signed = bits
    raw = raw >> skipped
    if width < 64:
        raw = raw & ((1 << width) - 1)
        if signed:
            raw = raw - ((raw >> (width - 1)) << width)
    return raw
