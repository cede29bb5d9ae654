"""What "held for" and "within" mean, against signal temporal logic as rtamt evaluates it.

Oracle: rtamt (PyPI), dense time: a signal keeps its last sample until the next one, and
``historically[0:w](x >= c)`` at t is the smallest x - c over [t - w, t]. Before the first sample
nothing is known here, whereas rtamt takes the missing past as fulfilled, so that instants with less
than w behind them are left out of the comparison.
"""

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canscope.events.turning import HELD_NS, START_RPM, STOP_RPM, Turning
from canscope.model.signals import Samples
from canscope.rules.shared.persistence import follow, recent, rolling, throughout
from tests.rules.harness import judge
from tests.rules.shared.test_persistence import MS, NO_LABEL, ROLE, pieces

with warnings.catch_warnings():
    warnings.simplefilter("ignore", DeprecationWarning)  # of the parser that rtamt is built on
    # It needs a parser library that Python 3.12 and later no longer load.
    rtamt = pytest.importorskip("rtamt", exc_type=ImportError)

GAP_MS = 300  # three cycles of test_hold's role: a longer silence ends a stretch
SIGNAL = st.lists(
    st.tuples(st.integers(1, GAP_MS), st.integers(-20, 20)), min_size=2, max_size=40
).map(lambda rows: (np.cumsum([way for way, _ in rows]), np.array([float(v) for _, v in rows])))


def robustness(formula, times_ms, **signals):
    """rtamt's robustness of a formula, in ms and signal values, at each of these instants."""
    spec = rtamt.StlDenseTimeSpecification()
    for name in (*signals, "out"):
        spec.declare_var(name, "float")
    spec.spec = f"out = {formula}"
    spec.parse()
    columns = []
    for name, values in signals.items():
        # One more point, so that the last sample is held for a while as well.
        points = [[float(t), float(v)] for t, v in zip(times_ms, values, strict=True)]
        columns.append([name, [*points, [points[-1][0] + 1.0, points[-1][1]]]])
    found = spec.evaluate(*columns)
    at = np.array([t for t, _ in found])
    rows = np.searchsorted(at, np.asarray(times_ms, float) + 1e-9, "right") - 1
    return np.array([value for _, value in found])[rows]


def samples(times_ms, values):
    time = np.asarray(times_ms, np.int64) * MS
    zeros = np.zeros(len(time), np.int64)
    return Samples(time, np.asarray(values, float), zeros, zeros.astype(np.uint8))


@settings(max_examples=80, deadline=None)
@given(signal=SIGNAL, width_ms=st.integers(1, 700))
def test_a_value_kept_up_is_the_robustness_of_historically(signal, width_ms):
    times_ms, values = signal
    (piece,) = pieces(samples(times_ms, values))
    known = recent(piece, ROLE, width_ms * MS)
    rows = np.flatnonzero(times_ms - width_ms >= times_ms[0])
    first = throughout(known.time_ns, rows, width_ms * MS)
    kept = rolling(np.min, known.value, first, rows)
    expected = robustness(f"historically[0:{width_ms}](x >= 0)", times_ms, x=values)[rows]
    assert kept.tolist() == expected.tolist()


@settings(max_examples=80, deadline=None)
@given(signal=SIGNAL, width_ms=st.integers(1, 700), cut=st.integers(0, 5000))
def test_a_label_is_held_where_historically_says_so_however_the_run_is_cut(signal, width_ms, cut):
    times_ms, values = signal
    label = (values >= 0).astype(float)
    carried, held = NO_LABEL, []
    for piece in pieces(samples(times_ms, label), [cut]):
        found = follow(piece, ROLE, carried)
        carried, new = found.last, found.new
        held += new.held(new.sampled_ns, 1.0, width_ms * MS).tolist()
    rows = np.flatnonzero(times_ms - width_ms >= times_ms[0])
    expected = robustness(f"historically[0:{width_ms}](x >= 0.5)", times_ms, x=label)[rows] > 0
    assert np.array(held)[rows].tolist() == expected.tolist()
    assert not any(np.array(held)[np.flatnonzero(times_ms - width_ms < times_ms[0])])


SPEEDS = st.lists(st.sampled_from([0.0, 29.0, 31.0, 49.0, 51.0, 300.0]), min_size=30, max_size=60)


