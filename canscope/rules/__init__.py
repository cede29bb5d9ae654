"""The rule book: a folder a chapter, a file a rule. ``RULES["axle-direction"]`` is its class."""

from __future__ import annotations

from importlib import import_module

from canscope.model.registry import Registry
from canscope.model.rule import Rule

RULES: Registry[type[Rule]] = Registry("rule", __name__, __path__[0], not_entries=("shared",))

# In the order of the report.
CHAPTERS = (
    "power_up",
    "driver",
    "direction",
    "electrical",
    "heat",
    "insulation",
    "shutdown",
    "recording",
)


def topics() -> dict[str, tuple[str, ...]]:
    """The names of all rules by the title of their chapter."""
    return {
        import_module(f"{__name__}.{chapter}").TITLE: tuple(
            name for name in RULES if RULES.file(name).parent.name == chapter
        )
        for chapter in CHAPTERS
    }
