"""bus-load, worked by hand from published lengths.

135 bits is the longest 8-byte frame with an 11-bit identifier; at 500 kbit/s it takes 270 us, and
twenty such identifiers every 10 ms load the bus by 54 % (Real-Time Systems 35 (2007) 239-272).
Frame 123 1122334455667788 takes exactly 112 bits (python-can sdist, test/data, recomputed).
"""

import pytest

from canscope.model.bench import Bench, Kind
from canscope.model.findings import Verdict
from canscope.model.tables import Flag
from tests.rules.frames import ERROR, Row, bench_of, judge, message

RATE = 500_000
SIGNAL = message("Any", 0x123, 8, {"Speed": (0, 16)}, cycle_s=0.01)
DATA = bytes.fromhex("1122334455667788")


def run(rows, rate=RATE, cuts=None, **rules):
    roles = {"units.front.speed": ("can0:Any.Speed", Kind.NUMBER)}
    bench = bench_of([SIGNAL], roles, bitrates={"can0": rate})
    return judge("bus-load", rows, [SIGNAL], bench, cuts=cuts, rules=rules)["can0"]


def every(step_s, until_s=1.0, count=1, data=DATA, flags=0):
    """``count`` frames, 300 us apart, every ``step_s``."""
    return [
        Row(k * step_s + n * 300e-6, "can0", 0x123, data, flags)
        for k in range(round(until_s / step_s))
        for n in range(count)
    ]


def test_the_peak_counts_the_frames_of_a_tenth_of_a_second_exactly():
    finding = run(every(0.01, count=20), limit_percent=60)
    # 200 frames of 112 bits in 100 ms at 500 kbit/s: 22400 of 50000 bits.
    assert (finding.verdict, finding.measured) == (Verdict.PASS, pytest.approx(44.8))
    assert finding.margin == pytest.approx(15.2)
    assert finding.uncertainty == pytest.approx(100 * 112 / 50_000)  # one frame


def test_a_burst_beyond_the_limit_fails_when_the_limit_is_passed():
    burst = [Row(0.5 + n * 250e-6, "can0", 0x123, DATA) for n in range(300)]
    finding = run(sorted([*every(0.1), *burst], key=lambda row: row.at_s), limit_percent=60)
    # 300 frames and the two around them within 100 ms: 302 x 112 of 50000 bits.
    assert finding.verdict is Verdict.FAIL
    assert finding.measured == pytest.approx(100 * 301 * 112 / 50_000, abs=0.3)
    # 60 % and the uncertainty of one frame: 30000 + 112 bits are passed by the 269th frame.
    assert finding.first_failed_s == pytest.approx(0.5 + 268 * 250e-6, abs=500e-6)


def test_at_the_limit_it_is_too_close_to_call():
    finding = run(every(0.01, count=20), limit_percent=44.8)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "too-close-to-call")


def test_without_a_limit_the_peak_is_told_and_not_judged():
    finding = run(every(0.01, count=20))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "no-limit")
    assert finding.measured == pytest.approx(44.8)
    assert "44.8 %" in finding.sentence


def test_a_bus_of_which_nothing_was_recorded_is_not_seen():
    finding = run([Row(t / 100, "can1", 0x123, DATA) for t in range(100)], limit_percent=60)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-seen")


def test_error_frames_and_other_buses_are_not_counted():
    more = [Row(k / 100 + 1e-6, "can0", 0x80, bytes(8), ERROR) for k in range(100)]
    more += [Row(k / 100 + 2e-6, "can1", 0x123, DATA) for k in range(100)]
    both = sorted([*every(0.01), *more], key=lambda row: row.at_s)
    assert run(both, limit_percent=60).measured == run(every(0.01), limit_percent=60).measured


def test_frames_of_a_faster_data_phase_are_known_to_half_of_it():
    fast = every(0.01, data=bytes(range(64)), flags=Flag.FD | Flag.BRS)
    slow = every(0.01, data=bytes(range(64)), flags=Flag.FD)
    brs, plain = run(fast, limit_percent=90), run(slow, limit_percent=90)
    # Ten frames: of each 29 bits are sure to be slow; the rest takes between nothing and all.
    share = 100 / 50_000
    assert brs.measured == pytest.approx((plain.measured + 10 * 29 * share) / 2, abs=0.02)
    assert brs.uncertainty > plain.measured / 2 - 10 * 29 * share


def test_a_frame_that_nobody_acknowledges_is_told():
    # 112 bits and 17 of passive error flag, delimiter and suspension: again every 258 us.
    alone = [Row(n * 258e-6, "can0", 0x123, DATA) for n in range(200)]
    for rules in ({}, {"limit_percent": 95}):
        finding = run(alone, **rules)
        assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "inferred")
        assert "frame 123 was repeated back to back" in finding.sentence
        assert finding.at_s == pytest.approx(100 * 258e-6)  # the 101st frame
    assert run(alone[:100], limit_percent=95).verdict is Verdict.PASS


def test_the_same_frame_every_cycle_is_no_repeat():
    assert run(every(0.001), limit_percent=60).verdict is Verdict.PASS


def test_a_bus_without_bit_rate_has_no_finding():
    bench = Bench(stage="dry-spin", bitrates={})
    assert judge("bus-load", every(0.01), [SIGNAL], bench) == {}


CASES = {
    "even": every(0.01, until_s=0.4, count=5),
    "burst": every(0.1, until_s=0.5) + every(0.0005, until_s=0.1),
    "alone": [Row(n * 258e-6, "can0", 0x123, DATA) for n in range(150)],
}


@pytest.mark.parametrize("limit", [None, 10.0, 60.0])
@pytest.mark.parametrize("name", CASES)
def test_cutting_changes_nothing(name, limit):
    rows = sorted(CASES[name], key=lambda row: row.at_s)
    rules = {} if limit is None else {"limit_percent": limit}
    whole = run(rows, **rules)
    for cuts in ("each", [0.013, 0.0501, 0.2]):
        assert run(rows, cuts=cuts, **rules) == whole
