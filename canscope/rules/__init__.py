"""The rule book: one file a rule. ``RULES["axle-direction"]`` is the class of that name."""

from __future__ import annotations

from canscope.model.registry import Registry
from canscope.model.rule import Rule

RULES: Registry[type[Rule]] = Registry("rule", __name__, __path__[0])
