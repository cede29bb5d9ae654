"""The terminal summary, printed by the real rich into a string."""

import io
from dataclasses import replace

import pytest
from rich.console import Console

from canscope.cli._summary import print_summary
from canscope.model.report import Cause, RunEvent
from canscope.report.html import render
from tests.report import factory


def printed(report, **options):
    console = Console(file=io.StringIO(), width=200, color_system=None)
    print_summary(report, console, **options)
    return console.file.getvalue()


@pytest.mark.parametrize(
    ("kind", "line"),
    [
        ("whole", "PASS, 1 item accepted by A. Tester"),
        ("failing", "FAIL: 1 finding failed, 2 required items unproven"),
        ("open_ended", "UNPROVEN: 1 required item"),
    ],
)
def test_the_first_line_is_the_verdict(kind, line):
    assert printed(getattr(factory, kind)()).splitlines()[0] == line


def test_what_is_wrong_and_what_to_do_come_first_then_what_failed_in_full():
    said = printed(factory.failing(look_first=(factory.TURNED_WRONG.sentence,)))
    words = [line.split()[0] for line in said.splitlines()[1:12] if line.split()]
    order = [said.index(f"\n{word} ") for word in ("WRONG", "LIKELY", "DO NOW")]
    assert order == sorted(order), words
    assert f"WRONG   {factory.TURNED_WRONG.short}" in said
    (row,) = [line for line in said.splitlines() if "axle-direction, front forward" in line]
    for told in ("-182 rpm", "limit of 0 rpm", "14.210 s", "can1:UnitFast.MotorSpeed"):
        assert told in row
    assert said.index("DO NOW") < said.index("\nFailed") < said.index(row)
    unproven, accepted = said.index("link-discharge, front link"), said.index("\nAccepted")
    assert said.index(row) < said.index("\nUnproven\n") < unproven < accepted
    assert accepted < said.index("accepted by A. Tester: no monitor on this vehicle")
    # 25 findings by hand: 8 on axles (1 failed, 1 unproven), 14 others pass, 3 stay unproven.
    assert "findings: 1 failed; 2 unproven; 1 accepted; 1 unproven, not required; 20 proven" in said


def test_what_lacks_the_same_is_one_line_and_optional_names_have_their_reason():
    next_step = "bind driver.ignition or record longer"
    silent = [
        factory.unproven("cycle-time", f"can1:M{n}", "stale", next=next_step) for n in range(7)
    ]
    said = " ".join(
        printed(replace(factory.open_ended(), findings=(*silent, factory.COLD_SOAK))).split()
    )
    assert "7 cycle-time its values stopped coming in time: cycle-time (can1:M0, can1:M1," in said
    assert said.count(next_step) == 1
    assert "DO NOW Find out why its message stopped coming, then record again." in said
    assert "cold-soak it never happened in this run: cold-soak (front winding)." in said


def test_what_one_unbelieved_sensor_takes_with_it_is_one_line_that_names_it():
    doubt = "can2:UnitFast.LinkVoltage stayed at 72 V with all contactors open"
    rules = ("precharge-level", "precharge-curve", "voltage-ceiling")
    lost = [
        factory.unproven(rule, "rear link", "sensor-suspect", doubt=doubt, next=f"do {rule}")
        for rule in rules
    ]
    said = " ".join(printed(replace(factory.open_ended(), findings=tuple(lost))).split())
    assert said.count(doubt) == 1
    assert "It bears on precharge-level (rear link); precharge-curve (rear link);" in said
    assert "To prove it: compare the sensor with an instrument while its value changes" in said
    assert "do precharge" not in said  # doing it again does not mend the sensor


def test_a_plan_of_other_buses_is_said_at_once_and_not_in_a_hundred_findings():
    misfit = "The recording has can0, the plan expects canA: name the buses alike."
    said = printed(factory.open_ended(misfits=(misfit,), look_first=(misfit,), diagnosis=()))
    assert f"MISSING {misfit}" in " ".join(said.split())
    assert "link-discharge" not in said


