"""value-range, worked by hand: 16 bits of 0.5 rpm a bit, signed, declared -1000 to 1000 rpm."""

import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canscope.model.bench import Kind
from canscope.model.definition import Absent
from canscope.model.findings import Verdict
from canscope.model.signals import Samples
from canscope.rules.recording.value_range import _outermost
from tests.rules.frames import Row, bench_of, judge, message

SCALED = {"factor": 0.5, "signed": True, "minimum": -1000.0, "maximum": 1000.0, "unit": "rpm"}
ROLE = {"units.front.speed": ("can0:Fast.Speed", Kind.NUMBER)}


def run(raws, options=SCALED, bits=16, pack=None, cuts=None, awake=True):
    """Frames of these raw values from 1 s on; before it the first one, as the node has woken."""
    raws = [raws[0]] * 10 * awake + list(raws)
    spec = message("Fast", 0x100, 8, {"Speed": (0, bits, options)}, cycle_s=0.1)
    pack = pack or (lambda raw: struct.pack("<h", raw))
    rows = [Row(k / 10, "can0", 0x100, pack(raw).ljust(8, b"\0")) for k, raw in enumerate(raws)]
    return judge("value-range", rows, [spec], bench_of([spec], ROLE), cuts=cuts)["can0:Fast.Speed"]


def test_values_inside_pass_by_the_distance_to_the_nearer_end():
    finding = run([0, 1900, -1800])
    # 950 rpm is 50 below the upper end.
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.PASS, 950.0, 50.0)
    assert "-1000 to 1000" in finding.sentence


def test_the_ends_belong_to_the_range():
    finding = run([0, 2000, -2000])
    assert (finding.verdict, finding.margin) == (Verdict.PASS, 0.0)


def test_a_value_outside_fails_by_the_excess():
    finding = run([0, 2001, 2100, -2002])
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 1050.0, -50.0)
    assert (finding.first_failed_s, finding.at_s, finding.limit) == (1.1, 1.2, 1000.0)
    assert finding.code == ""
    assert run([0, -32768]).code == "end-code"  # of 16 bits, signed
    assert run([0, 32767]).code == "end-code"


def test_below_the_range_fails_as_well():
    finding = run([0, -2100])
    assert (finding.verdict, finding.measured, finding.limit) == (Verdict.FAIL, -1050.0, -1000.0)


def test_what_a_node_sends_as_it_wakes_is_not_judged():
    waking = [32767, 0, 5000, 0, 0, 0, 0, 0, 0, 0]  # from 0 to 0.9 s
    assert run([*waking, 0, 0], awake=False).verdict is Verdict.PASS
    assert run([*waking, 5000, 0], awake=False).first_failed_s == 1.0


def test_a_signal_without_a_declared_range_has_no_limit():
    finding = run([0, 5000], options={"factor": 0.5, "signed": True})
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "no-limit")


def test_no_value_while_the_node_is_awake_is_unproven():
    absent = SCALED | {"absent": Absent("maximum")}
    finding = run([0, 100, 0x7FFF, 100], options=absent)  # largest positive code: no value
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-available")
    assert finding.at_s == 1.2
    assert run([0, 2100, 0x7FFF], options=absent).verdict is Verdict.FAIL


def test_unsigned_codes_and_offsets_are_read_as_decoded():
    degC = {"factor": 1.0, "offset": -40.0, "minimum": -40.0, "maximum": 150.0, "unit": "degC"}
    finding = run([0, 189, 191], options=degC, bits=8, pack=lambda raw: bytes([raw]))
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 151.0, -1.0)


def test_floating_point_values_are_read_as_such():
    real = {"is_float": True, "minimum": -1.5, "maximum": 1.5}
    single = {"options": real, "bits": 32, "pack": lambda value: struct.pack("<f", value)}
    assert run([0.0, 1.25, -1.5], **single).margin == 0.0
    finding = run([0.0, 1.75, 2.5], **single)
    assert (finding.verdict, finding.measured, finding.margin) == (Verdict.FAIL, 2.5, -1.0)
    assert run([0.0, np.inf], **single).verdict is Verdict.FAIL


def test_a_signal_that_never_came_is_not_seen():
    spec = message("Fast", 0x100, 8, {"Speed": (0, 16, SCALED)}, cycle_s=0.1)
    found = judge("value-range", [Row(0, "can0", 0x7)], [spec], bench_of([spec], ROLE))
    assert found["can0:Fast.Speed"].reason == "not-seen"


@pytest.mark.parametrize("raws", [[0, 1900, -1800], [0, 2001, 2100, 0, -2100]])
def test_cutting_changes_nothing(raws):
    assert run(raws, cuts="each") == run(raws)


@settings(max_examples=60, deadline=None)
@given(
    raws=st.lists(st.integers(-2100, 2100), min_size=1, max_size=30),
    factor=st.sampled_from([0.5, -0.5, 0.1, 1e-17]),
)
def test_the_outermost_codes_decide_as_all_of_them_do(raws, factor):
    """Where only they are looked at, the answer is the one that a look at all rows gives."""
    spec = message("Fast", 0x100, 8, {"Speed": (0, 16, SCALED | {"factor": factor})}).signals[0]
    raw = np.array(raws, np.int64)
    status = np.zeros(len(raw), np.uint8)
    samples = Samples(np.arange(len(raw)), raw * factor, raw, status)
    rows = _outermost(spec, -1000.0, 1000.0, samples)
    inside = np.minimum(raw * factor + 1000.0, 1000.0 - raw * factor)
    if rows is not None:
        assert rows[inside[rows].argmin()] == inside.argmin()
