"""A run to play, and adapters that play it."""

import pytest

from canscope.cli.demo import SHOWS
from canscope.simulate.faults.catalogue import fault_names
from tests.live.stand import Player, made

QUICK = ("hot-while-dry", "bad-precharge")  # of the demo's faults, to be recorded in real time


def pytest_generate_tests(metafunc):
    """A tenth of all faults and two of the demo's, or with ``--every-fault`` all of them."""
    every = metafunc.config.getoption("--every-fault")
    if "any_fault" in metafunc.fixturenames:
        names = sorted(fault_names())
        metafunc.parametrize("any_fault", names if every else names[2::10])
    if "demo_fault" in metafunc.fixturenames:
        shown = [show for show in SHOWS if show.fault and (every or show.fault in QUICK)]
        metafunc.parametrize("demo_fault", shown, ids=lambda show: show.fault)


@pytest.fixture(scope="session")
def hot(tmp_path_factory):
    """The first 14 s of a run in which a winding heats up too fast."""
    return made(tmp_path_factory.mktemp("hot"), "hot-while-dry")


@pytest.fixture
def player(tmp_path):
    """Makes a player; it is gone when the test is."""
    made_here = []

    def make(*args, **kwargs):
        made_here.append(Player(tmp_path, *args, **kwargs))
        return made_here[-1]

    yield make
    for one in made_here:
        one.kill()
