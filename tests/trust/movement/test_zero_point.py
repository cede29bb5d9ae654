"""What has to be zero sometimes, second by second, by hand; thresholds are common practice.

Poles close at 6 s and open at 12 s. A link that an active bleed empties falls with 0.6 s; a passive
one from 400 to 60 V within 120 s falls by 3.1 % in 2 s: exp(-2 / 63) = 0.969.
"""

import itertools

import numpy as np
import pytest

from canscope.model.bench import Kind
from canscope.model.history import History, steps
from canscope.trust.movement.zero_point import ZeroPoint
from tests.rules.harness import START_NS, bench_of, samples_of

TIMES = np.arange(0, 20, 0.05)
SPEED, TORQUE, LINK = "units.front.speed", "units.front.torque", "units.front.link_voltage"
REQUEST = "driver.direction"
MAINS = ("contactors.negative", "contactors.positive")
CLOSED = (TIMES >= 6) & (TIMES < 12)


def link(rest_V=0.0, tau_s=0.6):
    fallen = rest_V + (400 - rest_V) * np.exp(-np.maximum(TIMES - 12, 0) / tau_s)
    return np.where(TIMES < 6, rest_V, np.where(CLOSED, 400.0, fallen))


def remarks(bleed="active", cuts=(), request=None, **columns):
    roles = {"speed": 0 * TIMES, "torque": 0 * TIMES, "link_voltage": link()} | columns
    data = {f"units.front.{word}": values for word, values in roles.items()}
    asked = [] if request is None else [REQUEST]
    bench = bench_of(
        [*data, *MAINS, *asked], "dry-spin", {"bleed": bleed, "nominal_voltage_V": 400.0}
    )
    history = History()
    for role, values in data.items():
        history.append(role, samples_of(TIMES, values, Kind.NUMBER))
    if request is not None:
        history.append(REQUEST, samples_of(TIMES, request, Kind.NUMBER))
    changes = START_NS + np.array([0, 6, 12]) * 10**9
    history.append("@engaged", steps(changes, np.array([0.0, 1.0, 0.0])))
    history.append("@awake", steps(changes[:1], np.ones(1)))
    zero = ZeroPoint(bench, START_NS)
    found = [
        remark
        for _, end in itertools.pairwise([0.0, *cuts, 20.0])
        for remark in zero.feed(history, START_NS + round(end * 1e9))
    ]
    return {remark.role: remark.text for remark in (*found, *zero.finish())}


def test_a_unit_at_rest_and_an_empty_link_are_zero():
    assert remarks() == {}


@pytest.mark.parametrize(("offset", "told"), [(25, True), (-15, True), (6, False)])
def test_a_speed_that_never_stands_still_has_an_offset(offset, told):
    """Resolvers flicker by 5 to 15 rpm about zero."""
    noise = np.random.default_rng(1).normal(0, 6, len(TIMES))
    turns = np.where(CLOSED, 600.0, 0.0)
    assert (SPEED in remarks(speed=turns + noise + offset)) == told


def test_a_wheel_that_turns_for_a_while_is_no_offset():
    assert remarks(speed=np.where(TIMES < 4, 25.0, 0.0)) == {}


def test_torque_with_all_contactors_open_is_none():
    assert "no inverter gives any" in remarks(torque=4.0 + 0 * TIMES)[TORQUE]
    assert remarks(torque=np.where(CLOSED, 40.0, 1.0)) == {}


def test_torque_at_standstill_in_neutral_is_none_either():
    """4 Nm while the poles are closed; with a direction chosen a unit may hold its shaft."""
    neutral, holds = 0 * TIMES, np.where(CLOSED, 4.0, 0.0)
    assert "at standstill in neutral" in remarks(torque=holds, request=neutral)[TORQUE]
    assert remarks(torque=holds, request=neutral, cuts=(6.5, 7.2, 8.9)) == remarks(
        torque=holds, request=neutral
    )
    assert remarks(torque=holds, request=neutral + 1) == {}
    assert remarks(torque=holds, request=neutral, speed=np.where(CLOSED, 300.0, 0.0)) == {}
    assert remarks(torque=0.7 * holds, request=neutral) == {}


@pytest.mark.parametrize("bleed", ["active", "passive"])
def test_a_link_that_a_bleed_leaves_at_40_V_reads_with_an_offset(bleed):
    text = remarks(bleed=bleed, link_voltage=link(40.0))[LINK]
    assert "stayed at 40 V for 2 s with all contactors open" in text


def test_a_link_that_falls_slowly_is_emptied_and_one_without_a_bleed_may_stay():
    assert remarks(bleed="passive", link_voltage=link(tau_s=63.0)) == {}
    assert remarks(bleed="none", link_voltage=link(40.0)) == {}
    assert remarks(link_voltage=link(10.0)) == {}


def test_pieces_make_no_difference():
    columns = {"link_voltage": link(40.0), "speed": 20.0 + 0 * TIMES}
    assert remarks(cuts=(0.7, 3.1, 3.2, 12.9), **columns) == remarks(**columns)
