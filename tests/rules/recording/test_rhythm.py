"""Time cut out of a recording, by hand: four messages of two nodes every 10 to 100 ms for 10 s."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

CYCLES_S = {
    "pack.voltage": 0.01,
    "units.front.speed": 0.02,
    "supply.voltage": 0.05,
    "units.front.temperatures.winding": 0.1,
}


def judge(change=lambda role, times: times, **more):
    roles = {}
    for number, (role, cycle) in enumerate(CYCLES_S.items()):
        times = change(role, np.arange(0.001 * number, 10, cycle))
        roles[role] = (np.round(times, 6), np.full(len(times), 12.0))
    return run("capture-integrity", roles, **{"cycles_s": CYCLES_S, **more})["capture"]


def cut(times, since_s, length_s):
    """What was recorded in this time is taken out, and all that follows moved up to it."""
    left = times[(times < since_s) | (times >= since_s + length_s)]
    return np.where(left < since_s, left, left - length_s)


@pytest.mark.parametrize("cuts", [None, [3.95, 4.0, 4.005, 4.01, 4.02, 4.03, 4.2, 4.41]])
def test_messages_of_two_nodes_that_miss_their_beat_in_one_instant(cuts):
    """133.7 ms: 3.7 of 10 ms, 13.7 of 20 and 33.7 of 50 and of 100 are missing in that interval."""
    finding = judge(lambda role, times: cut(times, 4.0, 0.1337), cuts=cuts)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "capture-damaged")
    assert "left their rhythm at one instant, and kept the new one: time was" in finding.sentence
    assert "and 1 more" in finding.sentence


@pytest.mark.parametrize(
    "change",
    [
        lambda role, times: times,
        lambda role, times: cut(times, 4.0, 0.0004),  # the clocks of nodes wander by more
        # One node alone begins anew: it may have been busy.
        lambda role, times: cut(times, 4.0, 0.1337) if role.startswith("units") else times,
        # Frames that the recorder hands over late are stamped late, and those after them in time.
        lambda role, times: np.maximum(times, np.where(times < 4.037, 4.037, 0) * (times > 4)),
        # Nothing for half a second: a silence, of which other rules speak.
        lambda role, times: np.where(times < 4, times, times + 0.5137),
        # Stamps late by up to 5 ms at random.
        lambda role, times: np.sort(times + np.random.default_rng(3).uniform(0, 0.005, len(times))),
    ],
)
def test_what_else_disturbs_a_beat_is_no_cut(change):
    assert "rhythm" not in judge(change).sentence


@pytest.mark.parametrize("since_s", [1.2, 7.0])
def test_where_cycles_are_learned_cutting_changes_nothing(since_s):
    """From 1 s on 33 frames of a message teach its cycle: of 100 ms until 4.3 s."""

    def spliced(role, times):
        return cut(times, since_s, 0.1337)

    whole = judge(spliced, cycles_s=None)
    assert ("rhythm" in whole.sentence) == (since_s > 4.3)
    assert judge(spliced, cycles_s=None, cuts=[0.9, 1.1, 1.25, 1.4, 2.0, 5.0, 7.01]) == whole
