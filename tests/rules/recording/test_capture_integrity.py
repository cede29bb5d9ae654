"""capture-integrity: unreadable lines above 1 %, a cut end, lost frames and clock steps fail.

Counts are worked by hand; the candump texts go through the real reader.
"""

from dataclasses import replace

import numpy as np
import pytest

from canscope.capture.order import ordered
from canscope.capture.read import read_capture
from canscope.judge.judge import Judge
from canscope.judge.time_slice import TimeSlice
from canscope.judge.verdict import findings_of
from canscope.model.bench import Bench
from canscope.model.findings import Verdict
from canscope.model.tables import Tally
from canscope.rules import RULES
from tests.rules.harness import judge as run

CYCLES_S = {"pack.voltage": 0.02, "pack.current": 0.01, "supply.voltage": 0.1}


def lines(count, start_s=1_700_000_000.0):
    return [f"({start_s + row / 100:.6f}) can0 123#11223344" for row in range(count)]


def judged(chunks, **rules):
    judge = Judge(
        Bench(stage="dry-spin"), {"capture-integrity": RULES["capture-integrity"](**rules)}
    )
    for frames in chunks:
        judge.feed(TimeSlice({}, {}, frames, frames.until_ns, frames.segment))
    judge.close()
    return findings_of(judge.ledger)[0]


def recorded(tmp_path, text):
    file = tmp_path / "run.log"
    file.write_text(text)
    return list(read_capture(file))


def judge(tmp_path, rows, end="\n", **rules):
    return judged(recorded(tmp_path, "\n".join(rows) + end), **rules)


def test_a_whole_recording_passes_and_tells_what_is_not_known(tmp_path):
    finding = judge(tmp_path, lines(200))
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.PASS, 0.0, 1.0)
    assert "no error frame was recorded, which proves nothing" in finding.sentence
    assert "silent is not known" in finding.sentence


@pytest.mark.parametrize(("bad", "verdict", "margin"), [(2, "pass", 0.0), (3, "fail", -0.5)])
def test_above_one_percent_of_unreadable_lines_fails(tmp_path, bad, verdict, margin):
    rows = lines(200)
    for row in range(50, 50 + bad):
        rows[row] = "not a frame"
    finding = judge(tmp_path, rows)
    assert (finding.verdict, finding.measured) == (verdict, bad / 2)  # of 200 lines
    assert finding.margin == pytest.approx(margin)
    assert f"{bad} of 200 lines" in finding.sentence
    assert "run.log:51" in finding.sentence
    assert finding.code == ("unreadable-lines" if verdict == "fail" else "")


def test_the_share_allowed_can_be_set(tmp_path):
    rows = lines(200)
    rows[50:53] = ["not a frame"] * 3
    assert judge(tmp_path, rows, skipped_percent=2.0).verdict is Verdict.PASS


def test_a_cut_end_fails(tmp_path):
    finding = judge(tmp_path, [*lines(200), "(1700000002.000000) can0 12"], end="")
    assert finding.verdict is Verdict.FAIL
    assert "cut off" in finding.sentence
    assert finding.code == "cut-off"


def test_a_clock_step_fails_where_it_happened_and_says_by_how_much(tmp_path):
    second = lines(100, start_s=1_700_000_000.0 - 30.0)
    finding = judge(tmp_path, lines(100) + second)
    assert finding.verdict is Verdict.FAIL
    # The first hundred end 0.99 s after the first frame; the clock then shows 30 s before it.
    assert "back by 30.990 s" in finding.sentence
    assert finding.code == "clock-stepped"
    assert (finding.at_s, finding.first_failed_s) == (0.99, 0.99)  # where the clock last ran on


def test_frames_that_the_recorder_lost_fail_by_their_number(tmp_path):
    chunks = recorded(tmp_path, "\n".join(lines(200)) + "\n")
    chunks[0] = replace(chunks[0], tally=chunks[0].tally + Tally(dropped=7))
    finding = judged(chunks)
    assert (finding.verdict, finding.margin, finding.measured) == (Verdict.FAIL, -7.0, 7.0)


def test_error_frames_are_told(tmp_path):
    rows = lines(50)
    rows[10] = "(1700000000.100000) can0 20000080#0000000000000000"
    assert "error frames were recorded (1)" in judge(tmp_path, rows).sentence


def test_it_can_be_neither_waived_nor_switched_off():
    assert not RULES["capture-integrity"].waivable


@pytest.mark.parametrize("rows", [lines(100), lines(100) + lines(100, 1_699_999_970.0)])
def test_cutting_changes_nothing(tmp_path, rows):
    chunks = recorded(tmp_path, "\n".join(["not a frame", *rows]) + "\n")
    pieces = []
    for chunk in chunks:
        pieces += [
            replace(
                chunk.take(slice(row, row + 1)),
                tally=chunk.tally if row == 0 else Tally(),
                step_ns=chunk.step_ns if row == 0 else None,
                until_ns=int(chunk.time_ns[row]) + 1,
            )
            for row in range(len(chunk))
        ] or [chunk]
    assert len(pieces) >= 100
    assert judged(pieces) == judged(chunks)


