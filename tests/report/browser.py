"""A real browser without a window; it shows a page and gives back what the page became."""

import os
import shutil
import subprocess

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
QUIET = """
    --headless --no-sandbox --disable-gpu --disable-quic --no-first-run
    --disable-background-networking --disable-component-update --disable-sync
    --window-size=1200,900 --virtual-time-budget=2000
"""


def chromium():
    """The browser on this machine; the test is skipped where there is none, but never in CI."""
    program = next(filter(None, map(shutil.which, NAMES)), None)
    if program is None:
        if "CI" in os.environ:
            pytest.fail("no chromium on this machine, and CI must have one")
        pytest.skip("no chromium on this machine")
    return program


def dom(html, folder, name, *, at=""):
    """The page's elements after its scripts have run, as text; ``at`` is the place to look at."""
    page = folder / f"{name}.html"
    page.write_bytes(html.encode("utf-8", "backslashreplace"))
    command = [
        chromium(),
        *QUIET.split(),
        f"--user-data-dir={folder / name}",
        "--dump-dom",
        f"{page.as_uri()}#{at}",
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=180, check=True)
    return done.stdout
