"""The rows that are told decide exactly as all rows would, in the judge's own words."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from canscope.judge.standing import Standing
from canscope.model.outcome import margins
from canscope.rules._worst import telling

COARSE = st.integers(-4, 4).map(float)  # so that equal margins occur


def standing(margin, u, rows):
    result = Standing("x")
    result.add(margins("x", rows, margin[rows], measured=rows, limit=0, uncertainty=u[rows]), 0)
    worst = [getattr(result, name) for name in ("failed", "close", "passed")]
    when = result.first_failed_ns, result.first_alarm_ns
    return [w and (w.time_ns, w.margin) for w in worst], when, result.conclude()[0]


@given(st.lists(st.tuples(COARSE | st.just(np.nan), st.integers(0, 2)), min_size=1, max_size=30))
def test_the_rows_told_decide_like_all_rows(pairs):
    margin, u = (np.array(column, float) for column in zip(*pairs, strict=True))
    rows = telling(margin, u)
    assert len(rows) <= 5
    assert standing(margin, u, rows) == standing(margin, u, np.arange(len(margin)))
