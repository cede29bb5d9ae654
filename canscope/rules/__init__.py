"""The rule book: a folder a chapter, a file a rule. ``RULES["axle-direction"]`` is its class."""

from __future__ import annotations

from canscope.model.registry import Registry
from canscope.model.rule import Rule

RULES: Registry[type[Rule]] = Registry("rule", __name__, __path__[0], not_entries=("shared",))
