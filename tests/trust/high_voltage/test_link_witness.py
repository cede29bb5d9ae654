"""Steps and onsets of a link that charges with tau 40 ms to 400 V, sampled every 10 ms.

By hand: 60 ms after the onset it is at 400 * (1 - e^-1.5) = 310.7 V, and 10 ms later the curve
could have reached 330.5 V at most.
"""

import numpy as np
import pytest

from canscope.trust.high_voltage.link_witness import current_onset, link_onset, link_step
from tests.rules.vehicle import charging
from tests.trust.past import MS, bench_of, binding, piece_of, samples

LINK, CURRENT = "units.front.link_voltage", "pack.current"
BENCH = bench_of(binding(LINK, half_step=0.05), binding(CURRENT, half_step=0.05))
TIMES = np.arange(0, 1000, 10)


def past(link=None, current=None):
    roles = {}
    if link is not None:
        roles[LINK] = samples(TIMES, link)
    if current is not None:
        roles[CURRENT] = samples(TIMES, current)
    return piece_of(roles, dict.fromkeys(roles, 10), 1000, bench=BENCH)


def curve(closes_ms=None):
    volts = charging(TIMES / 1000, 0.5, 400.0, 0.04)
    return volts if closes_ms is None else np.where(closes_ms <= TIMES, 400.0, volts)


def test_the_onset_lies_between_the_last_flat_reading_and_the_first_risen_one():
    rise = link_onset(past(curve()), LINK, 0, 1000 * MS, 400.0)
    assert (rise.after_ns, rise.time_ns) == (500 * MS, 510 * MS)


def test_the_end_of_a_rise_before_it_hides_no_onset():
    """What begins while another attempt still charges the link, from 228 to 252 V, and fades."""
    before = np.interp(TIMES, [0, 50, 500], [228.0, 252.0, 5.0])
    rise = link_onset(past(np.where(TIMES < 500, before, curve())), LINK, 0, 1000 * MS, 400.0)
    assert (rise.after_ns, rise.time_ns) == (500 * MS, 510 * MS)
    assert link_onset(past(before), LINK, 0, 1000 * MS, 400.0) is None


def test_a_flat_link_has_no_onset():
    assert link_onset(past(np.full(100, 3.0)), LINK, 0, 1000 * MS, 400.0) is None


def test_a_link_that_jumps_to_the_pack_has_a_step():
    step = link_step(past(curve(565)), LINK, 0, 1000 * MS, 400.0)
    assert (step.after_ns, step.time_ns) == (560 * MS, 570 * MS)
    assert step.value == pytest.approx(310.7, abs=0.1)
    assert step.value + step.drift > 400 * (1 - np.exp(-1.75))  # where the curve is at 570 ms


@pytest.mark.parametrize("noise_V", [0.0, 2.0])
def test_a_charging_curve_has_none(noise_V):
    for number in range(50):
        noise = np.random.default_rng(number).normal(0, noise_V, 100)
        assert link_step(past(curve() + noise), LINK, 0, 1000 * MS, 400.0) is None


@pytest.mark.parametrize("every", [2, 3, 5])
def test_a_link_that_is_measured_more_seldom_than_it_is_sent_rises_in_steps(every):
    """Measured every 20 to 50 ms, sent every 10 ms: with tau 100 ms it rises by 30 to 150 V."""
    slow = charging(TIMES / 1000, 0.493, 400.0, 0.1)
    held = slow[np.arange(100) // every * every]
    assert link_step(past(held), LINK, 0, 1000 * MS, 400.0) is None
    shut = np.where(TIMES >= 700, 400.0, slow)[np.arange(100) // every * every]
    step = link_step(past(shut), LINK, 0, 1000 * MS, 400.0)
    assert 650 * MS <= step.after_ns < step.time_ns <= 750 * MS
    assert step.value < 0.9 * 400


@pytest.mark.parametrize("stands_ms", [30, 100])
def test_a_link_that_stands_still_once_and_then_jumps_has_a_step(stands_ms):
    """It charges to 252.8 V, where pre-charge opens; then positive closes onto it."""
    volts = np.where(TIMES < 540, curve(), 252.8)
    volts = np.where(540 + stands_ms > TIMES, volts, 400.0)
    step = link_step(past(volts), LINK, 0, 1000 * MS, 400.0)
    assert (step.after_ns, step.time_ns) == ((530 + stands_ms) * MS, (540 + stands_ms) * MS)


def test_nothing_after_the_end_is_seen():
    assert link_step(past(curve(565)), LINK, 0, 570 * MS, 400.0) is None


def test_current_with_an_offset_begins_where_it_changes():
    amps = 3.0 + np.where(TIMES >= 505, 4 * np.exp(-(TIMES - 505) / 40), 0.0)
    begin = current_onset(past(current=amps), 400 * MS, 1000 * MS)
    assert (begin.after_ns, begin.time_ns) == (500 * MS, 510 * MS)
    assert current_onset(past(current=np.full(100, 3.0)), 400 * MS, 1000 * MS) is None


def late(latest_ms, number):
    """The same instants, each stamped late at random, in the order in which they were sent."""
    late_ms = np.random.default_rng(number).integers(0, latest_ms * 1000, len(TIMES)) / 1000
    return np.maximum.accumulate(TIMES + late_ms)


def step_of(stamps, volts):
    seen = piece_of({LINK: samples(stamps, volts)}, {LINK: 10}, 1100, bench=BENCH)
    return link_step(seen, LINK, 0, 1100 * MS, 400.0)


@pytest.mark.parametrize("latest_ms", [5, 10, 20])
def test_a_charging_curve_whose_stamps_are_late_has_none(latest_ms):
    """Two readings 10 ms apart may be stamped together: 70 V in no time, of a clean curve."""
    assert not any(step_of(late(latest_ms, number), curve()) for number in range(50))


def test_late_stamps_hide_no_jump_to_the_pack():
    jumps = [step_of(late(5, number), curve(565)) for number in range(50)]
    assert [jump.value for jump in jumps if jump] == pytest.approx([310.7] * 50, abs=0.1)


@pytest.mark.parametrize("latest_ms", [12, 15])
def test_readings_that_late_stamps_exchanged_make_no_step(latest_ms):
    for number in range(50):
        late_ms = np.random.default_rng(number).integers(0, latest_ms * 1000, len(TIMES)) / 1000
        order = np.argsort(TIMES + late_ms)
        assert step_of((TIMES + late_ms)[order], curve()[order]) is None
