"""Findings are told apart by their codes: no file reads the words of a sentence.

So a sentence can be reworded without changing what the diagnosis finds; ``tests/matrix`` rewords
those of its runs.
"""

import ast
from fnmatch import fnmatchcase
from pathlib import Path

import pytest

import canscope
from canscope.judge.causes import TABLE
from canscope.model.findings import MENDS, REASONS, Verdict
from canscope.rules import RULES

ROOT = Path(canscope.__file__).parent
SIGNS = [sign for row in TABLE for sign in (*row.when, *row.unless)]
TEXTS = {"sentence"}  # written for people
DECLARED = {code for name in RULES for code in RULES[name].codes}


@pytest.mark.parametrize("sign", [s for s in SIGNS if s.code], ids=lambda s: f"{s.rule}-{s.code}")
def test_every_code_of_the_table_is_one_that_its_rule_can_give(sign):
    rules = [RULES[name] for name in RULES if fnmatchcase(name, sign.rule)]
    reasons = {*REASONS, *MENDS} if sign.verdict is Verdict.UNPROVEN else set()
    assert all(sign.code in {*rule.codes, *reasons} for rule in rules)
    assert rules


def test_a_code_is_a_short_word_and_no_reason():
    assert all(code.replace("-", "").isalpha() and code == code.lower() for code in DECLARED)
    assert not DECLARED & set(REASONS)


@pytest.mark.parametrize("name", [name for name in RULES if RULES[name].codes])
def test_a_declared_code_is_given_somewhere_beside_its_declaration(name):
    """Each word stands once where it is declared and again where it is given."""
    files = [*ROOT.glob(f"rules/*/{name.replace('-', '_')}.py"), *ROOT.glob("trust/**/*.py")]
    text = "\n".join(path.read_text("utf-8") for path in files)
    for code in RULES[name].codes:
        pole = code.removesuffix("-never-closed")  # contactor-sequence puts its own in front
        assert text.count(f'"{code}"') >= 2 or f'"{pole}"' in text, code


def reads_text(node):
    """Whether this looks into a text that is written for people."""
    if isinstance(node, ast.Compare):
        return any(isinstance(op, ast.In | ast.NotIn) for op in node.ops) and any(
            isinstance(one, ast.Attribute) and one.attr in TEXTS for one in node.comparators
        )
    return (
        isinstance(node, ast.Attribute)
        and isinstance(node.value, ast.Attribute)
        and node.value.attr in TEXTS
    )


def test_no_file_looks_for_words_in_a_sentence():
    found = [
        f"{path.relative_to(ROOT)}:{node.lineno}"
        for path in ROOT.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if reads_text(node)
    ]
    assert found == []
