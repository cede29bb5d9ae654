"""Every rule has a manual page, and the plan block it shows can be pasted into a plan."""

import re
import tomllib
from dataclasses import fields

import pytest

from canscope.cli._rule_page import page
from canscope.plan.schema import Limits
from canscope.rules import RULES


@pytest.mark.parametrize("name", list(RULES))
def test_a_manual_page_says_judged_margin_unproven_and_plan(name):
    text = page(name)
    for heading in ("Judged", "Margin", "Unproven"):
        assert re.search(rf"^{heading}\b", text, re.MULTILINE), f"{name}: no {heading}"
    assert text[0].isupper()
    assert text.partition("\n")[0].endswith((".", ":")) or "\n\n" in text


@pytest.mark.parametrize("name", list(RULES))
def test_the_plan_block_shows_every_parameter_with_its_default(name):
    rule = RULES[name]
    parameters = {field.name for field in fields(rule)}
    _, _, block = page(name).partition("Plan::")
    if not parameters:
        return
    # A parameter without default is shown commented out, as an example.
    shown = re.sub(r"^(\s*)# (\w+ = )", r"\1\2", block, flags=re.MULTILINE)
    table = tomllib.loads("\n".join(line.strip() for line in shown.splitlines()))["rules"][name]
    assert set(table) == parameters
    default = rule()
    for key, value in table.items():
        mine = getattr(default, key)
        if mine is not None and not isinstance(mine, dict):
            assert value == mine, f"{name}: {key} is {mine}, its page says {value}"


@pytest.mark.parametrize("name", list(RULES))
def test_every_parameter_is_told_with_a_source(name):
    for parameter in fields(RULES[name]):
        assert parameter.metadata.get("source"), f"{name}: {parameter.name} has no source"


@pytest.mark.parametrize("name", list(RULES))
def test_a_rule_says_what_to_do_next(name):
    rule = RULES[name]
    assert rule.says.get("pass"), "no clause for a pass"
    assert rule.says.get("fail") or name in {"message-presence", "sensor-alive"}


def test_every_key_of_the_plans_limits_stands_for_a_parameter_of_one_rule():
    named = [entry.metadata["also"] for name in RULES for entry in fields(RULES[name])]
    assert sorted(filter(None, named)) == sorted(Limits.model_fields)
