"""Print a rule's manual page: what it judges, its margin, when it is unproven."""

from __future__ import annotations

import argparse
import ast
import inspect
from typing import Any

from canscope.model.errors import CanscopeError
from canscope.rules import RULES


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = subparsers.add_parser("explain", help=__doc__, description=__doc__)
    parser.add_argument("rule", nargs="?", metavar="RULE", help="without it: all rules")


def run(args: argparse.Namespace) -> int:
    """Print one page, or the list of rules."""
    if args.rule is None:
        for name in RULES:
            print(f"{name:24} {page(name).partition(chr(10))[0]}")
        return 0
    print(f"{args.rule}\n{'=' * len(args.rule)}\n\n{page(args.rule)}")
    return 0


def page(name: str) -> str:
    """A rule's docstring, read from its file so that no rule need be imported.

    Raises UnknownNameError for a name that is no rule.
    """
    tree = ast.parse(RULES.file(name).read_text("utf-8"))
    for node in tree.body:
        if isinstance(node, ast.ClassDef) and _enters(node, name):
            return inspect.cleandoc(ast.get_docstring(node) or "")
    raise CanscopeError(f"the rule {name!r} has no manual page")


def _enters(node: ast.ClassDef, name: str) -> bool:
    """Whether this class is the one that is entered under that name."""
    return any(
        isinstance(call, ast.Call)
        and any(isinstance(arg, ast.Constant) and arg.value == name for arg in call.args)
        for call in node.decorator_list
    )
