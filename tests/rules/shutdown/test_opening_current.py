"""opening-current, worked by hand: limit 2 A (common practice, no source), read to +-0.05 A every
20 ms. The pole's state comes every 20 ms too, 10 ms later, or every 100 ms."""

import numpy as np
import pytest

from canscope.model.findings import Verdict
from tests.rules.harness import judge as run
from tests.rules.vehicle import clock, state


def steady(amps, until_s):
    """That current up to an instant, then none."""
    return lambda t: np.where(t < until_s - 1e-9, amps, 0.0)


def judge(current, *, positive_s=2.0, negative_s=2.2, states_s=0.02, edit=None, **more):
    """Both poles closed from 0.5 s; they really open at the given instants."""
    times, fine = clock(14.0, states_s, 0.01), clock(14.0, 0.02)
    roles = {
        "contactors.negative": (times, state(times, (0.5, 1), (negative_s, 0))),
        "contactors.positive": (times, state(times, (0.6, 1), (positive_s, 0))),
        "pack.current": (fine, current(fine)),
    }
    if edit:
        edit(roles)
    return run(
        "opening-current",
        roles,
        u={"pack.current": 0.05},
        cycles_s=dict.fromkeys(roles, states_s) | {"pack.current": 0.02},
        **more,
    )["pack"]


def test_half_an_ampere_for_the_converter_passes():
    finding = judge(steady(0.5, 2.0))
    assert finding.verdict is Verdict.PASS
    assert (finding.measured, finding.limit, finding.unit) == (0.5, 2.0, "A")
    assert finding.uncertainty == pytest.approx(0.05)
    assert not finding.required


@pytest.mark.parametrize(("nominal_V", "reason"), [(129.0, "inferred"), (300.0, None)])
def test_a_converter_of_a_kilowatt_takes_more_from_a_pack_of_fewer_cells(nominal_V, reason):
    """7.2 A of 129 V are 929 W, of 300 V 2.2 kW; they flow from 0.6 s on, all the while at rest."""
    load = steady(7.2, 9.0)
    found = judge(load, positive_s=9.0, negative_s=9.2, bench={"nominal_voltage_V": nominal_V})
    assert found.reason == reason
    assert (found.verdict is Verdict.FAIL) is (reason is None)


@pytest.mark.parametrize("amps", [30.0, -30.0])
@pytest.mark.parametrize("states_s", [0.02, 0.1])
def test_opening_under_load_fails_in_either_direction_though_the_next_reading_is_none(
    amps, states_s
):
    finding = judge(steady(amps, 2.0), states_s=states_s)
    assert finding.verdict is Verdict.FAIL
    assert (finding.measured, finding.margin) == (30.0, -28.0)
    assert "the positive contactor opened under load" in finding.sentence


def test_a_current_that_rose_since_the_state_was_last_read_is_not_overlooked():
    """0 A when the state last read closed, 30 A from 1.94 s, opened at 2.0 s, read at 2.01 s."""
    finding = judge(lambda t: np.where((t > 1.93) & (t < 1.999), 30.0, 0.0), states_s=0.1)
    assert finding.verdict is Verdict.FAIL
    assert finding.measured == 30.0


def test_a_current_that_was_falling_when_it_opened_is_too_close_to_call():
    """40 A less 500 A/s: 10 A at 1.96 s, the last reading above 2 A; then up to 20 ms of slope."""
    finding = judge(lambda t: np.clip(40 - 500 * (t - 1.9), 0, 40), states_s=0.1)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "too-close-to-call")
    assert finding.measured == pytest.approx(10.0)
    assert finding.uncertainty == pytest.approx(10.05)


def test_a_current_at_the_limit_is_too_close_to_call():
    assert judge(steady(2.0, 2.0)).reason == "too-close-to-call"


def test_the_limit_is_the_plans():
    finding = judge(steady(3.0, 2.0), rules={"limit_A": 5})
    assert (finding.verdict, finding.limit) == (Verdict.PASS, 5.0)


