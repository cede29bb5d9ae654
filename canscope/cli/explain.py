"""Print a rule's manual page (judged, margin, unproven), or a role's (meaning, how to bind it)."""

from __future__ import annotations

import argparse
from typing import Any

from canscope.cli._role_page import role_page
from canscope.cli._rule_page import page, summary
from canscope.model.errors import UnknownNameError
from canscope.model.roles import ROLES, role_of
from canscope.rules import RULES


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = subparsers.add_parser("explain", help=__doc__, description=__doc__)
    text = "a rule or a role; without it: all of them"
    parser.add_argument("name", nargs="?", metavar="NAME", help=text)


def run(args: argparse.Namespace) -> int:
    """Print one page, or the list of rules and roles. Raises ``UnknownNameError``."""
    name = args.name
    if name is None:
        for rule in RULES:
            print(f"{rule:24} {summary(rule)}")
        for role in ROLES:
            print(f"{role.name:24} {role.meaning}")
        return 0
    if name not in RULES and not any(role.covers(name) for role in ROLES):
        raise UnknownNameError("rule or role", name, [*RULES, *(role.name for role in ROLES)])
    text = page(name) if name in RULES else role_page(role_of(name))
    print(f"{name}\n{'=' * len(name)}\n\n{text}")
    return 0
