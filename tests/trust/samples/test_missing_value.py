"""Why a role has no value: nothing fresh, the node's own word, or out of the declared range."""

import numpy as np
import pytest

from canscope.model.definition import Absent, SignalSpec
from canscope.model.signals import NOT_AVAILABLE, OK, OUT_OF_RANGE
from canscope.trust.samples.missing_value import absence_at, told_absent
from tests.trust.past import MS, piece_of, samples

ROLE = "pack.voltage"


def reason(status, at_ms, value=np.nan):
    """A good value at 0 ms, then one of this status at 100 ms; the cycle is 100 ms."""
    both = samples([0, 100], [358.0, value], status=[OK, status])
    return absence_at(piece_of({ROLE: both}, {ROLE: 100}, 2000), ROLE, at_ms * MS)


@pytest.mark.parametrize(
    ("status", "expected"),
    [
        (NOT_AVAILABLE, "not-available"),
        (OUT_OF_RANGE, "out-of-range"),
        (OK, "not-available"),  # a code of a state that means nothing
    ],
)
def test_the_last_sample_tells_why(status, expected):
    assert reason(status, 100) == expected
    assert reason(status, 400) == expected


def test_an_old_word_of_the_node_is_stale():
    assert reason(NOT_AVAILABLE, 401) == "stale"


def test_a_sample_that_comes_later_does_not_explain_anything():
    assert reason(OUT_OF_RANGE, 99) == "stale"  # the value of 0 ms was there


def test_what_was_never_heard_is_stale():
    assert absence_at(piece_of({}, {ROLE: 100}, 1000), ROLE, 500 * MS) == "stale"


@pytest.mark.parametrize(
    ("raw", "last", "labels", "code"),
    [
        (128, 127, {}, "declared-code"),  # beside what was read just before
        (128, 20, {}, "declared-code"),  # 88 degC: within the declared range
        (255, 20, {}, ""),  # beyond it, as a code for "no value" is
        (128, 20, {128: "Not available"}, ""),  # its definition says so in words
    ],
)
def test_a_code_amid_the_values_may_be_a_value_that_the_plan_takes_away(raw, last, labels, code):
    spec = SignalSpec(
        "can1",
        "UnitSlow",
        "WindingTemp",
        0,
        8,
        offset=-40.0,
        minimum=-40.0,
        maximum=210.0,
        unit="degC",
        labels=labels,
        absent=Absent("codes", (128, 255)),
    )
    text, told = told_absent("not-available", raw, last, spec)
    assert told == code
    assert ("which else is 88 degC" in text) == bool(code)
