"""Print a rule's manual page: what it judges, its margin, when it is unproven."""

from __future__ import annotations

import argparse
from typing import Any

from canscope.cli._rule_page import page, summary
from canscope.rules import RULES


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = subparsers.add_parser("explain", help=__doc__, description=__doc__)
    parser.add_argument("rule", nargs="?", metavar="RULE", help="without it: all rules")


def run(args: argparse.Namespace) -> int:
    """Print one page, or the list of rules."""
    if args.rule is None:
        for name in RULES:
            print(f"{name:24} {summary(name)}")
        return 0
    print(f"{args.rule}\n{'=' * len(args.rule)}\n\n{page(args.rule)}")
    return 0
