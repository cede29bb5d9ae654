"""Golden files: compared byte for byte, written anew by ``pytest --regenerate-golden``."""

from pathlib import Path

import pytest

GOLDEN = Path(__file__).parent / "golden"


def pytest_addoption(parser):
    parser.addoption("--regenerate-golden", action="store_true", help="write golden files anew")


@pytest.fixture
def golden(request):
    """Compare a text with the golden file of that name, or write it there."""

    def check(name, text):
        path = GOLDEN / name
        if request.config.getoption("--regenerate-golden"):
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(text.encode())
        assert path.read_bytes() == text.encode(), f"{name} changed; see --regenerate-golden"

    return check
