"""Mistakes and warnings at key paths of one plan."""

from __future__ import annotations

from dataclasses import dataclass, field

from canscope.plan.lines import KeyPath
from canscope.plan.mistakes import Mistakes, shown
from canscope.plan.source import Source


@dataclass
class Notes:
    """Where the parts of the loader write down what they find; ``source`` knows the lines."""

    source: Source
    mistakes: Mistakes
    touched: set[str] = field(default_factory=set)  # top tables with a mistake in them

    def mistake(self, path: KeyPath, what: str, hint: str = "") -> None:
        """Something that the plan's author must correct."""
        self.touched.add(str(path[0]))
        self.mistakes.add(self.source.where(path), f"{shown(path)}: {what}", hint)

    def warn(self, path: KeyPath, what: str) -> None:
        """Something that the report should say."""
        self.mistakes.warnings.append(f"{self.source.where(path)}: {shown(path)}: {what}")
