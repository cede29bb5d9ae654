"""Closing and opening inferred from a link, worked by hand: 95 % of 400 V is 380 V, 90 % is 360 V.

The two levels are common practice, no source.
"""

import numpy as np
import pytest

from tests.events.test_finder import run

T = np.arange(0, 10, 0.1)
PACK = (T, np.full(len(T), 400.0))


def link(*levels):
    """One level a second."""
    return T, np.repeat(levels, 10)[: len(T)].astype(float)


def told(roles, cuts=()):
    events, *_ = run(roles, cuts)
    return [
        (e.value, round((e.time_ns - e.after_ns) / 1e9, 3), e.subject)
        for e in events
        if e.kind == "link"
    ]


def test_a_link_that_comes_up_and_goes_is_told_between_two_readings():
    roles = {
        "pack.voltage": PACK,
        "units.front.link_voltage": link(0, 0, 379, 380, 400, 365, 359, 100, 0, 0),
    }
    # 379 V is no change yet and 365 V none any more: the change lies after the last clear reading.
    assert told(roles) == [(1.0, 1.1, "front"), (0.0, 1.1, "front")]
    assert told(roles, cuts=np.arange(0.05, 10, 0.37)) == told(roles)


@pytest.mark.parametrize(("bound", "changes"), [(("positive",), 2), (("negative", "positive"), 0)])
def test_where_both_main_contactors_are_bound_nothing_is_inferred(bound, changes):
    roles = {
        "pack.voltage": PACK,
        "units.front.link_voltage": link(0, 0, 400, 400, 400, 0, 0, 0, 0, 0),
        **{f"contactors.{pole}": (T, np.zeros(len(T))) for pole in bound},
    }
    assert len(told(roles)) == changes


def test_an_old_or_absent_pack_voltage_says_nothing():
    up = link(0, 0, 0, 0, 0, 400, 400, 400, 400, 400)
    gone = (T[:20], np.full(20, 400.0))  # the last reading is 3 s old when the link comes up
    assert told({"pack.voltage": gone, "units.front.link_voltage": up}) == []
    assert (
        told({"pack.voltage": (T, np.full(len(T), np.nan)), "units.front.link_voltage": up}) == []
    )
