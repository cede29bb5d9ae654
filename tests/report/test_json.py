"""The JSON contract: keys and their order are copied by hand from design.md, section 6."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from canscope.model.errors import ReportError
from canscope.model.findings import Verdict
from canscope.report.json import recover, render
from tests.report import factory

TOP = [
    "format",
    "verdict",
    "waived",
    "stage",
    "vehicle",
    "findings",
    "not_applicable",
    "bursts",
    "capture",
    "inputs",
    "version",
]
FINDING = [
    "rule",
    "subject",
    "verdict",
    "reason",
    "required",
    "measured",
    "limit",
    "margin",
    "uncertainty",
    "unit",
    "at_s",
    "window_s",
    "signals",
    "sentence",
    "causes",
    "next",
    "limit_source",
]


def refuse(word):
    raise AssertionError(f"{word} is not JSON")


def strict(text):
    """Parsed by the rules of JSON alone: NaN and Infinity are refused."""
    return json.loads(text, parse_constant=refuse)


def test_the_keys_of_the_contract_come_first_and_in_order():
    plain = strict(render(factory.failing()))
    assert list(plain)[: len(TOP)] == TOP
    assert all(list(finding)[: len(FINDING)] == FINDING for finding in plain["findings"])


def test_a_finding_reads_as_the_contract_shows():
    findings = strict(render(factory.failing()))["findings"]
    shown = next(f for f in findings if f["verdict"] == "fail")
    assert (shown["rule"], shown["subject"], shown["reason"]) == (
        "axle-direction",
        "front forward",
        None,
    )
    assert (shown["measured"], shown["limit"], shown["margin"]) == (-182.0, 0.0, -182.0)
    assert (shown["uncertainty"], shown["at_s"], shown["window_s"]) == (0.5, 14.21, [13.9, 17.4])
    assert shown["signals"] == ["can1:UnitFast.MotorSpeed", "can0:Cabin.Direction"]
    assert shown["limit_source"] == "plan"


def test_format_and_capture_are_as_the_contract_says():
    plain = strict(render(factory.failing()))
    assert (plain["format"], plain["waived"], plain["not_applicable"]) == (1, 1, ["coolant-flow"])
    assert plain["capture"]["frames"] == 48211
    assert plain["capture"]["skipped"] == ["dry_spin.log:17: not a frame: 'garbage'"]
    assert plain["capture"]["skipped_count"] == 4
    assert plain["capture"]["sha256"] == "9f2c" * 16


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_unbounded_or_no_number_is_null(value):
    odd = replace(factory.TURNED_WRONG, limit=value, facts={"peak": value, "n": np.float64(value)})
    shown = strict(render(factory.whole(findings=(odd,))))["findings"][0]
    assert shown["limit"] is None
    assert shown["facts"] == {"peak": None, "n": None}


def test_numpy_values_come_out_as_plain_numbers():
    facts = {"count": np.int64(3), "each": np.array([1.5, 2.5]), "seen": np.bool_(True)}
    odd = replace(factory.TURNED_WRONG, facts=facts)
    shown = strict(render(factory.whole(findings=(odd,))))["findings"][0]
    assert shown["facts"] == {"count": 3, "each": [1.5, 2.5], "seen": True}


def test_a_gap_in_a_curve_is_null():
    speed = strict(render(factory.failing()))["plots"]["axle-direction|front forward"]["traces"][0]
    missing = [at for at, value in zip(speed["at_s"], speed["value"], strict=True) if value is None]
    assert missing
    assert all(15.2 < at < 15.9 for at in missing)


@pytest.mark.parametrize("kind", ["whole", "failing", "open_ended"])
def test_the_report_is_recovered_whole(kind):
    report = getattr(factory, kind)()
    again = recover(render(report))
    assert again == report
    assert isinstance(again.findings[0].verdict, Verdict)


def test_keys_of_a_later_version_are_left_out():
    plain = strict(render(factory.whole()))
    plain["invented_later"] = 1
    plain["findings"][0]["invented_later"] = 2
    assert recover(json.dumps(plain)) == factory.whole()


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("{", "not JSON"),
        ("[]", "not a report of format 1"),
        ('{"format": 2}', "not a report of format 1"),
        ('{"format": 1}', "not a whole report"),
        ('{"format": 1, "capture": {"skipped": []}, "verdict": "pass"}', "not a whole report"),
        ('{"format": 1, "capture": {"skipped": []}, "findings": 3}', "not a whole report"),
    ],
)
def test_what_is_no_report_is_refused_with_place_and_advice(text, what):
    with pytest.raises(ReportError) as caught:
        recover(text, name="old.json")
    assert what in caught.value.what
    assert str(caught.value).startswith("old.json")
    assert caught.value.hint


def test_a_text_that_is_no_unicode_still_gives_strict_json():
    """A file name of undecodable bytes carries lone surrogates (PEP 383)."""
    text = render(factory.whole(vehicle="odd \udc80 name"))
    data = text.encode("utf-8", "backslashreplace")
    assert strict(data.decode())["vehicle"] == "odd \udc80 name"
