"""A rule of a plan spoiled: emptied (it never judges) or flipped (good and bad exchanged)."""

from __future__ import annotations

import copy
from typing import Any

from canscope.model.rule import Rule
from tests.laws.spoil import spoiled as outcomes_spoiled


def spoiled(rule: Rule, how: str) -> Rule:
    """The same rule with the same parameters, spoiled."""
    kind = type(rule)

    class Spoiled(kind):  # type: ignore[valid-type, misc]
        def fold(self, state: Any, piece: Any) -> Any:
            state, outcomes = super().fold(state, piece)
            return state, outcomes_spoiled(outcomes, how)

        def margins(self, window: Any) -> Any:
            return outcomes_spoiled(super().margins(window), how)

        def close(self, state: Any, piece: Any) -> Any:
            return outcomes_spoiled(super().close(state, piece), how)

    twin = copy.copy(rule)
    object.__setattr__(twin, "__class__", Spoiled)
    return twin