def test_what_passes_is_shown_on_request():
    assert "contactor-sequence" not in printed(factory.whole())
    assert "contactor-sequence, attempt 1" in printed(factory.whole(), everything=True)


def test_text_from_outside_is_neither_markup_nor_an_escape_sequence():
    said = printed(factory.whole(vehicle="[bold red]x[/] \x1b[2Jy"))
    assert "[bold red]x[/] \ufffd[2Jy" in said
    assert "\x1b" not in said


def test_an_accepted_item_is_told_apart_from_what_was_proven():
    assert "except what a person accepted unproven" in " ".join(printed(factory.whole()).split())


def test_a_waiver_beside_a_fail_does_not_make_it_read_as_accepted():
    odd = replace(factory.TURNED_WRONG, waived="looks fine to me", waived_by="A. Tester")
    said = printed(factory.failing(findings=(odd,)))
    assert "\nFailed" in said
    assert "accepted" not in said


def test_what_an_instrument_was_held_against_is_on_the_first_screen_with_what_vouches_for_it():
    whole = factory.whole()
    pack, speed = whole.roles
    anchored = replace(pack, anchored_by=("hand-reading",))
    told = replace(whole, roles=(anchored, speed), unanchored=(speed.role,))
    said = printed(told)
    assert "Scale anchored by hand-reading: pack voltage." in said
    assert "Nothing anchors the scale of front speed" in said
    assert said.index("Scale anchored") < said.index("DO NOW")
    page = render(told)
    assert "Scale anchored by hand-reading: pack voltage." in page
    rows = [row for row in page.split("<tr") if f">{pack.role}<" in row or f">{speed.role}<" in row]
    assert ">hand-reading<" in rows[-2]
    assert ">nothing<" in rows[-1]


def test_a_lead_says_how_many_more_lack_the_same():
    marks = [
        factory.unproven("axle-witness", f"{axle} {way}", "not-exercised", short="No mark.")
        for axle in ("front", "rear")
        for way in ("forward", "reverse")
    ]
    more = " Unproven for the same reason: 3 more (front reverse, rear forward, rear reverse)."
    report = replace(
        factory.open_ended(), findings=tuple(marks), look_first=(marks[0].sentence + more,)
    )
    assert f"MISSING  No mark.{more}" in printed(report)


def test_after_the_last_stage_nobody_goes_on_to_a_next_one():
    assert "go on to the next stage" in printed(factory.whole(waived=0))
    assert "next stage" not in printed(factory.whole(stage="rolling"))


def test_what_to_do_now_belongs_to_the_first_line():
    live = factory.unproven(
        "link-discharge", "front link", "stale", code="live-at-end", doubt="seen at 89 V"
    )
    late = factory.unproven("cycle-time", "can0:Box", "inferred", code="too-often")
    cause = Cause("it comes twice", "look at the recorder", ("cycle-time, can0:Box",))
    report = replace(
        factory.open_ended(),
        findings=(live, late),
        look_first=(live.sentence, late.sentence),
        diagnosis=(cause,),
    )
    assert "DO NOW   Treat the link as live: nobody touches it" in printed(report)
    other = replace(report, look_first=(late.sentence, live.sentence))
    assert "DO NOW   Look at the recorder." in printed(other)


def test_a_wheel_that_turned_while_nothing_could_drive_it_is_on_the_first_screen():
    """Whoever stood beside it knows whether somebody turned it."""
    at = (42.0, 44.0, 47.5, 50.0)
    turned = tuple(RunEvent(None, each, "turned", "speed", by_hand="rear") for each in at)
    report = factory.whole(bursts=(), events=turned)
    said = " ".join(printed(report).split())
    assert "rear axle by hand: turned at 42.0 s, 44.0 s, 47.5 s and 1 more with all" in said
    assert "rear axle by hand" in render(report)
