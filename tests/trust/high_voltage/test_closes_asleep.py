"""A pole that reads closed again after key-off, by hand: nodes are switched off at 10 s."""

import numpy as np
import pytest

from canscope.model.bench import Kind
from canscope.trust.high_voltage.closes_asleep import ClosesAsleep
from tests.trust.past import bench_of, binding, history_of, samples

POLE = "contactors.negative"
AT_MS = np.arange(0, 12_000, 20)


def told(closed, cuts=()):
    bench = bench_of(binding(POLE, 1, kind=Kind.STATE))
    state = samples(AT_MS, closed.astype(float))
    history = history_of({POLE: state, "@awake": samples([0, 10_000], [1.0, 0.0])}, {POLE: 20})
    follows = ClosesAsleep(bench)
    parts = np.split(np.arange(len(AT_MS)), cuts)
    return [r.text for part in parts for r in follows.feed({POLE: state[part]}, history)][:1]


@pytest.mark.parametrize("cuts", [(), (550, 552, 556)])
@pytest.mark.parametrize(
    ("closes_ms", "opens_ms", "wrong"),
    [
        (11_000, 11_500, True),
        (11_000, 12_000, True),  # to the end of the recording
        (11_900, 12_000, False),  # its last frames
        (4000, 11_000, False),  # it opens a second after key-off
        (4000, 9000, False),
    ],
)
def test_a_pole_that_closes_after_key_off_is_not_believed(closes_ms, opens_ms, wrong, cuts):
    found = told((closes_ms <= AT_MS) & (opens_ms > AT_MS), cuts)
    assert [("after key-off" in text) for text in found] == [True] * wrong
