"""Runs of rows, against ``itertools.groupby``."""

from itertools import groupby

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from canscope.model.runs import runs_of


@given(st.lists(st.booleans(), max_size=12))
def test_each_run_has_its_first_row_and_its_end(holds):
    expected = [
        (rows[0][0], rows[-1][0] + 1)
        for is_held, some in groupby(enumerate(holds), key=lambda row: row[1])
        if is_held and (rows := list(some))
    ]
    assert runs_of(np.array(holds, bool)) == expected
