"""The rooms of ``live`` import in one direction, wherever in a file the import stands."""

import ast
from pathlib import Path

import canscope.live

ROOMS = ("adapters", "run_folder", "recording", "watching")  # each may import those before it
ROOT = Path(canscope.live.__file__).parent


def imported(path):
    """(room that is imported from, module) for every import from a room of live."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("canscope.live."):
            room = node.module.split(".")[2]
            if room in ROOMS:
                yield room, node.module.rpartition(".")[2]


def test_a_room_imports_only_from_rooms_before_it():
    upward = [
        f"{path.relative_to(ROOT)} imports {room}"
        for number, here in enumerate(ROOMS)
        for path in (ROOT / here).glob("*.py")
        for room, _ in imported(path)
        if room not in ROOMS[: number + 1]
    ]
    assert upward == []


def test_every_room_has_its_place_in_that_order():
    assert {path.parent.name for path in ROOT.glob("*/__init__.py")} == set(ROOMS)


def test_only_the_table_of_kinds_knows_the_adapters():
    knowing = {
        (path.name, module)
        for path in ROOT.rglob("*.py")
        for room, module in imported(path)
        if room == "adapters" and module in ("slcan", "python_can", "replay")
    }
    assert {name for name, _ in knowing} == {"kinds.py"}
    assert {module for _, module in knowing} == {"slcan", "python_can", "replay"}


def test_every_file_is_listed_in_the_docstring_of_its_room():
    unlisted = [
        str(path.relative_to(ROOT))
        for path in ROOT.glob("*/*.py")
        if path.name != "__init__.py"
        and f"``{path.name}``" not in (path.parent / "__init__.py").read_text("utf-8")
    ]
    assert unlisted == []
