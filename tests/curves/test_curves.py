"""Curves of a run: held against the lowest and highest of all decoded values, worked out anew."""

import hypothesis.strategies as st
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings

import canscope as cs
from canscope.curves.query import Curves
from canscope.curves.write import write_curves
from canscope.model.errors import CurveError, UnknownNameError

S = 10**9
START = 1_700_000_000
DBC = """VERSION ""
NS_ :
BS_:
BU_: Node
BO_ 256 Fast: 8 Node
 SG_ Number : 0|16@1- (0.5,0) [0|0] "rpm" Node
 SG_ Running : 16|1@1+ (1,0) [0|0] "" Node
 SG_ Gear : 24|8@1+ (1,0) [0|0] "" Node
BO_ 512 Many: 8 Node
 SG_ Page M : 0|8@1+ (1,0) [0|0] "" Node
 SG_ First m0 : 8|16@1+ (1,0) [0|0] "V" Node
 SG_ Second m1 : 8|16@1+ (0.1,0) [0|0] "V" Node
BO_ 768 Long: 64 Node
 SG_ Far : 496|16@1+ (1,0) [0|0] "A" Node
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
VAL_ 256 Gear 0 "neutral" 1 "forward" 2 "reverse" ;
"""


def lines(seconds=400):
    """Three messages; Fast is silent from 100 s to 130 s and has one spike, at 200.005 s."""
    rng = np.random.default_rng(7)
    found = []
    for at in range(0, seconds * 1000, 5):
        if 100_000 < at < 130_000:
            continue
        value = 30_000 if at == 200_005 else int(rng.integers(-50, 50))
        found.append((at, f"100#{swapped(value)}{running(at)}"))
    for at in range(3, seconds * 1000, 50):
        page = at // 50 % 2
        found.append((at, f"200#{page:02X}" + swapped(int(rng.integers(0, 900))) + "0000000000"))
        found.append((at, "300##1" + "00" * 62 + swapped(int(rng.integers(0, 900)))))
    found.sort(key=lambda one: one[0])
    return "".join(f"({START + at / 1000:.6f}) can0 {frame}\n" for at, frame in found)


def swapped(value):
    return (value & 0xFFFF).to_bytes(2, "little").hex().upper()


def running(at):
    return f"{at // 20_000 % 2:02X}{at // 50_000 % 3:02X}00000000"


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("curves")
    (folder / "unit.dbc").write_text(DBC)
    (folder / "run.log").write_text(lines())
    definitions = cs.read_definitions({"can0": folder / "unit.dbc"})
    write_curves([folder / "run.log"], definitions, folder / "curves")
    curves = Curves(folder / "curves", definitions, [folder / "run.log"])
    return folder, definitions, curves, cs.decode(folder / "run.log", definitions)


KEYS = ("Fast.Number", "Many.First", "Many.Second", "Many.Page", "Long.Far")


@settings(max_examples=80, deadline=None)
@given(
    key=st.sampled_from(KEYS),
    from_s=st.floats(-10, 420),
    length_s=st.one_of(st.floats(0.001, 1), st.floats(0.1, 500)),
    width=st.sampled_from((16, 100, 1024)),
)
def test_every_window_has_the_lowest_and_the_highest_of_each_bucket(
    run, key, from_s, length_s, width
):
    _, _, curves, decoded = run
    series = decoded[f"can0:{key}"]
    curve = curves.window([f"can0:{key}"], from_s, from_s + length_s, width)[0]
    origin = curves.origin_ns
    times = np.round(curve.at_s * S).astype(np.int64) + origin
    from_ns = origin + round(from_s * S)
    until_ns = max(origin + round((from_s + length_s) * S), from_ns + 1)
    assert len(times) <= 2 * width + 2
    if not curve.bucket_s:
        inside = (series.time_ns >= from_ns) & (series.time_ns < until_ns)
        shown = (times >= from_ns) & (times < until_ns)
        assert np.count_nonzero(shown) == np.count_nonzero(inside)
        assert np.array_equal(curve.value[shown], series.value[inside])
        return
    bucket = round(curve.bucket_s * S)
    first, last = from_ns // bucket, (until_ns - 1) // bucket
    assert last - first < width
    assert bucket == 1 or (until_ns - 1) // (bucket // 2) - from_ns // (bucket // 2) >= width
    assert extremes(times, curve.value, bucket, first, last) == extremes(
        series.time_ns, series.value, bucket, first, last
    )


def extremes(times, values, bucket, first, last):
    """Number, lowest and highest of each bucket that holds a value."""
    at = times // bucket
    rows = (at >= first) & (at <= last)
    found = pd.DataFrame({"at": at[rows], "value": values[rows]}).groupby("at").value
    return list(zip(found.min().index, found.min(), found.max(), strict=True))


@pytest.mark.parametrize("length_s", [0.02, 1, 30, 390, 100_000])
def test_one_odd_sample_is_seen_at_every_zoom(run, length_s):
    curve = run[2].window(["can0:Fast.Number"], 200 - length_s / 3, 200 + length_s)[0]
    assert curve.value.max() == 15_000  # 30,000 x 0.5
    assert curve.at_s[curve.value.argmax()] == pytest.approx(200.005)


