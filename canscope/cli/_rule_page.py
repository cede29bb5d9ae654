"""The manual page of a rule, made from its docstring and its parameters."""

from __future__ import annotations

import ast
import inspect
from collections.abc import Iterator, Mapping
from dataclasses import Field, fields
from textwrap import fill, indent
from typing import Any

from canscope.model.errors import CanscopeError
from canscope.model.rule import Rule
from canscope.rules import RULES

WIDTH = 96


def page(name: str) -> str:
    """A rule's docstring, and the table of the plan with its parameters as they are by default.

    Raises UnknownNameError for a name that is no rule.
    """
    lines = [f"[rules.{name}]", *_parameters(RULES[name])]
    plan = indent("\n".join(lines), "    ")
    return "\n\n".join([f"{inspect.getdoc(RULES[name])}", *_needs(name), f"Plan::\n\n{plan}"])


def _needs(name: str) -> Iterator[str]:
    """The roles that it needs, and the stages that require it."""
    from canscope.plan.coverage import needs_of  # imports every rule

    needs = needs_of(name)
    roles = ", ".join(needs.roles) or "none; it judges the frames of a bus"
    yield f"Roles that it needs\n{_text(roles)}"
    required = ", ".join(needs.required_in) or "no stage"
    judged = f"; judged where it can be in: {', '.join(needs.judged_in)}" if needs.judged_in else ""
    yield f"Required in\n{_text(f'{required}{judged}')}"


def _text(words: str) -> str:
    return fill(words, WIDTH, initial_indent="    ", subsequent_indent="    ",
                break_on_hyphens=False)  # fmt: skip


def _parameters(rule: type[Rule]) -> Iterator[str]:
    """Each parameter as the plan sets it; one without a default is commented out."""
    if not fields(rule):
        yield "# has no parameters"
    default = rule()
    settings = {entry.name: _setting(entry, getattr(default, entry.name)) for entry in fields(rule)}
    width = max(map(len, settings.values()), default=0)
    for entry in fields(rule):
        facts = entry.metadata
        words = f"{facts['unit']} {facts['note']}".strip()
        source = facts["source"] if facts["example"] is None else "no default: not judged without"
        if facts["also"]:
            yield f"# Also as [limits] {facts['also']}; give it in one place."
        yield f"{settings[entry.name]:{width}}  # {'; '.join(filter(None, (words, source)))}"


def _setting(entry: Field[Any], default: Any) -> str:
    example = entry.metadata["example"]
    mark = "" if example is None else "# "
    return f"{mark}{entry.name} = {_toml(default if example is None else example)}"


def _toml(value: Any) -> str:
    if isinstance(value, Mapping):
        return f"{{ {', '.join(f'{word} = {_toml(entry)}' for word, entry in value.items())} }}"
    return f"{value:g}"


def summary(name: str) -> str:
    """The first line of a rule's docstring, read from its file: importing all takes a second."""
    for node in ast.parse(RULES.file(name).read_text("utf-8")).body:
        if isinstance(node, ast.ClassDef) and _enters(node, name):
            return (ast.get_docstring(node) or "").partition("\n")[0]
    raise CanscopeError(f"the rule {name!r} has no manual page")


def _enters(node: ast.ClassDef, name: str) -> bool:
    """Whether this class is the one that is entered under that name."""
    return any(
        isinstance(call, ast.Call)
        and any(isinstance(arg, ast.Constant) and arg.value == name for arg in call.args)
        for call in node.decorator_list
    )
