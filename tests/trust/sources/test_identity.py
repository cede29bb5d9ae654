"""A J1939 message that its definition takes from any source address (FE): of two senders the one
that died hides behind the other, so nothing that rests on it may pass.

That FE in a definition means any source: common practice, no source.
"""

import pytest

from canscope.model.bench import Kind
from canscope.model.outcome import Subject
from canscope.model.tables import Flag
from canscope.trust.sources.identity import Senders
from tests.rules.frames import Row, bench_of, judge, message

GROUP = 0x0CF00400
ROLES = {"units.front.speed": ("can0:Fast.Speed", Kind.NUMBER)}


def senders(*chunks):
    seen = Senders()
    for chunk in chunks:
        seen.add({key: frozenset(addresses) for key, addresses in chunk.items()})
    defined = [fast(0xFE)]
    subject = Subject("front", needs=("units.front.speed",), shows=("units.front.speed",))
    return seen.doubts(bench_of(defined, ROLES), subject)


def test_senders_add_up_over_the_chunks_and_are_told_once_a_role():
    assert senders({"can0:Fast": {0x21}}, {"can0:Fast": {0x21}}) == []
    (doubt,) = senders({"can0:Fast": {0x27}}, {}, {"can0:Fast": {0x21}})
    assert (doubt.subject, doubt.reason) == ("front", "sensor-suspect")
    assert "came from 2 source addresses (21, 27)" in doubt.text


def test_senders_of_messages_that_nothing_rests_on_are_no_matter():
    assert senders({"can0:Other": {0x21, 0x27}}) == []


def test_of_many_senders_the_first_eight_are_named():
    (doubt,) = senders({"can0:Fast": range(9)})
    assert "came from 9 source addresses (00, 01, 02, 03, 04, 05, 06, 07)" in doubt.text


def fast(source):
    signals = {"Speed": (0, 16)}
    return message("Fast", GROUP | source, 8, signals, cycle_s=0.1, extended=True, j1939=True)


def sent(source, until_s, speed=0):
    data = speed.to_bytes(2, "little") + bytes(6)
    times = (n / 10 for n in range(round(until_s * 10)))
    return [Row(at + source / 1e4, "can0", GROUP | source, data, Flag.EXTENDED) for at in times]


def verdict(rule, rows, source=0xFE, **more):
    rows = sorted(rows, key=lambda row: row.at_s)
    defined = [fast(source)]
    findings = judge(rule, rows, defined, bench_of(defined, ROLES), **more)
    return findings[{"speed-ceiling": "front"}.get(rule, "can0:Fast")]


RULES = ("cycle-time", "message-presence", "speed-ceiling")
LIMITS = {"speed-ceiling": {"rules": {"speed_rpm": 1000.0}}}


@pytest.mark.parametrize("rule", RULES)
def test_a_sender_that_died_behind_another_is_no_pass(rule):
    finding = verdict(rule, sent(0x21, 2, 500) + sent(0x27, 9, 400), **LIMITS.get(rule, {}))
    assert (finding.verdict, finding.reason) == ("unproven", "sensor-suspect")
    assert "came from 2 source addresses (21, 27)" in finding.sentence
    assert "write the address of the one that is meant" in finding.sentence


@pytest.mark.parametrize("rule", RULES)
def test_a_single_sender_passes_as_ever(rule):
    rows = [sent(0x21, 9, 8 * n)[n] for n in range(90)]
    assert verdict(rule, rows, **LIMITS.get(rule, {})).verdict == "pass"


def test_with_its_address_in_the_definition_the_dead_one_fails():
    rows = sent(0x21, 2) + sent(0x27, 9)
    assert verdict("cycle-time", rows, source=0x21).verdict == "fail"
    assert verdict("cycle-time", rows, source=0x27).verdict == "pass"


def test_a_fail_stays_a_fail():
    rows = sent(0x21, 9) + sent(0x27, 9, 5000)
    assert verdict("speed-ceiling", rows, **LIMITS["speed-ceiling"]).verdict == "fail"


def test_it_does_not_matter_how_the_run_is_cut():
    rows = sent(0x21, 2) + sent(0x27, 9)
    whole = verdict("cycle-time", rows)
    for cuts in ([1.0, 2.05, 5.0], "each"):
        assert verdict("cycle-time", rows, cuts=cuts) == whole
