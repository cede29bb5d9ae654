"""frame-length: a frame shorter than its definition, counted by hand; payloads are plain bytes."""

import pytest

from canscope.model.bench import Kind
from canscope.model.findings import Verdict
from canscope.model.tables import Flag
from tests.rules.frames import Row, bench_of, judge, message

FAST = message("Fast", 0x100, 8, {"Speed": (0, 16)}, cycle_s=0.1)
LONG = message("Long", 0x18EBFF00, 24, {"Torque": (160, 16)}, cycle_s=0.1, extended=True)
ROLES = {
    "units.front.speed": ("can0:Fast.Speed", Kind.NUMBER),
    "units.front.torque": ("can0:Long.Torque", Kind.NUMBER),
}


def run(rows, cuts=None):
    return judge("frame-length", rows, [FAST, LONG], bench_of([FAST, LONG], ROLES), cuts=cuts)


def frames(*lengths, can_id=0x100, flags=0, channel="can0"):
    return [Row(k / 10, channel, can_id, bytes(n), flags) for k, n in enumerate(lengths)]


def test_frames_of_full_length_pass():
    finding = run(frames(8, 8, 8))["can0:Fast"]
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.PASS, 8.0, 0.0)


def test_a_shorter_frame_fails_by_the_bytes_it_lacks():
    finding = run(frames(8, 7, 5, 8))["can0:Fast"]
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 5.0, -3.0)
    assert (finding.first_failed_s, finding.at_s) == (0.1, 0.2)
    assert "(2 by then)" in finding.sentence


def test_a_longer_frame_is_no_fault():
    assert (
        run(frames(64, can_id=0x18EBFF00, flags=Flag.EXTENDED | Flag.FD))["can0:Long"].margin
        == 40.0
    )


def test_long_frames_count_all_their_bytes():
    extended = Flag.EXTENDED | Flag.FD
    finding = run(frames(24, 20, can_id=0x18EBFF00, flags=extended))["can0:Long"]
    assert (finding.verdict, finding.margin) == (Verdict.FAIL, -4.0)


@pytest.mark.parametrize(
    "other",
    [
        frames(2, channel="can1"),
        frames(2, can_id=0x101),
        frames(2, flags=Flag.EXTENDED),
        [Row(0.05, "can0", 0x100, b"", Flag.REMOTE, 2)],
        [Row(0.05, "can0", 0x100, bytes(2), Flag.ERROR)],
    ],
)
def test_only_data_frames_of_the_message_itself_are_looked_at(other):
    rows = sorted(frames(8, 8) + other, key=lambda row: row.at_s)
    assert run(rows)["can0:Fast"].verdict is Verdict.PASS


def test_a_j1939_message_is_found_by_its_group_from_any_source():
    # Both 18FEF100 and 1CFEF117 are group 0FEF1; 18FEF217 is another one.
    spec = message("Any", 0x18FEF1FE, 8, {"Speed": (0, 16)}, cycle_s=0.1, extended=True, j1939=True)
    bench = bench_of([spec], {"units.front.speed": ("can0:Any.Speed", Kind.NUMBER)})
    rows = frames(8, 8, can_id=0x18FEF100, flags=Flag.EXTENDED)
    assert judge("frame-length", rows, [spec], bench)["can0:Any"].verdict is Verdict.PASS
    rows += [Row(0.2, "can0", 0x1CFEF117, bytes(3), Flag.EXTENDED)]
    assert judge("frame-length", rows, [spec], bench)["can0:Any"].margin == -5.0
    rows[-1] = Row(0.2, "can0", 0x18FEF217, bytes(3), Flag.EXTENDED)
    assert judge("frame-length", rows, [spec], bench)["can0:Any"].verdict is Verdict.PASS


def test_a_message_that_never_came_is_not_exercised():
    assert run(frames(8, 8))["can0:Long"].reason == "not-exercised"


def test_cutting_changes_nothing():
    rows = frames(8, 7, 5, 8, 5, 8)
    assert run(rows, cuts="each") == run(rows)
