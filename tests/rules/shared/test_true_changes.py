"""Pre-charge's state comes 150 ms after the current and the link that it lets in; its command
told it too. Hand-worked on contactor-sequence: pre-charge acts at 1.0 s, positive closes at 1.12 s.
"""

import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge
from tests.rules.vehicle import charging, clock, state


def sequence(*, precharge_s, positive_s=1.12, negative_s=0.6, command_s=None, link=True):
    times = clock(4, 0.01)
    roles = {
        "contactors.negative": (times, state(times, (negative_s, 1))),
        "contactors.precharge": (times, state(times, (precharge_s, 1), (2.0, 0))),
        "contactors.positive": (times, state(times, (positive_s, 1))),
        "pack.voltage": (times, 400.0),
    }
    if link:
        volts = charging(times, 1.0, 400.0, 0.02)
        roles["units.front.link_voltage"] = (times, volts)
    if command_s is not None:
        roles["contactors.precharge.command"] = (times, state(times, (command_s, 1), (1.98, 0)))
    return judge("contactor-sequence", roles, stage="power-up")["contactors"]


def test_a_state_that_seems_to_come_after_positive_passes_by_the_rise_of_the_link():
    finding = sequence(precharge_s=1.15)
    assert finding.verdict is Verdict.PASS
    assert "the state of pre-charge said closed at least 130 ms late, by the rise of" in (
        finding.sentence
    )


def test_without_a_link_its_command_leaves_the_order_open():
    finding = sequence(precharge_s=1.15, command_s=0.98, link=False)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "too-close-to-call")
    assert "by its command" in finding.sentence


def test_a_pre_charge_that_really_closes_after_positive_fails():
    finding = sequence(precharge_s=1.15, link=False)
    assert finding.verdict is Verdict.FAIL


@pytest.mark.parametrize("late_ms", [10, 30, 50])
def test_a_contact_that_takes_its_time_is_not_late(late_ms):
    at_s = 1.0 + late_ms / 1000
    assert "late" not in sequence(precharge_s=at_s, positive_s=1.4, command_s=1.0).sentence
