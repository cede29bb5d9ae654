"""Print the manual page of a rule or a role, or the reference of every key of a plan."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from itertools import zip_longest
from typing import Any

from canscope.cli._options import command
from canscope.cli._role_page import role_page
from canscope.cli._rule_page import page, summary
from canscope.model.errors import UnknownNameError
from canscope.model.roles import ROLES, role_of
from canscope.rules import RULES


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = command(subparsers, "explain", __doc__, "canscope explain axle-direction")
    text = "a rule, a role or the word plan; without it: all rules and roles"
    parser.add_argument("name", nargs="?", metavar="NAME", help=text)


def run(args: argparse.Namespace) -> int:
    """Print one page, or the list of rules and roles. Raises ``UnknownNameError``."""
    name = args.name
    if name is None:
        for rule in RULES:
            print(f"{rule:24} {summary(rule)}")
        for role in ROLES:
            print(f"{role.name:24} {role.meaning}")
        print(f"{'plan':24} Every table and key of a bench plan.")
        return 0
    if name == "plan":
        from canscope.cli._plan_page import plan_page  # imports pydantic

        print(f"plan\n====\n\n{plan_page()}")
        return 0
    if name not in RULES and not any(role.covers(name) for role in ROLES):
        roles = {_of_same(role.words, name.split(".")) for role in ROLES}
        raise UnknownNameError("rule or role", name, ["plan", *RULES, *roles])
    text = page(name) if name in RULES else role_page(role_of(name))
    print(f"{name}\n{'=' * len(name)}\n\n{text}")
    return 0


def _of_same(words: Sequence[str], asked: Sequence[str]) -> str:
    """A role's name, of the unit or part that was asked for."""
    pairs = zip_longest(words, asked[: len(words)], fillvalue="*")
    return ".".join(other if word == "*" else word for word, other in pairs)
