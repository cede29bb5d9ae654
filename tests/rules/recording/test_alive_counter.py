"""alive-counter, worked by hand: a counter of 16 counts, one every 10 ms."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run

ROLE = "units.front.alive"


def judge(counts, times_s=None, modulus=16, cycle_s=0.01, **more):
    counts = np.asarray(counts, float)
    times = np.round(np.arange(len(counts)) / 100, 3) if times_s is None else times_s
    options = {ROLE: {"modulus": modulus}} if modulus else {}
    cycles = {ROLE: cycle_s} if cycle_s else {}
    roles = {ROLE: (times, counts)}
    return run("alive-counter", roles, options=options, cycles_s=cycles, **more)["front"]


def test_a_counter_that_counts_on_passes_over_its_end():
    finding = judge(np.arange(60) % 16)
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.PASS, 0.0, 0.0)


def test_a_counter_that_stands_still_fails_at_every_frame():
    finding = judge([5, 6, 7, *[7] * 10])
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 10.0, -10.0)
    assert (finding.first_failed_s, finding.at_s) == (0.03, 0.12)
    assert "from 7 to 7, modulo 16" in finding.sentence


@pytest.mark.parametrize("jump", [2, 15, 8])
def test_a_step_that_is_not_by_one_fails(jump):
    finding = judge([0, 1, 2, (2 + jump) % 16, (3 + jump) % 16])
    assert (finding.verdict, finding.measured, finding.at_s) == (Verdict.FAIL, 1.0, 0.03)


def test_a_count_beyond_the_modulus_fails():
    finding = judge([12, 13, 14, 15, 0, 1], modulus=15)  # 0 to 14
    # 15 is no count at all, and from there to 0 is no step modulo 15.
    assert (finding.verdict, finding.measured, finding.first_failed_s) == (Verdict.FAIL, 2.0, 0.03)
    assert judge([12, 13, 14, 0, 1], modulus=15).verdict is Verdict.PASS


def test_a_jump_over_a_gap_proves_lost_frames():
    # 4 cycles from 2 to 6: the frames 3, 4 and 5 were sent and are not here.
    finding = judge([0, 1, 2, 6, 7], [0, 0.01, 0.02, 0.06, 0.07])
    assert (finding.verdict, finding.measured, finding.at_s) == (Verdict.FAIL, 1.0, 0.06)
    assert finding.code == "frames-lost"
    assert "it jumped over gaps, and 3 of 7 frames are missing" in finding.sentence
    late = [0, 0.01, 0.02, 0.035, 0.045]  # 1.5 cycles are no gap yet
    assert judge([0, 1, 2, 4, 5], late).code == "wrong-count"


@pytest.mark.parametrize("every", [2, 3, 320])
def test_one_frame_in_so_many_that_is_missing_fails(every):
    number = np.arange(1000)
    came = number[number % every != every - 1]
    finding = judge(came % 16, came / 100)
    lost = 1000 // every - (every == 2)  # behind the very last one nothing came
    assert (finding.verdict, finding.measured) == (Verdict.FAIL, float(lost))
    assert f"and {lost} of " in finding.sentence


def test_every_second_frame_missing_fails_also_where_the_cycle_was_learned_from_the_rest():
    came = np.arange(0, 200, 2)
    finding = judge(came % 16, came / 100, cycle_s=None)
    assert (finding.verdict, finding.code) == (Verdict.FAIL, "wrong-count")


@pytest.mark.parametrize(
    ("counts", "times"),
    [
        ([0, 1, 2, 3, 4], [0, 0.01, 0.02, 0.06, 0.07]),  # it paused for four cycles and went on
        ([0, 1, 2, 9, 10], [0, 0.01, 0.02, 0.06, 0.07]),  # 6 more in 4 cycles: cycle-time's matter
        ([5, 6, 7, 0, 1], [0, 0.01, 0.02, 2.02, 2.03]),  # a restart
        ([5, 6, 7, 3, 4], [0, 0.01, 0.02, 9.0, 9.01]),  # far longer than the counter can tell
    ],
)
def test_a_pause_or_a_restart_loses_nothing(counts, times):
    assert judge(counts, times).verdict is Verdict.PASS


def test_a_repeat_on_the_bus_is_no_new_frame():
    times = [0, 0.01, 0.0103, 0.0106, 0.02, 0.03]
    assert judge([0, 1, 1, 1, 2, 3], times).verdict is Verdict.PASS
    assert judge([0, 1, 1, 3, 4, 5], times).verdict is Verdict.FAIL  # from 1 to 3


def test_without_a_modulus_the_bits_tell():
    # The harness binds 16 bits: 65535 is followed by 0.
    assert judge([65534, 65535, 0, 1], modulus=None).verdict is Verdict.PASS
    assert judge([14, 15, 0, 1], modulus=None).verdict is Verdict.FAIL


def test_steps_are_judged_once_the_cycle_is_known():
    stuck = np.arange(150) % 16
    stuck[120] = stuck[119]
    # 100 frames of 10 ms until the node has settled, then 32 learned intervals
    assert judge(stuck, cycle_s=None).verdict is Verdict.PASS
    stuck = np.arange(150) % 16
    stuck[140] = stuck[139]
    finding = judge(stuck, cycle_s=None)
    assert (finding.verdict, finding.first_failed_s) == (Verdict.FAIL, 1.4)


def test_frames_too_far_apart_prove_nothing():
    finding = judge([0, 1, 2], [0, 1, 2])
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_a_unit_without_counter_has_no_finding():
    assert run("alive-counter", {"units.front.speed": ([0, 1], 0.0)}) == {}


@pytest.mark.parametrize("cycle_s", [0.01, None])
@pytest.mark.parametrize(
    "counts", [np.arange(80) % 16, [0, 1, 1, 2, 3, 3, 3], [*range(16), *[3] * 40]]
)
def test_cutting_changes_nothing(counts, cycle_s):
    assert judge(counts, cycle_s=cycle_s, cuts="each") == judge(counts, cycle_s=cycle_s)


@pytest.mark.parametrize(("zeros", "verdict"), [(3, Verdict.PASS), (110, Verdict.FAIL)])
def test_a_counter_may_stand_at_its_first_value_until_its_node_has_booted(zeros, verdict):
    """Two frames of 0, or 1.08 s of them, before it counts; all poles are open."""
    counts = np.concatenate((np.zeros(zeros), np.arange(1, 300) % 16))
    finding = judge(counts)
    assert finding.verdict is verdict
    assert judge(counts, cuts="each") == finding
    later = np.concatenate((np.arange(50) % 16, [1, 1, 1], np.arange(2, 60) % 16))
    assert judge(later).measured == 3.0  # it had counted before


def test_frames_that_late_stamps_exchanged_are_put_back_in_order():
    # All counts are there, each once: 3 and 4 were sent before 5, and 9 before 10.
    finding = judge([0, 1, 2, 4, 5, 3, 6, 7, 8, 10, 9, 11, 12])
    assert (finding.verdict, finding.measured) == (Verdict.PASS, 0.0)
    # At the very end nothing comes any more that could be exchanged.
    finding = judge([0, 1, 2, 3, 5])
    assert (finding.verdict, finding.measured, finding.at_s) == (Verdict.FAIL, 1.0, 0.04)
    # Stamps more than 25 ms apart are not exchanged: it counted wrongly.
    assert judge([0, 1, 3, 2, 4], np.arange(5) * 0.03, cycle_s=0.03).verdict is Verdict.FAIL
    # A lost frame is none that stands elsewhere, also where a counter of four comes round soon.
    assert judge([0, 1, 3, 0, 1, 2, 3], modulus=4).verdict is Verdict.FAIL
