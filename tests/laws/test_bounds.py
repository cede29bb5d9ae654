"""No parameter can be set beyond physical sense, and those that let more pass say which way."""

import math
from dataclasses import fields

import pytest

from canscope.rules import RULES

EVERY = [(name, entry) for name in RULES for entry in fields(RULES[name])]


@pytest.mark.parametrize(("name", "entry"), EVERY, ids=lambda x: getattr(x, "name", x))
def test_a_parameter_has_bounds_around_its_default(name, entry):
    low, high = entry.metadata["low"], entry.metadata["high"]
    assert math.isfinite(low)
    assert math.isfinite(high), f"{name}: {entry.name} has no upper bound"
    if isinstance(entry.default, int | float):
        assert low <= entry.default <= high


@pytest.mark.parametrize(("name", "entry"), EVERY, ids=lambda x: getattr(x, "name", x))
def test_looser_is_a_direction_and_a_default_or_an_example_to_compare_with(name, entry):
    looser = entry.metadata["looser"]
    assert looser in ("", "higher", "lower")
    if looser:
        usual = entry.metadata["example"] if entry.default is None else entry.default
        assert isinstance(usual, int | float)
