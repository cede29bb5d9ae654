"""Tones: a stop and a warning differ in rhythm; without a device that is said, not hidden."""

import numpy as np

from canscope.live.watching.sound import PERIOD_S, RATE, Sound, tone


def beats(kind):
    """Length in seconds of each stretch of sound in one period, by its envelope over 10 ms."""
    wave = np.abs(tone(kind))
    step = RATE // 100
    loud = wave[: len(wave) // step * step].reshape(-1, step).max(axis=1) > 0.1
    edges = np.flatnonzero(np.diff(np.concatenate(([0], loud.astype(int), [0]))))
    return [(b - a) / 100 for a, b in zip(edges[::2], edges[1::2], strict=True)]


def pitch(kind):
    """The loudest frequency in Hz."""
    wave = tone(kind)
    spectrum = np.abs(np.fft.rfft(wave))
    return float(np.fft.rfftfreq(len(wave), 1 / RATE)[spectrum.argmax()])


def test_a_stop_is_three_short_tones_a_second_and_a_warning_one_long_in_four():
    assert [round(b, 1) for b in beats("stop")] == [0.1, 0.1, 0.1]
    assert [round(b, 1) for b in beats("warn")] == [0.8]
    assert PERIOD_S == {"stop": 1.0, "warn": 4.0}


def test_their_pitches_are_far_apart_and_neither_clips():
    assert abs(pitch("stop") - 1800) < 10
    assert abs(pitch("warn") - 500) < 2
    assert max(np.abs(tone(kind)).max() for kind in PERIOD_S) <= 1.0


def test_where_there_is_no_sound_it_says_why():
    sound = Sound()
    sound.play("stop")  # never a traceback, device or not
    assert (sound._device is None) == bool(sound.why_not)
