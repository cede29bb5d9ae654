"""Marks from a file of JSON lines; keys as in design.md section 5."""

import pytest

from canscope.model.errors import PlanError
from canscope.plan.load import read_plan
from canscope.plan.plan import PlanMark
from tests.plan.example import lay_out


def test_marks_of_a_file_are_added_to_the_plans_own(tmp_path):
    path = tmp_path / "marks.jsonl"
    path.write_text(
        '{"at_s": 12, "axle": "front", "seen": "still"}\n\n'
        '{"time_ns": 1700000000000000001, "axle": "rear", "seen": "reverse", "text": "a"}\n'
    )
    plan = read_plan(lay_out(tmp_path), marks=path)
    assert plan.marks[1:] == (
        PlanMark(12.0, None, "front", "still", ""),
        PlanMark(None, 1_700_000_000_000_000_001, "rear", "reverse", "a"),
    )
    assert (plan.inputs[-1].kind, plan.inputs[-1].name) == ("marks", "marks.jsonl")


def test_every_wrong_line_is_told_by_its_number(tmp_path):
    path = tmp_path / "marks.jsonl"
    path.write_text(
        '{"at_s": 1, "axle": "middle", "seen": "forward"}\n'
        "not json\n"
        '{"at_s": 1, "axel": "rear"}\n'
        '{"axle": "rear", "seen": "forward"}\n'
        '{"at_s": 3, "seen": "forward"}\n'
        "[1]\n" + "[" * 100_000 + "\n"
    )
    with pytest.raises(PlanError) as error:
        read_plan(lay_out(tmp_path), marks=path)
    found = [str(m) for m in error.value.mistakes]
    expected = ("no unit named 'middle'", "not a JSON", "axel: no key", "either", "axle: missing")
    for number, text in enumerate((*expected, "a table", "not a JSON"), start=1):
        mine = [f for f in found if f.startswith(f"{path}:{number}: ")]
        assert len(mine) == 1
        assert text in mine[0]


def test_a_marks_file_that_is_not_there_is_a_mistake(tmp_path):
    with pytest.raises(PlanError, match=r"none.jsonl: cannot be read"):
        read_plan(lay_out(tmp_path), marks=tmp_path / "none.jsonl")
