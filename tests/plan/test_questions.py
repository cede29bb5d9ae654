"""A plan with open questions is refused, question by question, with its line and form."""

import pytest

from canscope.model.errors import PlanError
from canscope.plan.load import read_plan
from tests.plan.example import PLAN, lay_out


def mistakes(folder, text):
    with pytest.raises(PlanError) as told:
        read_plan(lay_out(folder, text))
    return [str(mistake) for mistake in told.value.mistakes]


def test_each_question_is_told_once_at_its_line_with_its_form(tmp_path):
    text = PLAN.replace("gear_ratio   = 9.1", 'gear_ratio   = "?"', 1)
    text = text.replace("forward = [1]", 'forward = ["?"]')
    found = mistakes(tmp_path, text)
    lines = text.split("\n")
    ratio = next(n for n, line in enumerate(lines, 1) if 'gear_ratio   = "?"' in line)
    assert len(found) == 2
    assert f":{ratio}: units.front.gear_ratio: open question: how often does the motor" in found[1]
    assert "hint: write a number" in found[1]
    assert "driver.direction.forward: open question: which raw codes or labels" in found[0]


def test_a_needed_key_that_is_asked_is_not_missing_as_well(tmp_path):
    text = PLAN.replace('stage    = "dry-spin"', 'stage    = "?"')
    assert text != PLAN
    (only,) = mistakes(tmp_path, text)
    assert "job.stage: open question" in only
    assert '"wet-spin"' in only


def test_a_unit_whose_axle_is_asked_is_refused(tmp_path):
    found = mistakes(tmp_path, PLAN.replace("[units.front]", '[units."?can1"]'))
    assert any("which axle does this unit drive" in one for one in found)


def test_a_question_mark_that_a_person_wrote_in_a_mark_is_no_question(tmp_path):
    text = PLAN + '\n[[marks]]\nat_s = 30\naxle = "front"\nseen = "still"\ntext = "?"\n'
    assert read_plan(lay_out(tmp_path, text)).marks[-1].text == "?"


def test_what_else_is_wrong_is_told_beside_the_questions(tmp_path):
    text = PLAN.replace("gear_ratio   = 9.1", 'gear_ratio   = "?"', 1).replace(
        "cold     =", "clod ="
    )
    found = mistakes(tmp_path, text)
    assert any("open question" in one for one in found)
    assert any("job.clod: no key of that name" in one for one in found)
