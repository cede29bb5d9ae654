"""The manual page of a rule, made from its docstring and its parameters."""

from __future__ import annotations

import ast
import inspect
from collections.abc import Iterator, Mapping
from dataclasses import Field, fields
from textwrap import indent
from typing import Any

from canscope.model.errors import CanscopeError
from canscope.model.rule import Rule
from canscope.rules import RULES


def page(name: str) -> str:
    """A rule's docstring, and the table of the plan with its parameters as they are by default.

    Raises UnknownNameError for a name that is no rule.
    """
    lines = [f"[rules.{name}]", *_parameters(RULES[name])]
    return f"{inspect.getdoc(RULES[name])}\n\nPlan::\n\n{indent(chr(10).join(lines), '    ')}"


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
