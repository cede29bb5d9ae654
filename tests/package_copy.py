"""A copy of the package in which a test may add and delete files, run in a process of its own."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import canscope


def copy_package(folder: Path, *, without: str = "") -> Path:
    """The package below ``folder``, one of its folders left out; the copy's path."""
    return Path(
        shutil.copytree(
            Path(canscope.__file__).parent,
            folder / "canscope",
            ignore=shutil.ignore_patterns("__pycache__", *filter(None, [without])),
        )
    )


def run(package: Path, code: str, *arguments: object, **environment: str) -> str:
    """What a Python process that imports this copy of the package prints."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code, *map(str, arguments)],
        env={**os.environ, **environment, "PYTHONPATH": str(package.parent)},
        cwd=package.parent,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout
