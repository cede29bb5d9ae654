"""The rows that margins keep decide exactly as all rows would, one after the other."""

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from canscope.judge.standing import Standing
from canscope.model.outcome import deciding_rows, margins

COARSE = st.integers(-4, 4).map(float) | st.just(np.nan)  # so that equal margins occur
ROWS = st.lists(st.tuples(COARSE, st.integers(0, 2), st.integers(0, 9)), min_size=1, max_size=30)

UNHURRIED = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])


def standing(*outcomes):
    result = Standing("x")
    for outcome in outcomes:
        result.add(outcome, 0)
    worst = [getattr(result, name) for name in ("failed", "close", "passed")]
    when = result.first_failed_ns, result.first_alarm_ns
    told = [w and (w.time_ns, w.margin, w.uncertainty, w.start_ns, w.facts) for w in worst]
    return told, when, result.conclude()[0]


def rows(margin, u, time_ns):
    made = {"measured": 1.0, "limit": 0.0, "uncertainty": u, "start_ns": time_ns - 1}
    return margins("x", time_ns, margin, **made, twice=2 * time_ns, word="same")


@UNHURRIED
@given(ROWS)
def test_rows_of_any_order_decide_like_each_of_them_in_turn(table):
    margin, u, time_ns = (np.array(c) for c in zip(*table, strict=True))
    whole = rows(margin, u.astype(float), time_ns)
    assert len(whole.time_ns) <= 5
    order = np.argsort(time_ns, kind="stable")
    each = (rows(margin[i : i + 1], float(u[i]), time_ns[i : i + 1]) for i in order)
    assert standing(whole) == standing(*each)


@UNHURRIED
@given(ROWS)
def test_what_a_rule_keeps_of_rows_in_time_order_decides_like_all_of_them(table):
    margin, u, time_ns = (np.array(c) for c in zip(*sorted(table, key=lambda r: r[2]), strict=True))
    some = deciding_rows(margin, u)
    all_of_them = rows(margin, u.astype(float), time_ns)
    assert standing(rows(margin[some], u[some], time_ns[some])) == standing(all_of_them)
