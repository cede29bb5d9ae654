"""Which fields follow marks: each compared with what moved before it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from canscope.model.bench import Kind
from canscope.model.errors import UnknownNameError
from canscope.model.roles import role_of
from canscope.model.survey import ENUMERATION, FLAG, NUMBER, Candidate
from canscope.survey.counters import positions
from canscope.survey.marking import MarkFit, fit_marks, lateness
from canscope.survey.metering import Fits
from canscope.survey.reference import Reference
from canscope.survey.series import Series

OTHER_KIND = 1.5  # log odds against a state being a number, or the other way round
BEHIND, AT_ALL = 3.0, 0.3  # log odds, and share of the best's, behind which a field is compared


def by_marks(series: Sequence[Series], reference: Reference) -> Fits:
    """How much more often it moves at the marks than at other times, always the same way."""
    marks = np.array(reference.at_s)
    fits: list[tuple[float, MarkFit, Candidate]] = []
    for one in series:
        if one.cost:
            continue
        fit = fit_marks(one.at_s, one.raw.astype(float), marks)
        if fit is not None:
            weight = fit.weight + fit.size - _of_other_kind(one.candidate, reference.role)
            fits.append((weight, fit, replace(one.candidate, score=round(fit.score, 4))))
    best = max((weight for weight, _, _ in fits), default=0.0)
    near = max(BEHIND, AT_ALL * best)
    late = lateness([fit for weight, fit, _ in fits if best - weight < near])
    costs = iter(late)
    return [(w - (next(costs) if best - w < near else 0.0), one) for w, _, one in fits]


def _of_other_kind(one: Candidate, role: str) -> float:
    """What it costs that a role is a state and the field a number, or the other way round."""
    try:
        kind = role_of(role).kind
    except UnknownNameError:
        return 0.0
    field = one.field
    is_state = field.kind in (FLAG, ENUMERATION)
    if is_state and kind is Kind.NUMBER:
        # The highest digits of a number take few values.
        beneath = (f for f in one.identifier.fields if f.kind == NUMBER)
        if any(positions(replace(f, bits=f.bits + 1))[-1] == field.low for f in beneath):
            return 0.0
    return OTHER_KIND if is_state == (kind is Kind.NUMBER) else 0.0
