"""The card: the steps of design.md section 6, with the plan's own limits filled in."""

import re
from html.parser import HTMLParser

import pytest

from canscope.model.bench import STAGES
from canscope.plan.card import card
from canscope.plan.card_text import as_html, as_text
from canscope.plan.coverage import prospects
from canscope.plan.load import read_plan
from canscope.plan.steps import steps
from tests.plan.example import changed, lay_out

STAGE = 'stage    = "dry-spin"\ncoolant  = "empty"\noil      = "empty"'


def plan_of(folder, *swaps, stage="dry-spin", fluids="filled"):
    if stage != "dry-spin":
        swaps += ((STAGE, f'stage = "{stage}"\ncoolant = "{fluids}"\noil = "{fluids}"'),)
    return read_plan(lay_out(folder, changed(*swaps)))


def text_of(folder, *swaps, **how):
    return re.sub(r"\s+", " ", as_text(card(plan_of(folder, *swaps, **how))))


@pytest.mark.parametrize("stage", STAGES)
def test_every_required_rule_is_exercised_by_some_step(tmp_path, stage):
    plan = plan_of(tmp_path, stage=stage)
    required = {prospect.rule for prospect in prospects(plan) if prospect.required}
    exercised = {rule for step in card(plan).steps for rule in step.proves}
    assert required <= exercised
    assert required


@pytest.mark.parametrize("stage", STAGES)
def test_a_required_rule_names_a_step_of_its_stage_that_exercises_it(tmp_path, stage):
    plan = plan_of(tmp_path, stage=stage)
    required = {prospect.rule for prospect in prospects(plan) if prospect.required}
    assert required <= {rule for step in steps(plan) for rule in step.proves}


def test_the_dry_spin_goes_in_the_order_that_proves_it(tmp_path):
    text = text_of(tmp_path)
    order = [
        "Recorder started on every bus",
        "Brake pressed; contactors closed",
        "Axle front",
        "brake pressed: direction forward",
        "axle front turns forward for 3 s",
        "wait for a full stop",
        "it is marked within 30 s",
        "Rest 60 s",
        "axle front turns in reverse for 3 s",
        "Axle rear",
        "the recording goes on for 60 s",
        "pack current below 2 A; contactors opened",
        "12 V and recorder stay ON until the link is below 60 V",
        "Recorder stopped",
        "measured with an instrument before anybody touches anything",
        "Tester: ____",
    ]
    places = [text.index(words) for words in order]
    assert places == sorted(places)


def test_the_plans_own_limits_are_filled_in(tmp_path):
    text = text_of(tmp_path, ("dry_burst_s = 5", "dry_burst_s = 2\ndry_pause_s = 90"))
    for words in (
        "never above 30 A and 1500 rpm",
        "turns forward for 2 s",
        "Rest 90 s",
        "Temperature winding, at most 110 degC",
        "turn for 12 s together; that fits into the plan's 60 s",  # 2 ways x 2 s x 3 sets
    ):
        assert words in text


def test_dry_time_beyond_the_plan_is_said_beforehand(tmp_path):
    assert "that is MORE THAN the plan's 10 s" in text_of(
        tmp_path, ("dry_total_s = 60", "dry_total_s = 10")
    )


def test_power_up_opens_in_both_orders_and_presses_the_emergency_stop(tmp_path):
    text = text_of(tmp_path, stage="power-up")
    assert text.index("Open negative first") < text.index("Open positive first")
    assert "emergency stop pressed" in text
    assert "turns forward" not in text


def test_what_no_run_can_prove_is_on_the_card(tmp_path):
    text = text_of(tmp_path, ('brake     = "can0:Cabin.BrakePressed"', ""))
    assert "THESE STAY UNPROVEN" in text
    assert "no signal for driver.brake" in text


class Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.attributes, self.text = set(), set(), []

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}

    def handle_data(self, data):
        self.text.append(data)


def test_a_script_in_the_plan_is_shown_and_not_run(tmp_path):
    plan = plan_of(
        tmp_path,
        ("Bramble, forestry 4x4", "<script>alert(1)</script>"),
        ('tester   = "workshop bay 2"', 'notes = "<img src=x onerror=alert(2)>\\u202e\\u0007"'),
    )
    page = Tags()
    page.feed(as_html(card(plan)))
    assert not page.tags & {"script", "img", "link", "iframe"}
    assert not page.attributes & {"src", "href", "onerror", "onload"}
    assert "<script>alert(1)</script>" in "".join(page.text)
    for text in (as_html(card(plan)), as_text(card(plan))):
        assert not set(text) & {"\u202e", "\u0007"}


def test_a_turned_unit_is_inspected_for_oil_and_signed(tmp_path):
    text = text_of(tmp_path)
    assert "Oil reaches the gears of unit front" in text
    assert "gears of unit rear" not in text
