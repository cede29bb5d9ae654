"""Pack and links are one circuit: in a burst none of them leaps to another level and back alone.

A load takes all of them down. A contact that opens for a moment takes down what lies behind it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from canscope.model.median import median, percentile
from canscope.model.piece import ClosedWindow
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS
from canscope.trust.movement.trailing import burst_samples, circuit, noise, renewed_ns, step_of
from canscope.trust.remark import Links, Remark

CURRENT = "pack.current"
# All common practice, no source.
SHARE, SHARE_ONE = 0.012, 0.03  # of the voltage, by which some readings, or one alone, are off
CLEAR, STEPS = 8.0, 3.0  # times its noise, and its step
BACK = 0.3  # of the way there, within which the way back is the same
LASTS_NS = 2 * SECOND_NS
BESIDE_NS = SECOND_NS // 4  # before it, in which the others show where they were
FOLLOWS = 0.25  # of it, by which another one surely moved with it
FAR = 5.0  # times as far as the whole burst takes it down, no pulse of a load does, unseen or not
MOST_OHM = 2.0  # of pack and cables: what a load of more amperes takes down, it may have


def leaps_alone(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A voltage that leapt and came back while the others of its circuit were read and stayed."""
    bench = window.bench
    known = circuit(window, links)
    amps = burst_samples(window, CURRENT) if bench.has(CURRENT) else None
    for mine, own in known.items():
        for first, last, off in _excursions(own, bench.bindings[mine].half_step):
            # One reading alone stands for the time around it.
            beside_ns = 0 if last > first else int(own.time_ns[first] - own.time_ns[first - 1]) // 2
            from_ns, until_ns = own.time_ns[first] - beside_ns, own.time_ns[last] + beside_ns
            span = int(from_ns), int(until_ns) + 1
            ways = {
                other: way
                for other, its in known.items()
                if other != mine and (way := _moved(its, *span)) is not None
            }
            load_A = None if amps is None else _moved(amps, *span)
            text = f"leapt to {own.value[first]:.1f} V for "
            text += f"{(own.time_ns[last + 1] - own.time_ns[first]) / 1e6:.0f} ms and back, by "
            text += f"{off:.1f} V, "
            if not ways or (load_A is None and bench.has(CURRENT)):
                sag = percentile(own.value, 98) - percentile(own.value, 2)
                if off < SHARE_ONE * own.value.max() or off < FAR * sag:
                    continue
                text += f"far more than the {sag:.1f} V by which the burst took it down"
            elif min(ways.values()) < FOLLOWS * off and (load_A or 0.0) * MOST_OHM < off:
                stayed = bench.bindings[min(ways, key=ways.__getitem__)].key
                text += f"while {stayed}, of the same circuit, stayed"
            else:
                continue
            text += ": a contact opened for a moment, or this sensor is wrong"
            yield Remark(mine, "wrong", text, int(own.time_ns[first]))
            break


def _excursions(samples: Samples, half_step: float) -> Iterator[tuple[int, int, float]]:
    """First and last reading of each leap to a level and back, and how far it was off."""
    value = samples.value
    ways = np.diff(value)
    level = float(np.abs(value).max())
    least = max(
        SHARE * level,
        CLEAR * max(noise(value), noise(value[len(value) // 4 : -len(value) // 4])),
        STEPS * step_of(value, half_step),
    )
    leaps = np.flatnonzero(np.abs(ways) > least)
    for there, back in zip(leaps[:-1].tolist(), leaps[1:].tolist(), strict=True):
        off = abs(float(ways[there]))
        if abs(float(ways[there] + ways[back])) > BACK * off:
            continue
        if samples.time_ns[back] - samples.time_ns[there] > LASTS_NS:
            continue
        if back - there > 1 or off > SHARE_ONE * level:
            yield there + 1, back, off


def _moved(samples: Samples, from_ns: int, until_ns: int) -> float | None:
    """How far another one moved meanwhile; None where it was not measured then, or before."""
    if renewed_ns(samples) > until_ns - from_ns:
        return None
    before = samples.between(from_ns - BESIDE_NS, from_ns)
    meanwhile = samples.between(from_ns, until_ns)
    if not len(before) or not len(meanwhile):
        return None
    return float(np.abs(meanwhile.value - median(before.value)).max())
