"""Nothing rests on how one Python counts references, numbers objects or compares NaN.

An interpreter may borrow references, use an address again, or compare the fields of two dataclasses
one by one instead of as tuples; every version from 3.11 on has to give the same numbers.
"""

import ast
from pathlib import Path

import pytest

import canscope

ROOT = Path(canscope.__file__).parent
CALLS = {"id", "getrefcount", "getobjects", "get_referrers", "get_referents"}


def tricks(tree):
    """(line, what) of every call and comparison that another Python may answer differently."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = node.func.id if isinstance(node.func, ast.Name) else ""
            name = node.func.attr if isinstance(node.func, ast.Attribute) else name
            if name in CALLS:
                yield node.lineno, f"{name}()"
        elif isinstance(node, ast.Compare):
            for side in (node.left, *node.comparators):
                if is_nan(side):
                    yield node.lineno, "a comparison with NaN"


def is_nan(node):
    if isinstance(node, ast.Attribute):
        return node.attr == "nan"
    text = node.args[0] if isinstance(node, ast.Call) and node.args else None
    is_float = isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    return (
        is_float
        and node.func.id == "float"
        and isinstance(text, ast.Constant)
        and text.value == "nan"
    )


def test_no_file_uses_one():
    found = [
        f"{path.relative_to(ROOT)}:{line}: {what}"
        for path in sorted(ROOT.rglob("*.py"))
        for line, what in tricks(ast.parse(path.read_text("utf-8")))
    ]
    assert found == []


@pytest.mark.parametrize(
    "source", ["id(a)", "sys.getrefcount(a)", "a == np.nan", "float('nan') in a", "a is math.nan"]
)
def test_the_law_sees_them(source):
    assert list(tricks(ast.parse(source)))
