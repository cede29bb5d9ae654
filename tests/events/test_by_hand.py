"""A wheel turned by hand with all poles open is told and is no burst; times worked by hand.

The poles are read every 100 ms, the speed every 10 ms; 0.2 s at 50 rpm and more is turning.
"""

import numpy as np
import pytest

from tests.events.test_finder import run, speed, told
from tests.rules.harness import judge

P = np.arange(0, 40, 0.1)
DRY = {"bench": {"coolant": "empty"}}
LINK = "units.front.link_voltage"


def roles(*stretches, closed=(99.0, 99.0), **more):
    """Speed in (from, until, rpm), and both main poles closed for that time."""
    state = ((closed[0] <= P + 1e-9) & (closed[1] > P + 1e-9)).astype(float)
    poles = dict.fromkeys(("contactors.negative", "contactors.positive"), (P, state))
    return {**speed(*stretches), **poles, **more}


def test_a_wheel_turned_by_hand_is_told_and_is_no_burst():
    events, spans, derived = run(roles((5, 7, 90), closed=(10.0, 20.0)))
    assert told(events, "turned-by-hand") == [("front", 5.0, 5.2)]
    assert told(events, "burst-start") == told(events, "burst-end") == []
    assert derived["@turning.front"] == []
    assert [span for span in spans if span.subject == "front"] == []


def test_a_unit_that_turns_under_power_and_coasts_on_after_opening_is_one_burst():
    events, _, derived = run(roles((12, 25, 300), closed=(10.0, 20.0)))
    assert told(events, "turned-by-hand") == []
    assert told(events, "burst-start") == [("front", 12.0, 12.2)]
    assert [time for _, time, _ in told(events, "burst-end")] == [25.0]
    assert derived["@turning.front"] == [(12.2, 1.0), (25.0, 0.0)]


def test_a_pole_that_closes_onto_a_turning_wheel_begins_a_burst():
    events, _, derived = run(roles((8, 14, 300), closed=(10.0, 20.0)))
    assert told(events, "turned-by-hand") == [("front", 8.0, 8.2)]
    assert told(events, "burst-start") == [("front", 10.0, 10.0)]
    assert derived["@turning.front"] == [(10.0, 1.0), (14.0, 0.0)]


def test_a_wheel_that_begins_to_turn_before_the_poles_have_opened_is_driven():
    events, *_ = run(roles((19.95, 22, 90), closed=(10.0, 20.0)))
    assert [time for _, time, _ in told(events, "burst-start")] == [19.95]


@pytest.mark.parametrize(("link_V", "hand"), [(20.0, True), (400.0, False), (None, True)])
def test_a_box_not_heard_yet_holds_no_coil_unless_the_link_says_otherwise(link_V, hand):
    later = P[P >= 9.0]
    poles = dict.fromkeys(("contactors.negative", "contactors.positive"), (later, 0.0 * later))
    link = {} if link_V is None else {LINK: (P, np.full(len(P), link_V))}
    events, *_ = run({**speed((5, 7, 90)), **poles, **link})
    assert bool(told(events, "turned-by-hand")) is hand
    assert bool(told(events, "burst-start")) is not hand


@pytest.mark.parametrize(("link_V", "hand"), [(20.0, True), (400.0, False)])
def test_without_contactors_the_link_alone_tells(link_V, hand):
    events, *_ = run(
        {**speed((5, 7, 90)), LINK: (P, np.full(len(P), link_V))},
    )
    assert bool(told(events, "turned-by-hand")) is hand


def test_no_cut_changes_what_is_by_hand():
    for closed in ((10.0, 20.0), (5.5, 20.0), (1.0, 5.1)):
        whole = run(roles((5, 7, 90), (8, 14, 300), closed=closed))
        for cuts in (np.arange(0.05, 40, 0.5), [5.0, 5.2, 5.5, 7.0, 8.2, 10.0]):
            assert run(roles((5, 7, 90), (8, 14, 300), closed=closed), cuts)[::2] == whole[::2]


@pytest.mark.parametrize("rpm", [90.0, -180.0])
def test_by_hand_neither_dry_seconds_are_used_up_nor_does_power_up_fail(rpm):
    data = roles((2, 9, rpm), closed=(12.0, 30.0), **{LINK: (P, np.where(P < 12, 0.0, 400.0))})
    dry = judge("dry-exposure", data, rules={"burst_s": 5, "pause_s": 20}, **DRY)["front"]
    assert (dry.verdict, dry.reason) == ("unproven", "not-exercised")
    for rule in ("nothing-turns", "unasked-motion"):
        assert judge(rule, data, stage="power-up")["front"].verdict == "pass"
    assert judge("dry-exposure", data, stage="power-up", **DRY) == {}