@settings(max_examples=50, deadline=None)
@given(speeds=SPEEDS, every_ms=st.sampled_from([20, 50, 70]))
def test_a_unit_turns_from_fifty_rpm_for_a_fifth_of_a_second_until_below_thirty(speeds, every_ms):
    times_ms = every_ms * np.arange(1, len(speeds) + 1)
    rpm = np.array(speeds)
    _, switches = Turning("front").feed(samples(times_ms, rpm), int(times_ms[-1]) * MS + 1)
    width = HELD_NS // MS
    held = robustness(f"historically[0:{width}](x >= {START_RPM})", times_ms, x=rpm) >= 0
    held &= times_ms - width >= times_ms[0]
    on, expected = False, []
    for row in range(len(rpm)):
        now = bool(held[row]) or (on and rpm[row] >= STOP_RPM)
        if now != on:
            expected.append((int(times_ms[row]) * MS, now))
        on = now
    assert switches == expected


@settings(max_examples=25, deadline=None)
@given(apart=st.lists(st.sampled_from([0.0, 9.0, 11.0, 14.0]), min_size=40, max_size=60))
def test_two_tracks_fail_where_they_stay_apart_for_a_tenth_of_a_second(apart):
    """Formula SAE T.4.2.5 (from memory): more than 10 % apart for more than 100 ms."""
    times_ms = 20 * np.arange(1, len(apart) + 1)
    travel = np.linspace(0, 60, len(apart))
    first = (times_ms / 1e3, travel)
    second = (times_ms / 1e3, travel + np.array(apart))
    roles = {"driver.pedal": first, "driver.pedal_2": second}
    finding = judge("pedal-tracks", roles, cycles_s=dict.fromkeys(roles, 0.02))["pedal"]
    kept = robustness("historically[0:100](x >= 10)", times_ms, x=np.array(apart))
    kept = kept[times_ms - 100 >= times_ms[0]]
    assert (finding.verdict == "fail") == bool((kept > 0).any())
    assert finding.margin == pytest.approx(-kept.max())


@settings(max_examples=25, deadline=None)
@given(
    states=st.lists(st.booleans(), min_size=14, max_size=14),
    torque=st.lists(st.sampled_from([0.0, 1.5, 8.0]), min_size=14, max_size=14),
)
def test_the_emergency_stop_must_have_brought_all_to_rest_by_its_deadline(states, torque):
    """Within 1 s and as long as it is pressed: from the deadline on each role is at rest.

    Samples every 100 ms, a little off the press, so that none lies just at the deadline.
    """
    late_ms = 2000 + 37 + 100 * np.arange(len(states))
    times_ms = np.concatenate((100 * np.arange(20) + 37, late_ms))
    closed = np.concatenate((np.ones(20), np.array(states, float)))
    given_Nm = np.concatenate((np.full(20, 8.0), np.array(torque)))
    press_ms = np.arange(0, 3400, 10)
    roles = {
        "driver.emergency_stop": (press_ms / 1e3, (press_ms >= 2000).astype(float)),
        "contactors.negative": (times_ms / 1e3, closed),
        "contactors.positive": (times_ms / 1e3, closed),
        "units.front.torque": (times_ms / 1e3, given_Nm),
    }
    cycles = dict.fromkeys(roles, 0.1) | {"driver.emergency_stop": 0.01}
    finding = judge("emergency-stop", roles, stage="power-up", cycles_s=cycles)["emergency stop"]
    grid_ms = np.arange(100, 3400, 10)
    held = np.searchsorted(times_ms, grid_ms, "right") - 1
    rest = robustness(
        "once[1000:1400](p >= 0.5) -> (c <= 0.5 and t <= 2)",
        grid_ms,
        p=(grid_ms == 2000).astype(float),
        c=closed[held],
        t=given_Nm[held],
    )
    if finding.reason == "too-close-to-call":
        # Something came to rest, or left it, within the samples around the deadline.
        around = slice(np.flatnonzero(times_ms <= 3000)[-1] - 1, None)
        assert ((closed[around] == 1) | (given_Nm[around] > 2)).any()
    else:
        assert finding.verdict == ("pass" if rest.min() >= 0 else "fail")
