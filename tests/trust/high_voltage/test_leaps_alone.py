"""A link that is 15 V low for 60 ms in the burst, while the pack, the current or neither moves."""

import numpy as np
import pytest

from tests.trust.test_feedback import CURRENT, LINK_KEY, PACK, TIMES, healthy, remarks

FOR_60_MS = slice(*np.searchsorted(TIMES, [9.01, 9.07]).tolist())


def low(role, by, rows=FOR_60_MS):
    column = healthy()[role].copy()
    column[rows] -= by
    return {role.replace(".", "__"): column}


def test_a_link_that_leaps_alone_is_not_believed():
    told = remarks(**low("units.front.link_voltage", 15.0))
    assert "leapt to" in told[LINK_KEY]
    assert remarks(**low("units.front.link_voltage", 15.0), cuts=(9.03, 11.5)) == told


@pytest.mark.parametrize(("role", "by"), [(PACK, 12.0), (CURRENT, -20.0)], ids=["pack", "load"])
def test_a_load_takes_all_down(role, by):
    told = remarks(**low("units.front.link_voltage", 15.0), **low(role, by))
    assert "leapt to" not in told.get(LINK_KEY, "")


def test_one_reading_alone_has_to_be_further_off():
    one = slice(FOR_60_MS.start, FOR_60_MS.start + 1)
    for by, said in ((8.0, False), (15.0, True)):
        told = remarks(**low("units.front.link_voltage", by, one)).get(LINK_KEY, "")
        assert ("leapt to" in told) == said
