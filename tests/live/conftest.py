"""A run to play, and adapters that play it."""

import pytest

from tests.live.stand import Player, made


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
