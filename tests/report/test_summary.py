"""The terminal summary, printed by the real rich into a string."""

import io
from dataclasses import replace

import pytest
from rich.console import Console

from canscope.cli._summary import print_summary
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


def test_what_failed_is_told_in_full_before_what_is_unproven():
    said = printed(factory.failing())
    named = [line for line in said.splitlines() if "axle-direction, front forward" in line]
    explained, row = named
    assert explained.strip().startswith("explains: axle-direction, front forward; ")
    for told in ("-182 rpm", "limit of 0 rpm", "14.210 s", "can1:UnitFast.MotorSpeed"):
        assert told in row
    assert said.index("\nFailed") < said.index(row) < said.index("\nUnproven\n")
    unproven, accepted = said.index("link-discharge, front link"), said.index("\nAccepted")
    assert said.index("\nUnproven\n") < unproven < accepted
    assert accepted < said.index("accepted by A. Tester: no monitor on this vehicle")
    # 25 findings by hand: 8 on axles (1 failed, 1 unproven), 14 others pass, 3 stay unproven.
    assert "findings: 1 failed; 2 unproven; 1 accepted; 1 unproven, not required; 20 proven" in said


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
