"""A rule that is emptied, or whose sign is flipped, turns its own tests red."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from canscope.rules import RULES

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def tested_spoiled():
    """Run tests with a rule spoiled; the exit code of pytest and the end of what it printed."""
    with subprocess.Popen(
        [sys.executable, "-m", "tests.laws.spoil"],
        cwd=ROOT,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},  # a process of one thread can be forked
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as server:

        def ask(name, how, tests):
            server.stdin.write(f"{name}:{how} {tests.relative_to(ROOT)}\n")
            server.stdin.flush()
            return json.loads(server.stdout.readline())

        yield ask


@pytest.mark.parametrize("how", ["empty", "flip"])
@pytest.mark.parametrize("name", list(RULES))
def test_a_spoiled_rule_is_noticed(name, how, tested_spoiled):
    (tests,) = (ROOT / "tests" / "rules").glob(f"*/test_{name.replace('-', '_')}.py")
    code, told = tested_spoiled(name, how, tests)
    assert code == 1, f"nothing notices that {name} is spoiled:\n{told}"