def test_a_state_is_its_changes_and_its_last_sample(run):
    curve = run[2].window(["can0:Fast.Gear"], 0, 400)[0]
    # 50 s each of 0, 1, 2, 0 ...; the changes at 100 s come with the last sample before a silence.
    assert curve.at_s.tolist() == [0, 50, 100, 150, 200, 250, 300, 350, 399.995]
    assert curve.value.tolist() == [0, 1, 2, 0, 1, 2, 0, 1, 1]
    assert curve.states
    assert dict(curve.labels)[1] == "forward"
    assert not curve.bucket_s


def test_a_state_of_before_the_window_is_known_in_it(run):
    curve = run[2].window(["can0:Fast.Running"], 30, 31)[0]
    assert (curve.at_s[0], curve.value[0]) == (20, 1)


@pytest.mark.parametrize(("from_s", "until_s"), [(0, 400), (90, 110), (110, 120)])
def test_a_silence_is_a_gap_in_every_window_that_it_reaches_into(run, from_s, until_s):
    curve = run[2].window(["can0:Fast.Number"], from_s, until_s)[0]
    assert curve.gaps.tolist() == [[100, 130]]


def test_where_nothing_is_silent_there_is_no_gap(run):
    assert not len(run[2].window(["can0:Many.First"], 0, 400)[0].gaps)


def test_every_signal_that_came_is_listed_with_its_range(run):
    facts = {one.key: one for one in run[2].signals}
    assert facts["can0:Many.Page"].count == 8000
    number = facts["can0:Fast.Number"]
    assert (number.unit, number.highest, number.states) == ("rpm", 15_000, False)
    assert number.count == 80_000 - 5999


def test_a_clock_that_was_set_back_makes_two_stretches(run, tmp_path):
    folder, definitions, _, _ = run
    text = (folder / "run.log").read_text().splitlines(keepends=True)[:2000]
    (tmp_path / "run.log").write_text("".join([*text[1000:], *text[:1000]]))
    write_curves([tmp_path / "run.log"], definitions, tmp_path / "curves")
    curves = Curves(tmp_path / "curves", definitions)
    assert len(curves.stretches_s) == 2
    assert curves.stretches_s[1][0] < 0
    curve = curves.window(["can0:Fast.Number"], -100, 100)[0]
    assert np.count_nonzero(np.diff(curve.at_s) < 0) == 1


def test_curves_of_another_capture_are_not_shown(run, tmp_path):
    folder, definitions, _, _ = run
    (tmp_path / "run.log").write_text(lines(2))
    write_curves([tmp_path / "run.log"], definitions, tmp_path / "curves")
    with (tmp_path / "run.log").open("a") as file:
        file.write(f"({START + 9}.000000) can0 100#00\n")
    with pytest.raises(CurveError, match="rest on another capture"):
        Curves(tmp_path / "curves", definitions, [tmp_path / "run.log"])
    with pytest.raises(CurveError, match="are not there"):
        Curves(folder / "nowhere", definitions)
    with (tmp_path / "curves" / "curves.bin").open("ab") as file:
        file.write(b"x")
    with pytest.raises(CurveError, match="are damaged"):
        Curves(tmp_path / "curves", definitions)
    (tmp_path / "curves" / "curves.json").write_text("{")
    with pytest.raises(CurveError, match="are damaged"):
        Curves(tmp_path / "curves", definitions)


def test_a_folder_of_something_else_is_never_replaced(run, tmp_path):
    folder, definitions, _, _ = run
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(CurveError, match="something else than curves"):
        write_curves([folder / "run.log"], definitions, tmp_path)
    assert (tmp_path / "notes.txt").read_text() == "mine"


def test_an_unknown_signal_is_answered_with_the_nearest(run):
    with pytest.raises(UnknownNameError, match=r"did you mean 'can0:Fast\.Number'"):
        run[2].window(["can0:Fast.Numbr"], 0, 1)


def test_what_never_came_and_what_never_had_a_value_have_no_points(run, tmp_path):
    folder, _, _, _ = run
    definitions = cs.read_definitions({"can0": folder / "unit.dbc"}, {"can0": "maximum"})
    (tmp_path / "none.log").write_text(f"({START}.000000) can0 7FF#00\n")
    frames = "".join(f"({START + i}.000000) can0 200#00FFFF0000000000\n" for i in range(50))
    (tmp_path / "absent.log").write_text(frames)
    write_curves([tmp_path / "none.log"], definitions, tmp_path / "none")
    assert Curves(tmp_path / "none", definitions).signals == []
    write_curves([tmp_path / "absent.log"], definitions, tmp_path / "absent")
    curves = Curves(tmp_path / "absent", definitions)
    fact = next(one for one in curves.signals if one.key == "can0:Many.First")
    assert (fact.count, fact.lowest) == (0, None)
    for until_s in (1, 1e6):
        assert not len(curves.window([fact.key], 0, until_s, 16)[0].at_s)
