"""A pytest plugin that spoils one rule: ``CANSCOPE_SPOIL=axle-direction:empty`` (or ``:flip``)."""

import os
from dataclasses import replace

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


def pytest_configure(config):
    name, _, how = os.environ["CANSCOPE_SPOIL"].partition(":")
    spoil(RULES[name], how)
