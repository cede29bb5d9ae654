"""What the raw codes of a state mean: by its labels, by 0 and 1, or as a question with a hint."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from canscope.draft.evidence import Candidate, Picture, code_at
from canscope.draft.words import labelled

Codes = Mapping[str, Sequence[int]]
WAYS = ("forward", "reverse", "neutral")


def by_label(one: Candidate) -> dict[str, list[int]]:
    """What the labels of a signal say -> raw codes."""
    found: dict[str, list[int]] = {}
    for code, text in one.facts.spec.labels.items():
        kind = labelled(text)
        if kind:
            found.setdefault(kind, []).append(code)
    return found


def direction_codes(one: Candidate) -> Codes:
    """Forward, reverse and neutral, as far as labels tell them; a capture alone never does."""
    found = by_label(one)
    known: dict[str, Sequence[int]] = {way: found[way] for way in WAYS if way in found}
    return known if {"forward", "reverse"} <= known.keys() else {}


def fault_ok(one: Candidate) -> Sequence[int]:
    """The codes that a label calls no fault."""
    found = by_label(one)
    return found.get("ok", [])


def state_codes(one: Candidate, true_by_course: int | None) -> Codes | None:
    """Codes of true and false; empty where 1 and 0 mean that; None where nobody could tell.

    What the capture shows may only contradict a reading, and never gives one.
    """
    spec, seen = one.facts.spec, set(one.facts.codes or ())
    found = by_label(one)
    codes: Codes | None = None
    if "true" in found and "false" in found:
        codes = {"true": found["true"], "false": found["false"]}
    elif seen <= {0, 1} and (spec.length_bits <= 2) and not spec.labels.keys() & {0, 1}:
        codes = {}
    if codes == {"true": [1], "false": [0]}:
        codes = {}
    if codes is None or true_by_course is None:
        return codes
    return codes if true_by_course in codes.get("true", [1]) else None


def codes_by_course(role: str, one: Candidate, picture: Picture) -> int | None:
    """The code that a state had while it must have been true, as far as the capture shows that."""
    edges = one.facts.edges
    if not edges or len(one.facts.codes or ()) < 2:
        return None
    if role.startswith("contactors.") and picture.rises:
        start, full, _ = picture.rises[0]
        if "precharge" in role:
            return code_at(edges, (start + full) // 2)
        return code_at(edges, full + 2_000_000_000)
    if role == "driver.ignition" and picture.rises:
        return code_at(edges, picture.rises[0][1])
    if role == "driver.brake":
        return _released(one, picture)
    return None


def _released(one: Candidate, picture: Picture) -> int | None:
    """The code of the brake that is not the one while a unit turns fast."""
    fast: set[int] = set()
    for speed in picture.speeds:
        size = np.abs(np.nan_to_num(speed.course))
        for row in np.flatnonzero(size > 0.6 * size.max())[::16]:
            fast.add(code_at(one.facts.edges, picture.instant(int(row))))
    others = set(one.facts.codes or ()) - fast
    return others.pop() if len(fast) == 1 and len(others) == 1 else None
