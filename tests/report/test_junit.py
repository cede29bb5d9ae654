"""JUnit XML, read back with the standard library's XML parser; counts by hand from the factory."""

import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest

from canscope.report.junit import render
from tests.report import factory


def suite(report):
    return ET.fromstring(render(report).encode())


def case(report, rule, subject):
    cases = suite(report).iter("testcase")
    return next(c for c in cases if (c.get("classname"), c.get("name")) == (rule, subject))


def test_the_suite_carries_the_attributes_that_readers_expect():
    """check-values.md: testsuite needs name, tests, failures, errors, skipped, time."""
    read = suite(factory.failing())
    assert read.tag == "testsuite"
    assert {"name", "tests", "failures", "errors", "skipped", "time"} <= set(read.attrib)
    assert all({"name", "classname", "time"} <= set(c.attrib) for c in read.iter("testcase"))
    assert (read.get("name"), read.get("time")) == ("canscope", "94.500")


@pytest.mark.parametrize(
    ("kind", "expected"),
    # 8 on axles + 12 others + sag + heat + cold-soak + insulation = 24; cold-soak is not required
    # and insulation is accepted: both skipped. Discharge and one witness are required: errors.
    [
        ("whole", {"tests": 24, "failures": 0, "errors": 0, "skipped": 2}),
        ("failing", {"tests": 25, "failures": 1, "errors": 2, "skipped": 2}),
        ("open_ended", {"tests": 25, "failures": 0, "errors": 1, "skipped": 2}),
    ],
)
def test_the_counts_are_those_of_the_cases(kind, expected):
    read = suite(getattr(factory, kind)())
    counted = {
        "tests": len(read.findall("testcase")),
        "failures": len(read.findall("testcase/failure")),
        "errors": len(read.findall("testcase/error")),
        "skipped": len(read.findall("testcase/skipped")),
    }
    assert counted == expected
    assert {name: int(read.get(name)) for name in expected} == expected


def test_a_fail_says_its_sentence_and_its_numbers():
    failure = case(factory.failing(), "axle-direction", "front forward").find("failure")
    assert failure.get("message") == factory.TURNED_WRONG.sentence
    assert "measured -182.00 ± 0.50 rpm, limit 0 rpm (plan), margin -182 rpm" in failure.text
    assert "mark the front axle flange" in failure.text


def test_required_and_unproven_is_an_error_with_its_reason():
    error = case(factory.failing(), "link-discharge", "front link").find("error")
    assert error.get("type") == "stale"
    assert error.get("message") == "its values stopped coming in time"


def test_accepted_and_not_required_are_skipped_with_the_reason():
    accepted = case(factory.whole(), "insulation-resistance", "pack").find("skipped")
    assert accepted.get("message").endswith("accepted by A. Tester")
    assert case(factory.whole(), "cold-soak", "front winding").find("skipped") is not None


def test_a_waiver_never_hides_a_fail():
    odd = replace(factory.TURNED_WRONG, waived="looks fine to me", waived_by="A. Tester")
    read = suite(factory.whole(findings=(odd,)))
    assert (read.get("failures"), read.get("skipped")) == ("1", "0")


def test_any_text_gives_valid_xml():
    """XML 1.0, 2.2: most control characters, lone surrogates and U+FFFE cannot stand in it."""
    nasty = "".join(map(chr, range(0x20))) + "\x7f\ud800\udfff\ufffe\uffff]]>&<\"'\U0001f600"
    odd = replace(factory.TURNED_WRONG, subject=nasty, sentence=nasty, causes=(nasty,))
    read = suite(factory.whole(findings=(odd,), vehicle=nasty, headline=nasty))
    kept = "\t\n\r\x7f]]>&<\"'\U0001f600"
    assert next(read.iter("testcase")).get("name") == kept
    assert kept.replace("\r", "\n") in next(read.iter("failure")).text
