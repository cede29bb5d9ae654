"""Which fields follow readings: each whole field, and parts of the best of them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from canscope.model.errors import UnknownNameError
from canscope.model.roles import role_of
from canscope.model.survey import ENUMERATION, FLAG, NUMBER, Candidate, Field
from canscope.model.tables import Bools, Int64s
from canscope.survey.counters import positions
from canscope.survey.following import (
    OFF,
    OFF_COUNTED,
    Around,
    Readings,
    around,
    best_fit,
    jitter,
    quick_fit,
)
from canscope.survey.reference import Reference
from canscope.survey.series import AS_ONE, Series

MOST = 120  # readings that are weighed
PROMISING, CUT = 24, 6  # fields that are weighed, and of which parts are: what a line fits best
LOWER, UPPER = "the lower bits of a field", "the upper bits of a field"
SHORTEST, MERGED = 8, 17  # bits of such a part, and of a field that may be two
PART = 4.0  # log odds against a field ending earlier than its bits say
LEAST = 0.02  # score below which a field does not follow
GLANCE = 3  # of so many instants one is looked at first
BOTH_WAYS = ("A", "rpm", "Nm")  # units of what goes below zero: its sign is a matter of choice
MOST_OFF = 4.0  # standard deviations by which a meter may be off
CODE = 6.0  # log odds against a few codes giving a value that a meter shows

Fits = list[tuple[float, Candidate]]  # log odds, and the candidate
Bits = tuple[int, int, bool]  # how many are skipped, how many are taken, whether with a sign

# Log odds against it, the field, the bits of it, and its values around the readings.
Glance = tuple[float, Series, Bits | None, Int64s, Bools]


def by_values(series: Sequence[Series], reference: Reference) -> Fits:
    """How well raw * factor + offset gives the values of a reference: log odds, and the fit."""
    at_s, value = np.array(reference.at_s), np.array(reference.value)
    unit = _unit_of(reference.role)
    both_ways = unit in BOTH_WAYS or bool(value.min() < 0 < value.max())
    off = OFF_COUNTED if unit == "rpm" else OFF
    readings = _thinned(Readings(at_s, value, both_ways, off))
    glances: list[Glance] = []
    for one in series:
        raw, seen = around(one.at_s, one.raw, readings.at_s)
        if seen.any(axis=1).sum() < max(3, 0.6 * len(readings.at_s)):
            continue
        whole = _against(raw, seen, readings)
        glances.append((whole, one, None, raw, seen))
        # The lower bits alone, if they give the readings better than the whole.
        parts: list[Glance] = [
            (_against(_bits(raw, cut), seen, readings) + PART, one, cut, raw, seen)
            for cut in _lower(one)
        ]
        glances += [part for part in sorted(parts, key=_glanced)[:1] if part[0] < whole]
    glances.sort(key=_glanced)
    found: Fits = []
    for place, (_, one, cut, raw, seen) in enumerate(glances[:PROMISING]):
        cuts = [cut, *_upper(one)] if place < CUT and cut is None else [cut]
        for each in cuts:
            found += _fitted(one, each, raw, seen, readings)
    return found


def _glanced(glance: Glance) -> float:
    return glance[0]


def _unit_of(role: str) -> str:
    try:
        return role_of(role).unit or ""
    except UnknownNameError:
        return ""


def _against(raw: Int64s, seen: Bools, readings: Readings) -> float:
    """Log odds against a line that gives the readings, at a glance: at some of the instants."""
    field = Around(raw[:, ::GLANCE].astype(float), seen[:, ::GLANCE], 0.0)
    left = max(float(quick_fit(field, readings).min()), 0.0)
    return 0.5 * float(readings.counts.sum()) * math.log(left + float(np.mean(readings.fine**2)))


def _thinned(readings: Readings) -> Readings:
    """At most ``MOST`` of them: half evenly over time, half evenly over what they say."""
    count = len(readings.at_s)
    if count <= MOST:
        return readings
    rows = np.linspace(0, count - 1, MOST // 2).round().astype(int).tolist()
    levels = np.linspace(readings.value.min(), readings.value.max(), MOST // 2)
    rows += np.abs(readings.value[:, None] - levels).argmin(axis=0).tolist()
    rows = sorted(set(rows))
    return replace(readings, at_s=readings.at_s[rows], value=readings.value[rows])


def _lower(series: Series) -> Iterator[Bits]:
    """The lower bits of a field, which may be a number below another one."""
    field = series.candidate.field
    if field.kind == NUMBER and field.about != AS_ONE:
        for bits in range(SHORTEST, field.bits):
            yield 0, bits, False
            yield 0, bits, True


def _upper(series: Series) -> Iterator[Bits]:
    """The upper bits of a field so wide that it may be two."""
    field = series.candidate.field
    if field.kind == NUMBER and field.about != AS_ONE and field.bits >= MERGED:
        for skipped in range(1, field.bits - SHORTEST):
            yield skipped, 64, field.signed


def _part(field: Field, cut: Bits) -> Field:
    """These bits of a field as one of their own."""
    skipped, bits, signed = cut
    line, less = positions(field), round(field.confidence / 2, 2)
    if skipped:
        return replace(
            field, low=line[skipped], bits=field.bits - skipped, confidence=less, about=UPPER
        )
    return replace(
        field, high=line[bits - 1], bits=bits, spare=0, signed=signed, confidence=less, about=LOWER
    )


def _fitted(series: Series, cut: Bits | None, raw: Int64s, seen: Bools, readings: Readings) -> Fits:
    """The fit of a field, or of some bits of it; none if it does not follow the readings."""
    one, cost = series.candidate.field, series.cost
    if cut is not None:
        one, cost = _part(one, cut), PART
    field = Around(_bits(raw, cut).astype(float), seen, jitter(_bits(series.raw, cut)))
    fit = best_fit(field, readings, signed=one.signed)
    if fit is None or not np.isfinite(fit.left):
        return []
    score = float(np.clip(1 - fit.left / (readings.value.var() + np.mean(readings.fine**2)), 0, 1))
    if score < LEAST:
        return []
    if one.kind in (FLAG, ENUMERATION):
        cost += CODE
    # No meter is off by more: readings that leave that much open do not tell the factor.
    gain = fit.gain if abs(fit.gain - 1) < MOST_OFF * readings.off else 1.0
    follows = replace(
        series.candidate,
        field=one,
        score=round(score, 4),
        factor=float(f"{fit.factor * fit.gain / gain:.6g}"),
        offset=float(f"{fit.offset * fit.gain / gain:.6g}"),
        gain=round(gain, 4),
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
