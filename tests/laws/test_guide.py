"""DEVELOPERS.md names only what exists: folders, files, modules, classes, functions, options."""

import ast
import re
from functools import cache
from pathlib import Path

import pytest

import canscope
from tests.laws.test_floors import FLOORS

PACKAGE = Path(canscope.__file__).parent
ROOT = Path(__file__).parents[2]
GUIDE = (ROOT / "DEVELOPERS.md").read_text("utf-8")
TEXT = re.sub(r"^```.*?^```", "", GUIDE, flags=re.MULTILINE | re.DOTALL)  # without its blocks
NAMES = sorted(set(re.findall(r"`([^`\n]+)`", TEXT)))
ADDED = ("my-", "my_", "driver.horn")  # by the recipes
FOLDERS = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}


def sources():
    """All text in which a word of the guide may occur: the package and its tests."""
    own = Path(__file__)
    return [
        path.read_text("utf-8")
        for top in (PACKAGE, ROOT / "tests")
        for path in top.rglob("*.py")
        if path != own
    ]


@cache
def members():
    """Class -> what its body defines, of every class of the package."""
    found = {}
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ClassDef):
                found.setdefault(node.name, set()).update(defined(node.body))
    return found


def defined(body):
    for node in body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.name
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            yield node.target.id
        elif isinstance(node, ast.Assign):
            yield from (target.id for target in node.targets if isinstance(target, ast.Name))


def is_there(dotted):
    """Whether ``folder.module.Class.member`` exists, or a part of it from the left."""
    first, *rest = dotted.split(".")
    if first not in FOLDERS:
        return len(rest) == 1 and rest[0] in members().get(first, ())
    path = PACKAGE / first
    while rest and (path / rest[0]).is_dir():
        path /= rest.pop(0)
    file = path / f"{rest.pop(0)}.py" if rest else path / "__init__.py"
    if not file.is_file():
        return False
    names = set(defined(ast.parse(file.read_text("utf-8")).body))
    while rest:
        name = rest.pop(0)
        if name not in names:
            return False
        names = members().get(name, set())
    return True


def kind_of(name):
    if any(word in name for word in ADDED):
        return "added"
    if " " not in name and "/" in name:
        return "path"
    if re.fullmatch(r"[A-Za-z]\w*(\.\w+)+", name) and not name.endswith((".toml", ".py", ".md")):
        return "dotted"
    return "word"


def of_kind(kind):
    return [name for name in NAMES if kind_of(name) == kind]


@pytest.mark.parametrize("name", of_kind("path"))
def test_every_path_exists(name):
    assert (ROOT / name).exists()


@pytest.mark.parametrize("name", of_kind("dotted"))
def test_every_module_class_and_member_exists(name):
    assert is_there(name)


def test_every_other_name_occurs_in_the_package_or_its_tests():
    text = "\n".join(sources())
    missing = [
        word
        for name in of_kind("word")
        for word in re.findall(r"-{0,2}[A-Za-z_][\w-]{2,}", name)
        if word not in ("pytest", "python", "FOLDER") and word not in text
    ]
    assert missing == []


def test_the_table_lists_every_folder_with_its_floor():
    rows = re.findall(r"^\| `canscope/(\w+)/` \| (\d+) \|", GUIDE, re.MULTILINE)
    assert {name for name, _ in rows} == FOLDERS
    assert all(name in FLOORS[int(floor)] for name, floor in rows)


@pytest.mark.parametrize(
    "gone", ["model.room", "judge.check.Gone", "Segment.gone", "live.papers", "judge.health"]
)
def test_what_is_gone_would_be_noticed(gone):
    assert not is_there(gone)
