"""Lies of every kind are told, four at once, and none of them is an error nor a pass.

That none passes alone or in pairs is asked of ``python -m tests.lies``.
"""

import numpy as np
import pytest

from canscope.simulate.physics import simulate
from canscope.simulate.random_vehicle import draw
from canscope.simulate.sensors import readings
from tests.lies.__main__ import told
from tests.lies.judging import STAGES, Answer, Case, judged
from tests.lies.lies import KINDS, Lie, Told
from tests.lies.telling import every_kind, lying

HIGH_VOLTAGE = "tests.lies.high_voltage"
OTHERS = [kind for kind in every_kind() if KINDS[kind].__module__ != HIGH_VOLTAGE]
FOURS = [tuple(OTHERS[first::13]) for first in range(13)]  # not those that follow each other


@pytest.mark.parametrize("kinds", FOURS, ids=lambda kinds: kinds[0])
def test_lies_of_each_kind_are_judged(kinds):
    answer = judged(Case(9, STAGES[FOURS.index(kinds) % 3], kinds))
    assert answer.lies
    assert answer.verdict in ("fail", "unproven")


def test_a_lie_about_high_voltage_of_each_kind_is_told_of_one_run():
    """They are many: all of them are told, and what they change is looked at, of one dry spin."""
    vehicle, story = draw(4, stage="dry-spin")
    script = story.script()
    truth = simulate(vehicle, script)
    for kind in [k for k in every_kind() if KINDS[k].__module__ == HIGH_VOLTAGE]:
        for seed in range(20):
            told = Told(
                vehicle, script, truth, readings(truth, vehicle), np.random.default_rng(seed)
            )
            honest = dict(told.seen)
            lie = KINDS[kind](told)
            if lie is not None:
                break
        assert lie is not None
        changed = {key for key in honest if not np.array_equal(honest[key], told.seen[key])}
        assert changed or told.later


def test_a_lie_that_the_next_one_wipes_out_is_none():
    """A link that is live again, and then made to have faded long before, was never live."""
    vehicle, story = draw(1, stage="dry-spin")
    script = story.script()
    alone = lying(vehicle, script, 1, ["live-again"])[1]
    first = lying(vehicle, script, 1, ["live-again", "link-fades"])[1]
    last = lying(vehicle, script, 1, ["link-fades", "live-again"])[1]
    assert [lie.kind for lie in alone] == ["live-again"]
    assert [lie.kind for lie in first] == ["link-fades"]
    assert [lie.kind for lie in last] == ["link-fades", "live-again"]


def test_a_pass_is_told_before_the_next_case_is_judged(capsys):
    """Whoever stops a campaign of hours has read what passed until then."""

    def answers():
        yield Answer(
            Case(7, "dry-spin", ("held",)), (Lie("held", "a signal", "for a while"),), "pass", ()
        )
        assert capsys.readouterr().out.startswith("PASS 7 dry-spin held: held")

    assert told(answers()) == 1