def test_the_ordering_puts_a_step_on_the_first_chunk_of_its_segment(tmp_path):
    chunks = recorded(tmp_path, "\n".join(lines(100) + lines(100, 1_699_999_970.0)) + "\n")
    steps = [chunk.step_ns for chunk in ordered(chunks) if chunk.step_ns is not None]
    assert np.allclose(steps, [-30_990_000_000])


def paced(times, **other):
    """Three messages of stated cycles, each so many times slower than stated."""
    pace = dict.fromkeys(CYCLES_S, times) | other
    roles = {role: (np.arange(0, 9, cycle * pace[role]), 12.0) for role, cycle in CYCLES_S.items()}
    return run("capture-integrity", roles, cycles_s=CYCLES_S)["capture"]


@pytest.mark.parametrize("times", [0.5, 0.96, 1.04, 1.6, 2.3])
def test_a_clock_that_ran_wrong_for_all_messages_alike_is_no_whole_recording(times):
    finding = paced(times)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "capture-damaged")
    assert f"all 3 messages came at {times:.2f} times their stated cycle" in finding.sentence


@pytest.mark.parametrize("times", [0.975, 1.0, 1.025])
def test_a_clock_that_is_right_within_what_nodes_keep_passes(times):
    assert paced(times).verdict is Verdict.PASS


def test_all_messages_at_twice_their_stated_cycle_lack_every_second_frame():
    assert paced(2.0).code == "missing-frames"  # a clock at half its speed looks the same


def test_one_message_that_keeps_another_cycle_than_stated_is_no_fault_of_the_clock():
    assert paced(1.0, **{"pack.current": 2.0}).verdict is Verdict.PASS
    assert paced(1.6, **{"pack.current": 1.0}).verdict is Verdict.PASS


def lossy(keep, keys=tuple(CYCLES_S), **more):
    """Three messages, of which some lack the frames whose number is not kept."""
    roles = {}
    for role, cycle in CYCLES_S.items():
        number = np.arange(round(8 / cycle))
        came = number[[bool(keep(n)) for n in number]] if role in keys else number
        roles[role] = (np.round(came * cycle, 6), 12.0)
    return run("capture-integrity", roles, cycles_s=CYCLES_S, **more)["capture"]


@pytest.mark.parametrize("every", [2, 3, 10, 40])
def test_frames_that_are_missing_of_several_messages_fail_with_their_number(every):
    finding = lossy(lambda n: n % every, ("pack.voltage", "pack.current"))
    assert (finding.verdict, finding.code) == (Verdict.FAIL, "missing-frames")
    # 400 frames in 8 s at 20 ms, 800 at 10 ms; a few at the ends have no neighbour to tell.
    assert abs(finding.measured - 1200 / every) <= 6
    assert "frames of 2 messages are missing" in finding.sentence


def test_one_message_alone_is_left_to_its_own_rules():
    assert lossy(lambda n: n % 3, ("pack.voltage",)).verdict is Verdict.PASS


def test_counters_of_two_units_that_jump_fail():
    number = np.arange(200)
    came = number[(number < 100) | (number > 101)]  # two frames missing, 20 ms
    roles = {f"units.{unit}.alive": (came / 100, came % 16) for unit in ("front", "rear")}
    more = {
        "options": {role: {"modulus": 16} for role in roles},
        "cycles_s": dict.fromkeys(roles, 0.01),
    }
    finding = run("capture-integrity", roles, **more)["capture"]
    assert (finding.verdict, finding.measured, finding.at_s) == (
        Verdict.FAIL,
        4.0,
        1.99,
    )  # at the end
    assert "2 of 103 of can0:M0" in finding.sentence  # 101 frames had come by then
    assert run("capture-integrity", roles, cuts="each", **more)["capture"] == finding


def test_cutting_changes_nothing_about_missing_frames():
    keys = ("pack.voltage", "pack.current")
    whole = lossy(lambda n: n % 10, keys)
    assert lossy(lambda n: n % 10, keys, cuts="each") == whole
    assert lossy(lambda n: n % 10, keys, cuts=[0.5, 3.003, 3.01]) == whole


def test_frames_stamped_out_of_their_order_are_told_and_many_are_doubted():
    def with_exchanged(pairs):
        counts = np.arange(1000)
        for first in range(100, 100 + 20 * pairs, 20):  # every 20 frames one before the last
            counts[[first, first + 1]] = first + 1, first
        roles = {"units.front.alive": (np.arange(1000) / 100, counts % 16)}
        options = {"units.front.alive": {"modulus": 16}}
        return run("capture-integrity", roles, options=options)["capture"]

    few = with_exchanged(5)  # 10 frames of 1,000 are one in a hundred, which is still told
    assert few.verdict is Verdict.PASS
    assert "10 of 1000 frames of can0:M0 were stamped out of their order" in few.sentence
    many = with_exchanged(6)
    assert (many.verdict, many.reason) == (Verdict.UNPROVEN, "capture-damaged")
    assert "let the adapter stamp in hardware" in many.sentence
