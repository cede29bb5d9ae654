"""A cycle is stated, or the median of the first 32 intervals, and then frozen (design: section 2).

The first second teaches nothing: a node may send more often at first. Common practice, no source.

Three cycles: ISO 11783-7, 100 ms heartbeat, error beyond 300 ms. One second until it is learned:
common practice, no source.
"""

import numpy as np

from canscope.model.cycle import Cycle

MS = 10**6


def at(*times_ms):
    return np.array(times_ms, np.int64) * MS


def patience_ms(cycle, *times_ms):
    return (cycle.patience_ns(at(*times_ms)) // MS).tolist()


def test_a_stated_cycle_is_never_learned():
    cycle = Cycle(100 * MS)
    cycle.learn(np.arange(100) * 20 * MS)
    assert (cycle.ns, patience_ms(cycle, 0, 5000)) == (100 * MS, [300, 300])


def test_an_unknown_cycle_is_taken_for_a_second():
    cycle = Cycle()
    cycle.learn(np.arange(82) * 20 * MS)  # 31 intervals since it settled, at 1 s
    assert (cycle.ns, patience_ms(cycle, 0, 700)) == (None, [3000, 3000])


def test_the_33rd_sample_teaches_the_cycle_and_none_after_it():
    cycle = Cycle()
    cycle.learn(np.arange(0, 1000, 4) * MS)  # five times as often at first
    for time_ns in 1000 * MS + np.arange(33) * 20 * MS:  # one at a time, as live
        cycle.learn(np.array([time_ns]))
    cycle.learn(np.arange(2000, 9000, 500) * MS)
    assert cycle.ns == 20 * MS
    # Learned at 1640 ms: before that nobody knew it.
    assert patience_ms(cycle, 1639, 1640, 5000) == [3000, 60, 60]
    assert (cycle.at_ns(at(1639, 1640)) // MS).tolist() == [1000, 20]


def test_one_patience_for_all_instants_is_told_where_there_is_one():
    cycle = Cycle()
    cycle.learn(np.arange(83) * 20 * MS)
    assert cycle.constant_patience_ns(at(1640, 5000)) == 60 * MS
    assert cycle.constant_patience_ns(at(1639, 5000)) is None


def test_a_message_that_never_came_within_a_second_has_no_cycle_of_one():
    cycle = Cycle()
    for time_ms in (0, 3000, 5900, 8900):  # as live
        cycle.learn(at(time_ms))
    assert cycle.ns is None
    assert patience_ms(cycle, 2999, 3000, 5899, 5900, 9999) == [3000, 9000, 9000, 8700, 8700]
    assert cycle.constant_patience_ns(at(6000)) is None
    cycle.learn(at(9500, 12500))  # one came sooner
    assert patience_ms(cycle, 3000, 9499, 9500, 99000) == [9000, 8700, 3000, 3000]
    whole = Cycle()
    whole.learn(at(0, 3000, 5900, 8900, 9500, 12500))
    assert patience_ms(whole, 2999, 3000, 5900, 9500) == patience_ms(cycle, 2999, 3000, 5900, 9500)
