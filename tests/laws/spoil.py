"""Runs the tests of rules that are spoiled: each in a process of its own that starts ready loaded.

``python -m tests.laws.spoil`` reads lines such as ``axle-direction:empty TESTFILE`` (or ``:flip``)
and answers each with the exit code of pytest and the end of what it printed, as a line of JSON.
"""

import json
import os
import sys
import tempfile
from dataclasses import replace

import pytest

from canscope.model.outcome import Margins
from canscope.rules import RULES


def spoiled(outcomes, how):
    """Emptied: it never judges. Flipped: good and bad are exchanged."""
    if how == "empty":
        return [o for o in outcomes if not isinstance(o, Margins)]
    return [replace(o, margin=-o.margin) if isinstance(o, Margins) else o for o in outcomes]


def spoil(rule, how):
    fold, window, close = rule.fold, rule.margins, rule.close

    def spoiled_fold(self, state, piece):
        state, outcomes = fold(self, state, piece)
        return state, spoiled(outcomes, how)

    rule.fold = spoiled_fold
    rule.margins = lambda self, closed: spoiled(window(self, closed), how)
    rule.close = lambda self, state, piece: spoiled(close(self, state, piece), how)


def judge(name, how, tests):
    """The exit code of these tests with that rule spoiled, and the end of what they printed."""
    with tempfile.TemporaryFile() as told:
        child = os.fork()
        if not child:
            os.dup2(told.fileno(), 1)
            os.dup2(told.fileno(), 2)
            spoil(RULES[name], how)
            code = pytest.main(["-q", "-x", "-p", "no:cacheprovider", tests])
            sys.stdout.flush()
            os._exit(code)
        status = os.waitpid(child, 0)[1]
        told.seek(0)
        return os.waitstatus_to_exitcode(status), told.read().decode()[-500:]


def main():
    answers = os.fdopen(os.dup(1), "w")
    os.dup2(2, 1)  # what pytest prints below is no answer
    # Loads pytest, its plugins and all rules, so that no child has to.
    pytest.main(["-q", "--collect-only", "-p", "no:cacheprovider", "tests/rules/test_chapters.py"])
    for line in sys.stdin:
        rule, tests = line.split()
        name, _, how = rule.partition(":")
        print(json.dumps(judge(name, how, tests)), file=answers, flush=True)


if __name__ == "__main__":
    main()
