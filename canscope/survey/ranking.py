"""Which fields follow a reference: every field is fitted, and the fits are compared."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from canscope.model.errors import CanscopeError, UnknownNameError
from canscope.model.survey import WEAK, Candidate, Ranking
from canscope.survey.counters import positions
from canscope.survey.marking import AFTER_S, BEFORE_S
from canscope.survey.metering import Fits, by_values
from canscope.survey.parting import parting
from canscope.survey.reference import Reference
from canscope.survey.series import Series, series_of
from canscope.survey.survey import Surveyed
from canscope.survey.usual import is_usual
from canscope.survey.witnessing import by_marks

MOMENTS = 3  # at which a mark must stand before a field is clearly what was marked
SHOWN = 8  # candidates of a ranking
LEVEL = 0.05  # of the range of the readings, from one level to the next
OTHER_BUS = 5.0  # log odds against two readings of one unit being on different buses
CLEAR = 3.0  # log odds by which the first must lead; what leads by less is undecided
TWIN = 6.0  # ... one that says the same throughout


def rank(surveyed: Sequence[Surveyed], references: Sequence[Reference]) -> tuple[Ranking, ...]:
    """The candidates for each reference, best first.

    Raises UnknownNameError for a reference on a bus that is not in the capture.
    """
    origin = min(int(one.payloads.all_ns.min()) for one in surveyed)
    series = [one for each in surveyed for one in series_of(each, origin)]
    fitted = [_fits(series, reference) for reference in references]
    return tuple(
        _ranking(reference, fitted[place], _on_its_bus(place, references, fitted), surveyed, origin)
        for place, reference in enumerate(references)
    )


def _fits(series: Sequence[Series], reference: Reference) -> Fits:
    if reference.channel:
        channels = {one.candidate.identifier.channel for one in series}
        if reference.channel not in channels:
            raise UnknownNameError("bus", reference.channel, channels)
        series = [s for s in series if s.candidate.identifier.channel == reference.channel]
    return (by_marks if reference.value is None else by_values)(series, reference)


def _on_its_bus(
    place: int, references: Sequence[Reference], fitted: Sequence[Fits]
) -> dict[str, float]:
    """For each bus the log odds of its being its unit's, by how its unit's others fit there.

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
    return {channel: max(support[channel] - most, -OTHER_BUS) for channel in channels}


def _unit_of(role: str) -> str:
    """``units.front`` of ``units.front.speed``; empty for what is no unit's."""
    words = role.split(".")
    return ".".join(words[:2]) if words[0] == "units" and len(words) > 2 else ""


def _ranking(
    reference: Reference,
    fitted: Fits,
    on_bus: Mapping[str, float],
    surveyed: Sequence[Surveyed],
    origin: int,
) -> Ranking:
    shown: list[tuple[float, Candidate]] = []
    weighed = [(weight + on_bus[one.identifier.channel], one) for weight, one in fitted]
    for weight, one in sorted(weighed, key=lambda pair: -pair[0]):
        if len(shown) < SHOWN and not any(_overlap(one, better) for _, better in shown):
            shown.append((weight, one))
    # That a factor is no usual one counts against the first: another may yet be meant.
    lead = CLEAR if not shown or is_usual(shown[0][1].factor) else 2 * CLEAR
    group = [
        one
        for weight, one in shown
        if shown[0][0] - weight < lead
        or (
            shown[0][0] - weight < TWIN
            and on_bus[one.identifier.channel] > -CLEAR
            and _is_twin(surveyed, origin, shown[0][1], one, reference)
        )
    ]
    rest = [one for _, one in shown if one not in group]
    tied = len(group)
    return Ranking(
        reference.role,
        reference.kind,
        len(reference.at_s),
        (*group, *rest),
        clear=tied == 1 and _tells(reference, group[0]),
        tied=tied,
        parting=parting(surveyed, origin, group, reference.kind),
    )


def _is_twin(
    surveyed: Sequence[Surveyed], origin: int, best: Candidate, one: Candidate, reference: Reference
) -> bool:
    """Whether it says the same as the best throughout, so that errors of the meter decide.

    What people would have chosen still does: a factor that is no usual one is no twin.
    """
    if reference.value is None or not (is_usual(best.factor) and is_usual(one.factor)):
        return False
    differ = parting(surveyed, origin, (best, one), reference.kind)
    return differ is not None and not differ.enough


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
