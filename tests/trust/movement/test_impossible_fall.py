"""Falls worked by hand: 15 K within 0.3 s is too far for iron and copper, and a link keeps 120 V.

RC: from 360 V to V in 10 ms is a time constant of 10 ms / ln(360 / V); less than 20 ms is faster
than any bleed. All thresholds: common practice, no source.
"""

import math

import pytest

from canscope.model.bench import Bench
from canscope.trust.movement.impossible_fall import link_fall, temperature_fall, temperature_jump
from tests.trust.past import MS, piece_of, samples

AWAKE = {"@awake": samples([0], 1.0), "@engaged": samples([0], 1.0)}
LINK = "units.front.link_voltage"


def fall(degC, times_ms, awake=1.0, engaged=1.0, dry_K=math.inf, *, first=40.0, dry=True):
    """The first fall after a reading of 40 degC, or ``first``, at 0 ms."""
    piece = piece_of(
        {"@awake": samples([0], awake), "@engaged": samples([0], engaged)},
        {},
        9000,
        bench=Bench("dry-spin"),
    )
    return temperature_fall(piece, 0, first, samples(times_ms, degC), dry_K, dry=dry)


def test_a_temperature_that_falls_by_15_k_at_once_is_impossible():
    assert fall([25.0], [300]) == (300 * MS, 15.0)
    assert fall([40.0, 39.0, 23.5], [100, 200, 300]) == (300 * MS, 15.5)


def test_a_smaller_fall_and_one_over_a_longer_time_are_real():
    assert fall([25.5], [300]) is None
    assert fall([20.0], [301]) is None


def test_a_cool_part_loses_no_4_K_at_once_with_coolant_either():
    """From 4 to 0 degC as the unit begins to turn: 13 K/s, and the coolant is about as cool."""
    assert fall([4.0, 0.0], [100, 300], dry_K=0.4, first=4.0, dry=False) == (300 * MS, 4.0)
    assert fall([0.5], [300], dry_K=0.4, first=4.0, dry=False) is None
    assert fall([0.0], [400], dry_K=0.4, first=4.0, dry=False) is None
    assert fall([31.0], [300], dry_K=0.4, first=35.0, dry=False) is None


def test_a_node_that_is_being_switched_off_may_send_anything():
    assert fall([0.0], [100], awake=0.0) is None


def jump(*degC, every_ms=50, known=0):
    """The widest jump among these, of which the first ``known`` came in an earlier piece."""
    times_ms = [every_ms * n for n in range(len(degC))]
    tail = [(at_ms * MS, value) for at_ms, value in zip(times_ms, degC[:known], strict=False)]
    piece = piece_of(AWAKE, {}, 9000, bench=Bench("dry-spin"))
    return temperature_jump(piece, tail, samples(times_ms[known:], degC[known:]))


def test_a_level_that_is_2_k_higher_at_once_is_not_a_parts():
    """From 24.1 at most to 26.1 degC at least within 50 ms; 8 K/s over 300 ms are 2.4 K."""
    readings = (24.0, 24.1, 24.0, 26.2, 26.1, 26.2)
    assert jump(*readings) == (150 * MS, pytest.approx(2.0))
    assert jump(*readings, known=5) == (150 * MS, pytest.approx(2.0))
    assert jump(*readings[::-1]) == (150 * MS, pytest.approx(2.0))
    assert jump(*readings, every_ms=300) is None


def test_a_spike_and_a_fast_rise_are_no_jump():
    assert jump(24.0, 24.1, 24.0, 29.0, 24.1, 24.0, 24.1) is None
    assert jump(24.0, 24.5, 25.0, 25.5, 26.0, 26.5, 27.0) is None


def link(*volt, every_ms=10):
    of = samples([every_ms * n for n in range(len(volt))], volt)
    piece = piece_of({LINK: of}, {LINK: every_ms}, 9000)
    return link_fall(piece, LINK, 0, 9000 * MS)


def test_a_link_that_reads_nothing_at_once_has_lost_its_sensor():
    doubt = link(360, 360, 360, 0, 0)
    assert (doubt.reason, doubt.at_ns) == ("sensor-suspect", 30 * MS)
    assert "read 360 V and 10 ms later 0 V" in doubt.text


def test_it_may_have_gone_before_its_contactor_reads_open():
    of = samples([0, 10, 20, 30, 40], [360, 360, 0, 0, 0])
    piece = piece_of({LINK: of}, {LINK: 10}, 9000)
    assert link_fall(piece, LINK, 30 * MS, 9000 * MS).at_ns == 20 * MS


@pytest.mark.parametrize(("volt", "falls"), [(180.5, False), (179.5, True)])
def test_half_of_it_in_ten_milliseconds_is_too_fast(volt, falls):
    """ln 2 is 0.693: 10 ms / 0.693 is 14.4 ms, less than 20 ms."""
    assert (link(360, 360, 360, volt) is not None) == falls


def test_a_fall_between_readings_far_apart_may_have_taken_its_time():
    assert link(360, 360, 0, every_ms=51) is None


def test_a_low_voltage_may_go_at_once():
    assert link(119, 119, 0) is None


def test_a_link_that_lost_as_much_energy_just_before_is_emptied_by_its_load():
    """V^2: from 360 to 250 V it loses 67100, from 250 to 100 V another 52500."""
    assert link(360, 250, 100) is None
