"""Two full 1 Mbit/s buses for 8 s, judged by every rule: nothing lost, everything written down.

How fast it is, is shown by ``python -m tests.benchmarks.live``, of which this is the short form.
"""

import pytest

from tests.benchmarks.live import BUSES, RATE, through_slcan, through_virtual
from tests.live.stand import Control

SECONDS = 8.0
BUFFER_S = 0.1  # what adapter and terminal together hold at least, of a full bus


@pytest.fixture(scope="module")
def figures(tmp_path_factory):
    control = Control()
    try:
        found = through_slcan(tmp_path_factory.mktemp("slcan"), SECONDS, brief=True)
        return found | {"machine_waited_s": max(control.waited_s().values())}
    finally:
        control.kill()


def test_every_frame_of_two_full_buses_is_recorded(figures):
    assert (
        figures["offered"] > SECONDS * RATE
    )  # a machine with other work may be late, not stand still
    lost = figures["dropped_by_adapters"]
    assert figures["recorded"] == figures["offered"] - lost
    # No recorder can fetch what a machine does not let it fetch: then it is only counted.
    assert lost == 0 or figures["machine_waited_s"] > BUFFER_S


def test_every_frame_is_on_the_disk_and_was_judged(figures):
    assert figures["on_the_disk"] == figures["recorded"]
    assert figures["judged"] == figures["recorded"]


def test_only_what_a_listener_may_say_was_said(figures):
    assert figures["only_listened"]


def test_memory_does_not_grow_with_the_run(figures):
    early, late = figures["memory_MiB_second_and_last_quarter"]["recorder"]
    assert late < 1.1 * early + 5


def test_the_alarms_of_an_axle_that_is_too_fast_came(figures):
    assert ("speed-ceiling", "rear") in {(a["rule"], a["subject"]) for a in figures["alarms"]}


def test_virtual_buses_of_python_can_are_recorded_and_judged_at_the_same_rate(tmp_path):
    found = through_virtual(tmp_path / "virtual", SECONDS, brief=True)
    assert found["offered"] >= len(BUSES) * SECONDS * RATE
    assert found["recorded"] == found["judged"] == found["offered"]
    assert ("speed-ceiling", "rear") in {(a["rule"], a["subject"]) for a in found["alarms"]}
