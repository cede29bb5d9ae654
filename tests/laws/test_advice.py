"""In the stage in which nothing turns, nothing that a report says advises to turn anything."""

import re

import pytest

from canscope.model.bench import Bench, DriveUnit
from canscope.rules import RULES

BENCH = Bench(stage="power-up", units=(DriveUnit("front"), DriveUnit("rear")))
TURNING = re.compile(r"\bspin (the|each)|then spin|axles? turn|let it turn|pedal briskly|it starts")


@pytest.mark.parametrize("name", list(RULES))
def test_no_advice_in_power_up_turns_a_unit(name):
    rule = RULES[name]()
    if not rule.applies(BENCH):
        return
    for advice in (rule.exercise_in(BENCH), rule.next_in(BENCH)):
        assert not TURNING.search(advice), advice


def test_in_the_other_stages_the_rules_own_advice_stands():
    dry = Bench(stage="dry-spin")
    for name in RULES:
        rule = RULES[name]()
        assert (rule.exercise_in(dry), rule.next_in(dry)) == (rule.exercise, rule.next)
