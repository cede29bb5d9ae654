"""What the second check with a plan does not import: what reads plans and definitions, and more.

Each of these takes a twentieth of a short check or more.
"""

import os
import subprocess
import sys

from canscope.simulate.folder import write_run
from canscope.simulate.runs import excerpt, make_run

FIRST_ONLY = {"pydantic", "cantools", "canscope.decoding.dbc_statements"}
NEVER = {"pandas", "plotly", "pyarrow", "pint", "can", "numpy.ma", "importlib.metadata", "numba"}
CHECK = "import sys; from canscope.cli.main import main; main(sys.argv[1:]); print(*sys.modules)"


def test_a_second_check_imports_only_what_it_needs(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    run = write_run(excerpt(make_run(), 0.0, 3.0), tmp_path)
    words = ["check", str(run.capture), "--plan", str(run.plan), "--out", str(tmp_path / "out")]
    first, second = (_imported(*words, "--quiet") for _ in range(2))
    assert first > FIRST_ONLY
    assert second & (FIRST_ONLY | NEVER) == set()


def _imported(*words):
    command = [sys.executable, "-c", CHECK, *words]
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=os.environ)
    verdict, modules = done.stdout.splitlines()
    assert verdict.startswith("unproven")  # 3 s prove nothing, and judging them needs the same
    return set(modules.split())