def test_a_negative_contactor_that_breaks_the_load_first_is_judged_too():
    """Positive opens 2 s later without any current; that proves nothing of the first opening."""
    finding = judge(steady(30.0, 2.0), negative_s=2.0, positive_s=4.0)
    assert finding.verdict is Verdict.FAIL
    assert "the negative contactor opened under load" in finding.sentence


def test_no_opening_is_not_exercised():
    finding = judge(steady(0.5, 1.0), positive_s=99.0, negative_s=99.0)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_a_current_that_is_silent_before_the_opening_is_stale():
    def silent(roles):
        times, values = roles["pack.current"]
        heard = (times < 1.7) | (times > 2.3)
        roles["pack.current"] = (times[heard], values[heard])

    finding = judge(steady(0.5, 2.0), edit=silent)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "stale")


def test_a_current_without_value_before_the_opening_is_not_available():
    def blank(t):
        return np.where((t > 1.7) & (t < 2.1), np.nan, 0.5)

    assert judge(blank).reason == "not-available"


def test_contactors_that_are_not_bound_are_not_bound():
    def unbound(roles):
        del roles["contactors.positive"]

    assert judge(steady(0.5, 2.0), edit=unbound).reason == "not-bound"


def test_no_cut_changes_anything():
    for amps in (0.5, 30.0):
        coarse = {"states_s": 0.1}
        assert judge(steady(amps, 2.0), cuts="each", **coarse) == judge(steady(amps, 2.0), **coarse)


def test_an_offset_that_stays_after_opening_is_the_sensors_and_no_load():
    finding = judge(lambda t: np.full(len(t), 3.0) + 0.1 * np.sin(t))
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "sensor-suspect")
    assert "an offset of the sensor" in finding.sentence
    assert judge(lambda t: np.where(t < 2.0, 6.0, 3.0)).verdict is Verdict.FAIL
    assert judge(lambda t: np.full(len(t), 25.0)).verdict is Verdict.FAIL


def test_what_the_vehicle_draws_all_the_time_at_rest_is_no_load_left_on():
    """Closed from 0.6 to 9 s: 2.8 A (1 kW at 357 V) all the while, or only for the last 3 s."""
    opened = {"positive_s": 9.0, "negative_s": 9.2}
    finding = judge(steady(2.8, 9.0), **opened)
    assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "inferred")
    assert "2.8 A that the vehicle drew all the while at rest" in finding.sentence
    assert judge(steady(6.0, 9.0), **opened).verdict is Verdict.FAIL
    late = judge(lambda t: np.where((t > 6.0) & (t < 8.999), 2.8, 0.2), **opened)
    assert late.verdict is Verdict.FAIL


def test_a_load_that_goes_on_and_off_all_the_while_is_no_load_left_on():
    """2.8 A for two of every four seconds; on again as the contactors open."""
    opened = {"positive_s": 9.0, "negative_s": 9.2}
    finding = judge(lambda t: np.where(t < 8.999, 0.2 + 2.6 * (t % 4 >= 2) * (t < 8), 0), **opened)
    assert finding.verdict is Verdict.PASS
    on = judge(lambda t: np.where(t < 8.999, 0.2 + 2.6 * ((t + 1) % 4 >= 1.5), 0), **opened)
    assert (on.verdict, on.reason) == (Verdict.UNPROVEN, "inferred")
    assert "2.8 A that the vehicle drew on and off at rest" in on.sentence


def test_the_load_counts_from_the_sensors_own_zero():
    """The sensor reads 1.5 A too much: 2.9 A before the opening and 1.5 A after it are 1.4 A."""
    finding = judge(lambda t: np.where(t < 1.999, 2.9, 1.5))
    assert (finding.verdict, finding.measured) == (Verdict.PASS, pytest.approx(1.4))
