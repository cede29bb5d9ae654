"""Mistakes of somebody's first plan, and what the message has to offer."""

import pytest

from canscope.model.errors import PlanError, nearest
from canscope.plan.load import read_plan
from tests.plan.example import PLAN, lay_out


def told(path):
    with pytest.raises(PlanError) as error:
        read_plan(path)
    return [str(mistake) for mistake in error.value.mistakes]


def test_a_direction_without_codes_shows_the_form(tmp_path):
    start = PLAN.index("direction = {")
    line = PLAN[start : PLAN.index("\n", start)]
    found = told(lay_out(tmp_path, PLAN.replace(line, 'direction = "can0:Cabin.Direction"')))
    assert "driver.direction.forward: missing" in found[0]
    assert 'the form is: direction = { signal = "can0:Cabin.Direction", forward = [1]' in found[0]


@pytest.mark.parametrize(
    ("written", "advice"),
    [
        ("ambient_degC = 17,5", "a number has a decimal point: 17.5"),
        ('ambient_degC = "17,5"', "write it without quotes: 17.5"),
    ],
)
def test_a_decimal_comma_is_recognised(tmp_path, written, advice):
    line = next(line for line in PLAN.split("\n") if line.startswith("ambient_degC"))
    (only,) = told(lay_out(tmp_path, PLAN.replace(line, written)))
    assert advice in only


def test_a_capture_in_place_of_the_plan_is_recognised(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_text("(1700000000.000000) can0 123#1122\n" * 20)
    (only,) = told(path)
    assert "this is a capture (candump), not a bench plan" in only
    assert "canscope check CAPTURE --plan PLAN" in only


def test_names_that_are_equally_near_are_all_offered():
    """One letter of five differs in each: front and frond are as near to fronx."""
    assert nearest("fronx", ["front", "frond", "rear"]) == "did you mean 'frond' or 'front'?"
    assert nearest("speed", ["Speed", "SPEED"]) == "did you mean 'SPEED' or 'Speed'?"
    assert nearest("rearr", ["front", "rear"]) == "did you mean 'rear'?"


def test_a_broken_definition_on_two_buses_is_told_once(tmp_path):
    path = lay_out(tmp_path, PLAN)
    shared = next(tmp_path.glob("*unit*.dbc"))
    shared.write_text("BO_ nonsense\n")
    assert sum(shared.name in one for one in told(path)) == 1
