"""Numbers with their unit in words: what is counted has a plural, a state has no unit."""

from __future__ import annotations

COUNTED = frozenset({"attempt", "byte", "change", "flip", "frame", "step"})
STATE = "state"  # the unit of a margin that is a yes or a no


def with_unit(text: str, unit: str) -> str:
    """A number written out, with its unit: ``1 frame``, ``23 frames``, ``458 rpm``, ``1``."""
    word = unit.removesuffix("s")
    if word in COUNTED:
        unit = word if text == "1" else f"{word}s"
    return f"{text} {unit}".rstrip() if unit != STATE else text
