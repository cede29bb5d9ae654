"""Which fields follow a reference: every field is fitted, and the fits are compared."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from canscope.model.bench import Kind
from canscope.model.errors import CanscopeError, UnknownNameError
from canscope.model.roles import role_of
from canscope.model.survey import (
    CHECKSUM,
    COUNTER,
    ENUMERATION,
    FLAG,
    NUMBER,
    UNEXPLAINED,
    WEAK,
    Candidate,
    Field,
    Ranking,
)
from canscope.model.tables import SECOND_NS, Bools, Floats, Int64s
from canscope.survey.counters import positions
from canscope.survey.following import best_fit, is_usual, uncertainty
from canscope.survey.marking import AFTER_S, BEFORE_S, MarkFit, fit_marks, lateness
from canscope.survey.payloads import field_values
from canscope.survey.reference import Reference
from canscope.survey.survey import Surveyed

HAND_S = 0.5  # how far a typed-in time may lie from its instant; common practice, no source
STALE_S = 5.0  # a value that is older does not show the instant
APART = 8  # bits from one field to the next that may be its high digits
JOINED = 3.0  # log odds against each further field being part of one
LONGEST = 24  # bits of such a one
AS_ONE = "neighbouring fields read as one"
LOWER, UPPER = "the lower bits of a field", "the upper bits of a field"
SHORTEST, MERGED = 8, 17  # bits of such a part, and of a field that may be two
PART = 4.0  # log odds against a field ending earlier than its bits say
NOT_FOLLOWING = (UNEXPLAINED, COUNTER, CHECKSUM)
MOMENTS = 3  # at which a mark must stand before a field is clearly what was marked
SHOWN = 8  # candidates of a ranking
CODE = 6.0  # log odds against a few codes giving a value that a meter shows
OTHER_KIND = 1.5  # log odds against a state being a number, or the other way round
LEVEL = 0.05  # of the range of the readings, from one level to the next
OTHER_BUS = 5.0  # log odds against two readings of one unit being on different buses
CLEAR = 3.0  # log odds by which the first must lead; what leads by less is a tie


@dataclass(frozen=True, eq=False)
class _Series:
    """One field (of one selector's value) over time, seconds from the first frame."""

    candidate: Candidate
    at_s: Floats
    raw: Int64s
    cost: float  # log odds against its being one field


Fits = list[tuple[float, Candidate]]  # log odds, and the candidate
Bits = tuple[int, int, bool]  # how many are skipped, how many are taken, whether with a sign


def rank(surveyed: Sequence[Surveyed], references: Sequence[Reference]) -> tuple[Ranking, ...]:
    """The candidates for each reference, best first."""
    origin = min(int(one.payloads.all_ns.min()) for one in surveyed)
    series = [one for each in surveyed for one in _series(each, origin)]
    fitted = [_fits(series, reference) for reference in references]
    return tuple(
        _ranking(reference, _beside_its_unit(place, references, fitted))
        for place, reference in enumerate(references)
    )


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
            yield _Series(start, at_s, raw[rows], joined.get(field, 0.0))


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


def _fits(series: Sequence[_Series], reference: Reference) -> Fits:
    return (_by_marks if reference.value is None else _by_values)(series, reference)


def _beside_its_unit(place: int, references: Sequence[Reference], fitted: Sequence[Fits]) -> Fits:
    """The fits for a reference, those down-weighted on whose bus its unit's others do not fit.

    Two links of one pack show the same voltage; the speed tells which bus is whose.
    """
    unit = _unit_of(references[place].role)
    channels = sorted({one.identifier.channel for _, one in fitted[place]})
    support = dict.fromkeys(channels, 0.0)
    for other, fits in enumerate(fitted):
        if other == place or not unit or _unit_of(references[other].role) != unit or not fits:
            continue
        best = max(weight for weight, _ in fits)
        for channel in channels:
            own = [weight for weight, one in fits if one.identifier.channel == channel]
            support[channel] += max(max(own, default=-np.inf) - best, -OTHER_BUS)
    most = max(support.values(), default=0.0)
    return [
        (weight + max(support[one.identifier.channel] - most, -OTHER_BUS), one)
        for weight, one in fitted[place]
    ]


def _unit_of(role: str) -> str:
    """``units.front`` of ``units.front.speed``; empty for what is no unit's."""
    words = role.split(".")
    return ".".join(words[:2]) if words[0] == "units" and len(words) > 2 else ""


def _ranking(reference: Reference, fitted: Fits) -> Ranking:
    shown: list[tuple[float, Candidate]] = []
    for weight, one in sorted(fitted, key=lambda pair: -pair[0]):
        if len(shown) < SHOWN and not any(_overlap(one, better) for _, better in shown):
            shown.append((weight, one))
    # That a factor is no usual one counts against the first: another may yet be meant.
    lead = CLEAR if not shown or is_usual(shown[0][1].factor) else 2 * CLEAR
    tied = sum(shown[0][0] - weight < lead for weight, _ in shown)
    return Ranking(
        reference.role,
        reference.kind,
        len(reference.at_s),
        tuple(one for _, one in shown),
        clear=tied == 1 and _tells(reference, shown[0][1]),
        tied=tied,
    )


def _tells(reference: Reference, best: Candidate) -> bool:
    """Whether the reference says enough for the first to be called clear."""
    if best.score <= WEAK:
        return False
    if reference.value is None:
        # Marks of one moment count once: too much else happens in it.
        return 1 + int((np.diff(reference.at_s) > BEFORE_S + AFTER_S).sum()) >= MOMENTS
    # A line through two levels fits whatever has two levels, through three it often does.
    return _levels(reference.value) >= (4 if best.offset else 2)


def picked(rankings: Sequence[Ranking], picks: Sequence[str]) -> tuple[Ranking, ...]:
    """The rankings, those of a ``ROLE=NUMBER`` with the candidate of that place first.

    Raises CanscopeError for a role without a reference or a place that is not listed.
    """
    found = {ranking.role: ranking for ranking in rankings}
    for text in picks:
        role, _, number = text.rpartition("=")
        if role not in found:
            raise UnknownNameError("reference", role or text, found)
        ranking = found[role]
        places = len(ranking.candidates)
        if not number.isdecimal() or not 1 <= int(number) <= places:
            what = f"--pick {text}: {places} fields are listed for {role}"
            raise CanscopeError(what, hint=f"write a number from 1: --pick {role}=1")
        place = int(number)
        best = ranking.candidates[place - 1]
        rest = [one for one in ranking.candidates if one is not best]
        found[role] = replace(ranking, candidates=(best, *rest), picked=place)
    return tuple(found[ranking.role] for ranking in rankings)


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


def _by_values(series: Sequence[_Series], reference: Reference) -> Fits:
    """How well raw * factor + offset gives the values: log odds, and the fit."""
    found = []
    for one in series:
        windows = _Windows.around(one, np.array(reference.at_s))
        if windows.seen.sum() < max(3, 0.6 * len(reference.at_s)):
            continue
        y = np.array(reference.value)[windows.seen]
        for candidate, cost, bits in _cuts(one):
            fitted = _fitted(candidate, windows, bits, y)
            if fitted is not None:
                found.append((fitted[0] - cost, fitted[1]))
    return found


def _cuts(series: _Series) -> Iterator[tuple[Candidate, float, Bits | None]]:
    """The field itself, and its lower or upper bits: two neighbours can look like one field."""
    field = series.candidate.field
    yield series.candidate, series.cost, None
    if field.kind != NUMBER or field.about == AS_ONE:
        return
    for bits in range(SHORTEST, field.bits):
        for signed in (False, True):
            part = replace(
                field,
                high=positions(field)[bits - 1],
                bits=bits,
                spare=0,
                signed=signed,
                confidence=round(field.confidence / 2, 2),
                about=LOWER,
            )
            yield replace(series.candidate, field=part), PART, (0, bits, signed)
    for skipped in range(1, field.bits - SHORTEST if field.bits >= MERGED else 1):
        part = replace(
            field,
            low=positions(field)[skipped],
            bits=field.bits - skipped,
            confidence=round(field.confidence / 2, 2),
            about=UPPER,
        )
        yield replace(series.candidate, field=part), PART, (skipped, 64, field.signed)


def _fitted(
    candidate: Candidate, windows: _Windows, bits: Bits | None, y: Floats
) -> tuple[float, Candidate] | None:
    x, spread = windows.values(bits)
    weight, factor, offset = best_fit(x, spread, y, signed=candidate.field.signed)
    if not np.isfinite(weight):
        return None
    left = float(np.mean((y - factor * x - offset) ** 2))
    fine = float(np.mean(uncertainty(y) ** 2))
    score = float(np.clip(1 - left / (y.var() + fine), 0, 1))
    if score == 0 and y.var() > 4 * fine:
        return None
    code = CODE if candidate.field.kind in (FLAG, ENUMERATION) else 0.0
    return weight - code, replace(
        candidate,
        score=round(score, 4),
        factor=float(f"{factor:.6g}"),
        offset=float(f"{offset:.6g}"),
        error=float(f"{left**0.5:.3g}"),
    )


@dataclass(frozen=True, eq=False)
class _Windows:
    """A field's raw values within what a hand may be off around each instant."""

    parts: tuple[Int64s, ...]  # of the instants at which it was seen
    seen: Bools

    @classmethod
    def around(cls, series: _Series, at_s: Floats) -> _Windows:
        first = np.searchsorted(series.at_s, at_s - HAND_S).tolist()
        last = np.searchsorted(series.at_s, at_s + HAND_S, side="right").tolist()
        parts = []
        for at, a, b in zip(at_s.tolist(), first, last, strict=True):
            if a == b and a and at - series.at_s[a - 1] < STALE_S:
                a -= 1
            parts.append(series.raw[a:b])
        seen = np.array([len(part) > 0 for part in parts])
        return cls(tuple(part for part in parts if len(part)), seen)

    def values(self, bits: Bits | None) -> tuple[Floats, Floats]:
        """Mean and spread at each instant, of the lowest bits alone if so many are given."""
        parts = self.parts
        if bits is not None:
            skipped, width, signed = bits
            parts = tuple(part >> skipped for part in parts)
            if width < 64:
                parts = tuple(part & ((1 << width) - 1) for part in parts)
            if width < 64 and signed:
                parts = tuple(part - ((part >> (width - 1)) << width) for part in parts)
        x = np.array([part.mean() for part in parts])
        return x, np.array([np.ptp(part) for part in parts], float)


def _by_marks(series: Sequence[_Series], reference: Reference) -> Fits:
    """How much more often it moves at the marks than at other times, always the same way."""
    marks = np.array(reference.at_s)
    fits: list[tuple[float, MarkFit, Candidate]] = []
    for one in series:
        if one.candidate.field.about == AS_ONE:
            continue
        fit = fit_marks(one.at_s, one.raw.astype(float), marks)
        if fit is not None:
            weight = fit.weight + fit.size - _of_other_kind(one.candidate.field, reference.role)
            fits.append((weight, fit, replace(one.candidate, score=round(fit.score, 4))))
    best = max((weight for weight, _, _ in fits), default=0.0)
    late = lateness([fit for weight, fit, _ in fits if best - weight < CLEAR])
    costs = iter(late)
    return [(w - (next(costs) if best - w < CLEAR else 0.0), one) for w, _, one in fits]


def _of_other_kind(field: Field, role: str) -> float:
    """What it costs that a role is a state and the field a number, or the other way round."""
    try:
        kind = role_of(role).kind
    except UnknownNameError:
        return 0.0
    is_state = field.kind in (FLAG, ENUMERATION)
    return OTHER_KIND if is_state == (kind is Kind.NUMBER) else 0.0
