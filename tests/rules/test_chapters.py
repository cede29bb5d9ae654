"""Every rule belongs to a chapter, and every chapter is a topic of the report."""

from pathlib import Path

import canscope.rules
from canscope.rules import CHAPTERS, RULES, topics


def test_every_rule_is_in_just_one_topic():
    listed = [name for rules in topics().values() for name in rules]
    assert sorted(listed) == sorted(RULES)


def test_every_folder_is_a_chapter_with_a_title_of_its_own():
    folders = {path.parent.name for path in Path(canscope.rules.__file__).parent.glob("*/*.py")}
    assert folders == {*CHAPTERS, "shared"}
    assert len(topics()) == len(CHAPTERS)
