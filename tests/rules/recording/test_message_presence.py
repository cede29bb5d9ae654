"""message-presence: each bound message is seen or not; nothing to compute."""

import numpy as np

from canscope.model.findings import Verdict
from canscope.rules import RULES
from tests.rules.harness import judge as run

TIMES = np.arange(0, 2, 0.1)
ROLES = {"pack.voltage": (TIMES + 0.5, 400.0), "pack.current": ([], [])}


def test_a_message_passes_at_its_first_frame():
    finding = run("message-presence", ROLES)["can0:M0"]
    assert (finding.verdict, finding.margin, finding.required) == (Verdict.PASS, 1.0, True)
    assert finding.at_s == 0.0


def test_a_message_that_never_came_is_unproven_and_says_what_rests_on_it():
    finding = run("message-presence", ROLES)["can0:M1"]
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-seen")
    assert "pack.current" in finding.sentence


def test_a_frame_without_a_usable_value_was_still_seen():
    roles = ROLES | {"pack.current": (TIMES, np.nan)}
    assert run("message-presence", roles)["can0:M1"].verdict is Verdict.PASS


def test_it_can_be_neither_waived_nor_switched_off():
    assert not RULES["message-presence"].waivable


def test_cutting_changes_nothing():
    assert run("message-presence", ROLES, cuts="each") == run("message-presence", ROLES)
