"""A bit of a number that never changes, by hand.

A reading that goes slowly from code 1000 to 1200 and flickers by two codes reads each code between.
With the bit that counts for 8 always clear, 1000 to 1007 stay and 1008 to 1015 become 1000 to 1007.
"""

import numpy as np
import pytest

from canscope.trust.movement.dead_bit import DeadBits, Read, dead_bit, leapt_over
from tests.trust.past import bench_of, binding, samples

SLOW = np.round(np.linspace(1000, 1200, 2000) + np.random.default_rng(1).normal(0, 2, 2000))
SLOW = SLOW.astype(np.int64)


def seen(codes):
    found = np.zeros(1 << 16, bool)
    found[np.asarray(codes) % (1 << 16)] = True
    return dead_bit(found)


@pytest.mark.parametrize("bit", [1, 2, 3, 4])
@pytest.mark.parametrize("offset", [0, 5, -1100])
def test_a_bit_that_is_always_clear_or_always_set_leaves_gaps_of_its_own_size(bit, offset):
    assert seen((SLOW & ~(1 << bit)) - offset) == 1 << bit
    assert seen((SLOW | (1 << bit)) - offset) == 1 << bit


@pytest.mark.parametrize("step", [1, 2, 4, 5, 16, 25, 1.6, 4 / 3])
def test_a_reading_in_coarse_steps_has_no_dead_bit(step):
    assert seen(np.round(np.round(SLOW / step) * step).astype(np.int64)) == 0


def test_a_reading_that_rests_at_two_levels_or_leaps_between_them_has_none():
    levels = np.where(np.arange(2000) // 50 % 2, 1260, 1380)
    assert seen(levels + SLOW % 5) == 0


def test_a_reading_that_passes_over_less_than_three_gaps_may_have_any_bits():
    assert seen(SLOW & ~64) == 0


def test_binary_coded_decimals_have_none():
    assert seen([16 * tens + ones for tens in range(9) for ones in range(10)]) == 0


def test_of_a_whole_run_it_is_told_once_in_the_unit_of_the_role():
    bits = DeadBits(bench_of(binding(half_step=0.05, unit="V")))
    for part in np.array_split(SLOW & ~8, 7):
        own = samples(np.arange(len(part)), part / 10, raw=part)
        bits.feed({"pack.voltage": own})
    (remark,) = bits.finish()
    assert "every second stretch of 8 codes, or 0.8" in remark.text


RESTING = np.round(np.random.default_rng(2).normal(1019, 3, 3000)).astype(np.int64)


def leaps(codes):
    read = Read(int(codes[0]), int(codes[0]), 0)
    for part in np.array_split(codes, 9):
        read.feed(part)
    return leapt_over(read.seen, read.ways)


@pytest.mark.parametrize("shown", [RESTING | 128, RESTING & ~128], ids=["set", "clear"])
@pytest.mark.parametrize("offset", [0, -1100])
def test_a_reading_that_rests_at_the_edge_of_a_dead_bit_leaps_over_it(shown, offset):
    """1023 is the last code below the edge: 1024 reads as 1152, or 1023 as 895."""
    assert leaps(shown + offset) == 128


def test_a_level_away_from_the_edge_shows_nothing():
    assert leaps(RESTING - 40) == leaps((RESTING - 40) | 128) == 0


@pytest.mark.parametrize("apart", range(100, 161, 3))
def test_a_load_that_goes_on_and_off_is_no_dead_bit(apart):
    """Each side flickers by itself, so the two do not touch where one gap is taken out."""
    assert leaps(RESTING + apart * (np.arange(3000) // 70 % 2)) == 0


def test_dips_that_recover_slowly_are_no_leaps_to_and_fro():
    dip = np.append(1019 - (128 * np.exp(-np.arange(60) / 20)).astype(np.int64), [1147] * 60)
    assert leaps(np.tile(dip, 12) + RESTING[:1440] % 3) == 0


def test_a_supply_that_dips_under_three_coils_does_not_leap_to_and_fro():
    """Each coil takes it from 12.5 V to 11.74 V, and the next reading is back at 12.32 V only.

    The converter's voltage rises over a gap of 64 codes that no dip has to do with.
    """
    coils = [1252, 1250, 1251, 1174, 1232, 1248, 1173, 1231, 1242, 1252]
    converter = [1251, 1256, 1321, 1369, 1379]
    rests = [*30 * [1380, 1384, 1381], *30 * [1250, 1254, 1251]]
    codes = np.array(3 * [*coils, *converter, *rests])
    assert leaps(codes) == 0


@pytest.mark.parametrize("seed", range(6))
def test_bursts_in_which_a_reading_flickers_more_are_no_leaps(seed):
    """At rest by a code, in bursts by 6: what differs by 16 there is noise, as what differs by 8.

    The codes of a fast rise leave gaps by chance, one of them of 17.
    """
    rng = np.random.default_rng(seed)
    burst = np.append(np.cumsum([17, 11, 17, 5, 12, 9]), rng.normal(240, 6, 140))
    codes = np.concatenate((rng.normal(0, 0.7, 1500), burst, rng.normal(0, 0.7, 1500)))
    assert leaps(np.round(codes).astype(np.int64)) == 0
