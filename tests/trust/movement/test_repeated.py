"""Frames that a gateway repeats, worked by hand: two numbers every 20 ms, of which one flickers.

A flicker of whole steps that are drawn from -2 to 2 (variance 2: 1.41 steps) repeats the code of
the frame before in at most 28 of 100 frames: 25 times in a row in 1 of 10^13 draws.
Common practice, no source.
"""

import numpy as np
import pytest

from canscope.model.events import Span, Window
from canscope.model.piece import ClosedWindow
from canscope.trust.movement.repeated import repeated
from tests.trust.past import MS, bench_of, binding, history_of, samples

LINK, SPEED = "units.front.link_voltage", "units.front.speed"
BENCH = bench_of(binding(LINK, message="Fast"), binding(SPEED, message="Fast"))
AT_MS = np.arange(0, 8000, 20)
NOISE = np.random.default_rng(1).integers(-2, 3, len(AT_MS))
STEADY = np.full(len(AT_MS), 600)


def told(link, speed=STEADY):
    of = {LINK: samples(AT_MS, link), SPEED: samples(AT_MS, speed)}
    span = Span(Window.BURST, "front", 1, 2000 * MS, 6000 * MS, 6000 * MS)
    window = ClosedWindow(BENCH, history_of(of, dict.fromkeys(of, 20)), span, 8000 * MS, 0)
    return [(remark.role, remark.kind, remark.at_ns // MS) for remark in repeated(window, ())]


def held(values, since_ms, ms):
    """What a gateway makes of it that repeats the last frame for so long."""
    row = since_ms // 20
    return np.where((since_ms <= AT_MS) & (since_ms + ms >= AT_MS), values[row], values)


def dip(at_ms):
    """20 steps down, and back with 15 ms."""
    return np.where(at_ms <= AT_MS, 20 * np.exp(-np.maximum(AT_MS - at_ms, 0) / 15), 0)


# Two coils that pull in by 0.7 and 0.6 V before 4 s, another one as the converter starts at 4.78 s.
STEPS = [122, 123, 125, 126, 127, 127, 128, 128, 128, 128, 129, 128, 129]
STEPS += [123, 124, 125, 126, 127, 127, 128, 128, 128] + [129] * 42
STEPS += [123, 133, 135, 135, 136, 137, 137, 137, 137, 138, 138, 137]
COILS = np.concatenate((np.full(176, 129), STEPS, np.full(len(AT_MS) - 176 - len(STEPS), 138)))

# A current that settles, toggles at the last edge, and stands until the pedal is released (5.62 s).
RELEASED = [16, 12, 6, 0, -5, -8, -8, -7, -2, 1, 3, 3]
SETTLES = np.array([19] * 183 + [18] * 5 + [17, 18, 17, 18] + [17] * 89 + RELEASED + [3] * 107)


def test_a_frame_that_is_repeated_for_half_a_second_is_told_of_every_number_in_it():
    told_of = told(held(3200 + NOISE, 4000, 500))
    assert [role for role, _, _ in told_of] == [LINK, SPEED]
    assert {(kind, abs(at - 4000) <= 60) for _, kind, at in told_of} == {("repeated", True)}


@pytest.mark.parametrize(
    "link",
    [
        3200 + NOISE,
        held(3200 + NOISE, 4000, 100),  # hides nothing
        held(3200 + NOISE // 2, 4000, 200),  # by chance, perhaps
        np.full(len(AT_MS), 3200),  # nothing that flickers
        np.where((AT_MS > 4000) & (AT_MS < 4500), 3204, 3200 + AT_MS // 20),  # a move that ends
        np.round(3200.0 - dip(3900) - dip(4900)).astype(int),  # coils that pull in
        np.where((AT_MS >= 3960) & (AT_MS < 4760), 129, COILS),  # the same in coarse steps
        np.where((AT_MS >= 3960) & (AT_MS < 4760), 129, 129 + AT_MS // 20 % 2 - (AT_MS > 4300)),
        SETTLES,
    ],
)
def test_what_may_stand_still_by_itself_is_believed(link):
    assert told(link) == []


def test_a_number_that_goes_on_shows_that_the_frame_is_new():
    link = held(3200 + NOISE, 4000, 500)
    assert told(link, STEADY + AT_MS // 20) == []


def test_a_speed_that_stands_to_the_bit_while_its_shaft_turns_is_told_alone():
    """600 rpm, held for half a second while the link flickers on; at rest it may stand."""
    turns = held(600 + NOISE, 4000, 500)
    assert [(role, kind) for role, kind, _ in told(3200 + NOISE, turns)] == [(SPEED, "repeated")]
    assert told(3200 + NOISE, 600 + NOISE) == []
    assert told(3200 + NOISE, np.where((AT_MS > 4000) & (AT_MS < 4500), 0, 40 + NOISE)) == []
