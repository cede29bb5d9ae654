"""Tones for a stop and for a warning.

Their rhythms differ, so that they are told apart without hearing the pitch: a stop is three short
tones again and again, a warning one long tone with a long pause.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

RATE = 44_100  # samples a second
STOP_HZ, WARN_HZ = 1800.0, 500.0
PERIOD_S = {"stop": 1.0, "warn": 4.0}


def tone(kind: str) -> NDArray[np.float32]:
    """One period of an alarm, at ``RATE``; ``kind`` is ``stop`` or ``warn``."""
    wave = np.zeros(round(RATE * PERIOD_S[kind]), np.float32)
    beats, length_s, pitch = (3, 0.12, STOP_HZ) if kind == "stop" else (1, 0.8, WARN_HZ)
    count = round(RATE * length_s)
    swell = np.minimum(1.0, np.minimum(np.arange(count), count - np.arange(count)) / (RATE * 0.005))
    beat = 0.8 * swell * np.sin(2 * np.pi * pitch * np.arange(count) / RATE)
    for number in range(beats):
        at = round(number * RATE * 0.22)
        wave[at : at + count] = beat
    return wave


class Sound:
    """The loudspeaker, if there is one; ``why_not`` says why there is none."""

    def __init__(self) -> None:
        self._device: Any = None
        self.why_not = ""
        try:
            import sounddevice

            sounddevice.query_devices(kind="output")
        except ImportError:
            self.why_not = "the library sounddevice is not installed (canscope[record])"
        except (OSError, ValueError) as error:  # no PortAudio, or no device in it
            self.why_not = f"no audio device: {error}"
        except Exception as error:  # PortAudioError derives from nothing narrower
            if type(error).__module__ != "sounddevice":
                raise
            self.why_not = f"no audio device: {error}"
        else:
            self._device = sounddevice

    def play(self, kind: str) -> None:
        """Begin one period of an alarm; returns at once."""
        if self._device is not None:
            self._device.play(tone(kind), RATE)
