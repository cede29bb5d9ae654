"""A contactor box, a pack and a link for tests: states as given, the link as the formula says."""

import numpy as np


def clock(until_s, every_s, start_s=0.0):
    """Sample instants in s."""
    return np.round(np.arange(start_s, until_s, every_s), 6)


def within(times, start_s, end_s):
    """Which of these instants lie in start <= time < end."""
    return (times >= start_s) & (times < end_s)


def state(times, *changes, before=0):
    """1 or 0 at each instant: the value of the last (at_s, value) at or before it."""
    values = np.full(len(times), float(before))
    for at_s, value in changes:
        values[times >= at_s - 1e-9] = value
    return values


def rounded(values, step_V):
    """As a signal with that raw step carries it."""
    return np.round(np.asarray(values) / step_V) * step_V if step_V else np.asarray(values)


def charging(times, begin_s, volts, tau_s, start_V=0.0):
    """V(t) = Vp - (Vp - V0) exp(-t / tau) from ``begin_s`` on, V0 before."""
    passed = np.maximum(times - begin_s, 0.0)
    return volts - (volts - start_V) * np.exp(-passed / tau_s)


def discharging(times, begin_s, volts, tau_s):
    """V(t) = V0 exp(-t / tau) from ``begin_s`` on, V0 before."""
    return volts * np.exp(-np.maximum(times - begin_s, 0.0) / tau_s)
