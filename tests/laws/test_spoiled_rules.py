"""A rule that is emptied, or whose sign is flipped, turns its own tests red."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from canscope.rules import RULES

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("how", ["empty", "flip"])
@pytest.mark.parametrize("name", list(RULES))
def test_a_spoiled_rule_is_noticed(name, how):
    (tests,) = (ROOT / "tests" / "rules").glob(f"*/test_{name.replace('-', '_')}.py")
    words = ["-q", "-x", "-p", "tests.laws.spoil", "-p", "no:cacheprovider", str(tests)]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *words],
        cwd=ROOT,
        env=os.environ | {"CANSCOPE_SPOIL": f"{name}:{how}"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1, f"nothing notices that {name} is spoiled:\n{done.stdout[-500:]}"
