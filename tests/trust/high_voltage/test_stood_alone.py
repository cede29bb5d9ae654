"""A pack free of noise that is held from 8.9 s on, while the link lies 10 V low until 10.5 s."""

import numpy as np
import pytest

from tests.trust.test_feedback import PACK, TIMES, load, remarks


def told(from_s, until_s):
    """What is said of a pack without noise that repeats one reading for a while."""
    pack = 400.0 - 10 * load(TIMES)
    held = slice(*np.searchsorted(TIMES, [from_s, until_s]).tolist())
    pack[held] = pack[held.start]
    whole = remarks(pack__voltage=pack)
    assert remarks(pack__voltage=pack, cuts=(9.9, 11.7)) == whole
    return whole.get(PACK, "")


@pytest.mark.parametrize(
    ("from_s", "until_s", "said"),
    [
        (8.9, 11.6, True),  # the link rises by 10 V meanwhile
        (8.0, 9.2, True),  # it falls by 10 V
        (8.9, 10.4, False),  # nothing moves then
        (10.5, 10.9, False),  # it may trail behind by so little
    ],
)
def test_a_pack_does_not_stand_while_its_link_moves(from_s, until_s, said):
    assert ("stood to the bit" in told(from_s, until_s)) == said
