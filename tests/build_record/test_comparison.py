"""Two runs compared, worked by hand on the factory's reports."""

from dataclasses import replace

import pytest

from canscope.build_record.comparison import compare
from canscope.model.comparison import CHANGED, OPEN, SAME
from canscope.model.findings import Verdict
from canscope.report import comparison_page
from tests.report import factory
from tests.report.browser import dom


def of(found, rule):
    (one,) = [one for one in found.differences if one.rule == rule]
    return one


def compared(*, sag, u=0.03, **changes):
    a = factory.whole(findings=(factory.SAG,))
    other = replace(factory.SAG, measured=sag, uncertainty=u, **changes)
    return of(compare(a, replace(a, findings=(other,))), "bus-sag")


def test_a_difference_within_both_uncertainties_is_none():
    """2.85 % +- 0.03 % and 2.90 % +- 0.03 %: 0.05 of at most 0.06."""
    one = compared(sag=2.90)
    assert one.kind == SAME
    assert (one.difference, one.uncertainty) == pytest.approx((0.05, 0.06))


def test_a_difference_beyond_both_uncertainties_is_a_change():
    assert compared(sag=2.92).kind == CHANGED


def test_another_verdict_is_a_change_whatever_the_numbers():
    one = compared(sag=2.85, verdict=Verdict.FAIL)
    assert (one.kind, one.why) == (CHANGED, "pass became fail")


def test_what_was_not_measured_or_in_another_unit_is_not_comparable():
    assert compared(sag=None, u=None).kind == OPEN
    one = compared(sag=2.85, unit="V")
    assert (one.kind, one.why) == (OPEN, "measured in %, then in V")
    nothing = compare(factory.whole(findings=(factory.SAG,)), factory.whole(findings=()))
    assert of(nothing, "bus-sag").why == "only the first has it"


def test_curves_are_laid_over_each_other_at_the_first_turn_and_not_by_the_clock():
    """The factory's front unit first turns at 13.9 s; in the second run 10 s later."""
    a = factory.whole()
    later = tuple(replace(burst, start_s=burst.start_s + 10) for burst in a.bursts)
    overlays = compare(a, replace(a, bursts=later)).overlays
    speed = next(one for one in overlays if one.role == "units.front.speed")
    first, second = speed.plot.traces
    assert speed.after == "first turn"
    assert (first.at_s[0], second.at_s[0]) == (-13.9, -23.9)


def test_two_vehicles_stages_and_parameters_are_said():
    a = factory.whole()
    notes = compare(a, replace(a, stage="wet-spin", vehicle="Thistle", rules=a.rules[:1])).notes
    assert notes == (
        "two vehicles: Bramble, forestry 4x4, and Thistle",
        "two stages: dry-spin, and wet-spin",
        "other parameters: coolant-flow, dry-exposure",
    )


def test_the_page_shows_the_change_and_draws_its_curves_in_a_browser(tmp_path):
    found = compare(factory.whole(), factory.failing())
    html = b"".join(comparison_page.page(found)).decode()
    assert "-358.0 ± 1.0 rpm" in html  # 176 before, -182 now
    became = dom(html, tmp_path, "comparison")
    assert became.count("main-svg") > 0
