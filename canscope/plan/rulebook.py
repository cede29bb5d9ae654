"""The rules with the plan's parameters: limits, their shorthand, and which rules are off."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import Field, dataclass, fields
from typing import TYPE_CHECKING, Any, get_type_hints

from canscope.model.errors import nearest
from canscope.model.report import Looser
from canscope.model.rule import Rule
from canscope.plan.cache import ValidationCache
from canscope.plan.lines import KeyPath
from canscope.plan.mistakes import Notes, dotted, quoted
from canscope.rules import RULES

if TYPE_CHECKING:
    from canscope.plan.schema import PlanTable


@dataclass(frozen=True)
class RuleBook:
    """Every rule as it will run.

    ``given``: rule -> parameters that the plan sets; ``off``: rule -> why it is switched off;
    ``looser``: what the plan sets looser than its default.
    """

    rules: Mapping[str, Rule]
    given: Mapping[str, frozenset[str]]
    off: Mapping[str, str]
    looser: tuple[Looser, ...] = ()


def rule_book(
    plan: PlanTable, words: Iterable[str], cache: ValidationCache, notes: Notes
) -> RuleBook:
    """All rules with their parameters; ``words`` are the temperature words of all units."""
    off: dict[str, str] = {}
    given: dict[str, dict[str, Any]] = {}
    settings = _settings(plan, off, notes)
    for (rule, name), (value, path) in settings.items():
        found = _parameter_of(rule, name, path, notes)
        if found is not None:
            hint = get_type_hints(RULES[rule])[name]
            checked, expected = cache.answer(f"{rule}.{name}: {hint}", _typed, hint, value)
            if expected:
                notes.mistake(path, expected)
            else:
                _check_ranges(found, checked, path, set(words), notes)
            given.setdefault(rule, {})[name] = checked
    rules: dict[str, Rule] = {}
    for rule in RULES:
        if not notes.mistakes.found:  # a wrong value must not reach a rule
            rules[rule] = RULES[rule](**given.get(rule, {}))
    names = {rule: frozenset(values) for rule, values in given.items()}
    return RuleBook(rules, names, off, tuple(_looser(given)))


def _looser(given: Mapping[str, Mapping[str, Any]]) -> Iterator[Looser]:
    """The parameters that are looser than their default, in the rules' order.

    Where there is none, than the example of the manual page, which is common practice.
    """
    for rule in RULES:
        for entry in fields(RULES[rule]):
            value = given.get(rule, {}).get(entry.name)
            usual, way = entry.default, entry.metadata.get("looser", "")
            usual = entry.metadata.get("example") if usual is None else usual
            if not isinstance(value, int | float) or not isinstance(usual, int | float) or not way:
                continue
            if value > usual if way == "higher" else value < usual:
                yield Looser(rule, entry.name, value, usual, entry.metadata.get("unit", ""))


def _settings(
    plan: PlanTable, off: dict[str, str], notes: Notes
) -> dict[tuple[str, str], tuple[Any, KeyPath]]:
    """(rule, parameter) -> value and where the plan says it."""
    settings: dict[tuple[str, str], tuple[Any, KeyPath]] = {}
    for rule in RULES:
        for entry in fields(RULES[rule]):
            key = entry.metadata.get("also", "")
            value = getattr(plan.limits, key) if key else None
            if value is not None:
                settings[rule, entry.name] = (value, ("limits", key))
    names = list(RULES)
    for rule, table in plan.rules.items():
        if rule not in names:
            notes.mistake(("rules", rule), "no rule of that name", nearest(rule, names))
            continue
        for name, value in table.items():
            path: KeyPath = ("rules", rule, name)
            if name == "off":
                _switch_off(rule, value, path, off, notes)
            elif (rule, name) in settings:
                other = dotted(settings[rule, name][1])
                notes.mistake(path, f"{other} says the same parameter", "keep one of the two")
            else:
                settings[rule, name] = (value, path)
    return settings


def _switch_off(rule: str, value: Any, path: KeyPath, off: dict[str, str], notes: Notes) -> None:
    if not RULES[rule].waivable:
        notes.mistake(path, f"{rule} cannot be switched off", "remove this line")
    elif not isinstance(value, str) or not value.strip():
        notes.mistake(path, f"expected the reason in words, got {quoted(value)}")
    else:
        off[rule] = value


def _parameter_of(rule: str, name: str, path: KeyPath, notes: Notes) -> Field[Any] | None:
    known = {entry.name: entry for entry in fields(RULES[rule])}
    if name not in known:
        notes.mistake(path, f"{rule} has no parameter of that name", nearest(name, [*known, "off"]))
    return known.get(name)


def _typed(hint: Any, value: Any) -> tuple[Any, str]:
    from canscope.plan.validate import parameter  # needs pydantic

    return parameter(hint, value)


def _check_ranges(
    entry: Field[Any], checked: Any, path: KeyPath, words: set[str], notes: Notes
) -> None:
    """A parameter's value, or each of its values by word, against what the rule allows."""
    by_word = isinstance(checked, Mapping)
    for word, number in (checked if by_word else {"": checked}).items():
        place = (*path, word) if by_word else path
        _check_range(entry, number, place, notes)
        if by_word and word not in words:
            notes.mistake(place, "no unit has a temperature of that name", nearest(word, words))


def _check_range(entry: Field[Any], number: Any, path: KeyPath, notes: Notes) -> None:
    if isinstance(number, bool) or not isinstance(number, int | float):
        return
    low = entry.metadata.get("low", float("-inf"))
    high = entry.metadata.get("high", float("inf"))
    if not low <= number <= high:
        unit = entry.metadata.get("unit", "")
        notes.mistake(
            path, f"expected {_between(low, high)} {unit}".strip() + f", got {quoted(number)}"
        )


def _between(low: float, high: float) -> str:
    return f"at least {low:g}" if math.isinf(high) else f"{low:g} to {high:g}"
