"""Golden files: compared byte for byte, written anew by ``pytest --regenerate-golden``."""

from pathlib import Path

import pytest

GOLDEN = Path(__file__).parent / "golden"


@pytest.fixture(autouse=True, scope="session")
def own_cache(tmp_path_factory):
    """Definitions compiled in tests are not kept in the user's own cache folder."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        # Some machines forbid it, and then each of the hundreds of processes that tests start
        # compiles the whole package anew, which takes longer than what most of them are for.
        patch.delenv("PYTHONDONTWRITEBYTECODE", raising=False)
        yield


def pytest_addoption(parser):
    parser.addoption("--regenerate-golden", action="store_true", help="write golden files anew")
    parser.addoption("--definitions", help="folder of definition files to compare with cantools")
    parser.addoption("--frames", type=int, default=500, help="random frames of each message there")
    parser.addoption("--full-matrix", action="store_true", help="all runs of the fault matrix")
    parser.addoption("--kills", type=int, default=10, help="how often a recorder is killed")
    parser.addoption(
        "--every-fault", action="store_true", help="record with every fault, not with a few"
    )


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
