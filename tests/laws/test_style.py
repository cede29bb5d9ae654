"""The whole project is formatted, linted and typed; every check runs with the tests."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
CHECKS = {
    "ruff check": ["ruff", "check", "."],
    "ruff format": ["ruff", "format", "--check", "."],
    "mypy --strict": ["mypy"],
}


@pytest.mark.parametrize("name", CHECKS)
def test_the_code_is_clean(name):
    words = [sys.executable, "-m", *CHECKS[name]]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-1000:]


def test_no_name_of_a_module_is_bound_again_unless_it_is_made_of_itself():
    """A constant that a later one of the same name overwrites is none: no linter tells of it."""
    again = []
    for path in (ROOT / "canscope").rglob("*.py"):
        bound: set[str] = set()
        for statement in ast.parse(path.read_text("utf-8")).body:
            if not isinstance(statement, ast.Assign):
                continue
            nodes = [node for node in ast.walk(statement) if isinstance(node, ast.Name)]
            own = {node.id for node in nodes if isinstance(node.ctx, ast.Store)}
            read = {node.id for node in nodes if isinstance(node.ctx, ast.Load)}
            again += [f"{path.name}: {name}" for name in own & bound - read]
            bound |= own
    assert again == []


def test_the_test_command_is_the_same_in_readme_guide_and_ci():
    command = (
        "python3 -m venv .venv && .venv/bin/pip install -q -e '.[test]' "
        "&& .venv/bin/python -m pytest -n auto"
    )
    for name in ("README.md", "DEVELOPERS.md", ".ci/run"):
        assert command in (ROOT / name).read_text("utf-8"), name


def test_the_top_level_holds_only_what_belongs_there():
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split("\n")
    top = {name.split("/")[0] for name in tracked if name and not name.startswith(".")}
    assert top <= {
        "README.md",
        "DEVELOPERS.md",
        "CHANGELOG.md",
        "LICENSE",
        "pyproject.toml",
        "canscope",
        "tests",
        "dbc_examples",
        "sample_logs",
    }


def test_the_examples_stay_small():
    files = [p for top in ("dbc_examples", "sample_logs") for p in (ROOT / top).rglob("*")]
    assert sum(p.stat().st_size for p in files if p.is_file()) < 3_000_000
