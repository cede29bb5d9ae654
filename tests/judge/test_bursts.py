"""The burst table, worked by hand: what a unit did in each stretch in which it turned."""

import numpy as np
import pytest

from tests.rules.harness import judged

NOTHING = dict.fromkeys(("rules", "bench", "u", "cycles_s", "options", "end_s"))
T = np.round(np.arange(0, 420, 0.1), 3)


def table(roles, cuts=None):
    """The rows of a run."""
    _, judge = judged("rocking", roles, stage="rolling", marks=(), cuts=cuts, **NOTHING)
    return judge.exhibits.bursts


def long_burst():
    """It turns from 10 to 400 s in reverse; its extremes come soon after the start."""
    early = (T > 20) & (T < 21)
    return {
        "units.front.speed": (T, np.where((T >= 10) & (T < 400), np.where(early, -900, -600), 0)),
        "driver.direction": (T, np.where(T < 5, 0.0, -1.0)),
        "pack.current": (T, np.where(early, 80.0, 5.0)),
        "pack.voltage": (T, np.where(early, 340.0, 358.0)),
        "units.front.temperatures.winding": (T, np.where(T < 15, 20.0, np.where(early, 30, 25))),
    }


@pytest.mark.parametrize("every_s", [None, 150.0, 10.0])
def test_a_burst_longer_than_the_history_keeps_its_extremes(every_s):
    cuts = None if every_s is None else list(np.arange(every_s, 420, every_s))
    (row,) = table(long_burst(), cuts)
    assert (row.unit, row.number, row.requested) == ("front", 1, "reverse")
    assert (row.start_s, row.length_s) == (10.0, 390.0)
    assert (row.peak_speed_rpm, row.peak_current_A, row.lowest_voltage_V) == (-900, 80, 340)
    assert row.heat_gained_K == {"winding": 10.0}


def test_each_unit_has_its_own_bursts_and_what_was_not_read_is_not_known():
    spins = ((T > 10) & (T < 13)) | ((T > 50) & (T < 53))
    roles = {
        "units.front.speed": (T, np.where(spins, 600.0, 0.0)),
        "units.rear.speed": (T, np.where((T > 51) & (T < 53), -500.0, 0.0)),
    }
    rows = [(r.unit, r.number, r.peak_speed_rpm, r.requested) for r in table(roles)]
    assert sorted(rows) == [
        ("front", 1, 600.0, "unknown"),
        ("front", 2, 600.0, "unknown"),
        ("rear", 1, -500.0, "unknown"),
    ]
    first = table(roles)[0]
    assert (first.peak_current_A, first.lowest_voltage_V, first.heat_gained_K) == (None, None, {})
