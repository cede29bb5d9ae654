"""What a person reads first: worked by hand."""

from canscope.judge.first_look import look_first
from canscope.model.findings import Finding, Verdict
from canscope.model.report import Cause
from canscope.rules import RULES

RULE_BOOK = {name: RULES[name] for name in RULES}


def finding(verdict, rule, subject, *, when=None, **more):
    told = f"{rule} of {subject}."
    given = {"required": True, "reason": None, "first_failed_s": when} | more
    return Finding(rule=rule, subject=subject, verdict=Verdict(verdict), sentence=told, **given)


def cause(*names):
    return Cause("something is wrong", "look there", names)


def test_a_fault_is_told_by_what_its_diagnosis_starts_from_and_not_by_its_consequences():
    found = [
        finding("fail", "link-discharge", "front link", when=5.0),
        finding("fail", "contactor-weld", "negative pole", when=10.0),
    ]
    named = cause("contactor-weld, negative pole", "link-discharge, front link")
    assert look_first(found, [named], RULE_BOOK) == ("contactor-weld of negative pole.",)


def test_a_fail_that_no_cause_explains_is_told_as_well_once_a_rule():
    found = [
        finding("fail", "unit-fault", "front", when=9.0),
        finding("fail", "speed-ceiling", "rear", when=8.0),
        finding("fail", "speed-ceiling", "front", when=7.0),
        finding("fail", "insulation-resistance", "pack"),
    ]
    told = look_first(found, [cause("insulation-resistance, pack")], RULE_BOOK)
    assert told == (
        "insulation-resistance of pack.",
        "speed-ceiling of front.",
        "unit-fault of front.",
    )


def test_a_fail_comes_before_a_sensor_that_proves_nothing():
    found = [
        finding("unproven", "sensor-alive", "front winding", reason="sensor-suspect"),
        finding("fail", "unit-fault", "front"),
    ]
    named = [cause("sensor-alive, front winding"), cause("unit-fault, front")]
    assert look_first(found, named, RULE_BOOK) == (
        "unit-fault of front.",
        "sensor-alive of front winding.",
    )


def test_what_is_missing_takes_one_sentence_a_reason():
    ended = {"reason": "not-exercised"}
    found = [
        finding(
            "unproven", "temperature-ceiling", "front winding", doubt="ended 8.0 s after", **ended
        ),
        finding("unproven", "temperature-rise", "rear winding", doubt="ended 8.4 s after", **ended),
        finding("unproven", "link-discharge", "front link", **ended),
        finding("unproven", "rocking", "front", **ended | {"required": False}),
        finding("unproven", "bus-sag", "pack", waived="measured by hand", **ended),
        finding("pass", "speed-ceiling", "front"),
    ]
    assert look_first(found, [], RULE_BOOK) == (
        "temperature-ceiling of front winding. Unproven for the same reason: 1 more"
        " (temperature-rise).",
        "link-discharge of front link.",
    )


def test_two_sensors_that_prove_nothing_are_two_places_to_look():
    told = {"reason": "stale", "doubt": "0.5 s without one"}
    found = [
        finding("unproven", "axle-direction", "front forward", signals=("can1:F.Speed",), **told),
        finding("unproven", "axle-direction", "rear forward", signals=("can2:F.Speed",), **told),
    ]
    assert len(look_first(found, [], RULE_BOOK)) == 2


def test_a_run_that_passed_has_nothing_to_look_at():
    assert look_first([finding("pass", "bus-sag", "pack")], [], RULE_BOOK) == ()


def test_a_message_that_never_came_is_told_by_its_absence_and_once():
    missing = {"reason": "not-seen"}
    found = [
        finding("unproven", "speed-ceiling", "front", doubt="can1:Fast.Speed", **missing),
        finding("unproven", "message-presence", "can1:Fast", **missing),
        finding("unproven", "sensor-alive", "front inverter", doubt="can1:Slow.Temp", **missing),
    ]
    assert look_first(found, [cause("message-presence, can1:Fast")], RULE_BOOK) == (
        "message-presence of can1:Fast. Unproven for the same reason: 1 more (speed-ceiling).",
        "sensor-alive of front inverter.",
    )


def test_what_else_rests_on_a_message_that_never_came_is_not_told_again():
    found = [
        finding("unproven", "message-presence", "can1:Fast", reason="not-seen"),
        finding("unproven", "cycle-time", "can1:Fast", reason="not-exercised"),
    ]
    assert look_first(found, [], RULE_BOOK) == (
        "message-presence of can1:Fast. Unproven for the same reason: 1 more (cycle-time).",
    )


def test_what_stops_a_run_is_told_though_its_cause_starts_from_what_does_not():
    found = [
        finding("fail", "cold-soak", "temperatures", when=1.0),
        finding("fail", "temperature-rise", "front winding", when=2.0),
        finding("fail", "temperature-ceiling", "front winding", when=3.0),
    ]
    named = cause(*(f"{f.rule}, {f.subject}" for f in found))
    assert look_first(found, [named], RULE_BOOK) == (
        "cold-soak of temperatures.",
        "temperature-ceiling of front winding.",
    )
    # One that starts from a stop hides nothing.
    turned = cause("temperature-ceiling, front winding", "cold-soak, temperatures")
    assert look_first(found[::2], [turned], RULE_BOOK) == ("temperature-ceiling of front winding.",)


def test_what_is_missing_of_one_rule_is_named_by_its_subjects():
    ended = {"reason": "not-exercised", "doubt": "no opening was recorded"}
    found = [finding("unproven", "link-discharge", f"{u} link", **ended) for u in ("front", "rear")]
    (told,) = look_first(found, [], RULE_BOOK)
    assert told.endswith("Unproven for the same reason: 1 more (rear link).")


def test_a_link_that_is_live_at_the_end_is_told_first_where_nothing_failed():
    found = [
        finding("unproven", "axle-direction", "front forward", reason="not-exercised"),
        finding("unproven", "link-discharge", "rear link", reason="stale", code="live-at-end"),
    ]
    assert look_first(found, [cause("axle-direction, front forward")], RULE_BOOK)[0] == (
        "link-discharge of rear link."
    )


def test_what_the_diagnosis_knows_as_a_consequence_is_not_told_by_itself():
    found = [
        finding("unproven", "control-supply", "12 V", reason="inferred", code="counter-jumped"),
        finding("unproven", "cycle-time", "can0:Box", reason="inferred", code="too-often"),
        finding("unproven", "bus-sag", "pack", reason="not-exercised", code="not-exercised"),
    ]
    named = cause("cycle-time, can0:Box", "control-supply, 12 V")
    assert look_first(found, [named], RULE_BOOK) == ("cycle-time of can0:Box.", "bus-sag of pack.")


def test_a_fail_comes_first_though_its_cause_is_known_by_what_is_unproven():
    found = [
        finding("unproven", "precharge-level", "front link", reason="sensor-suspect"),
        finding("fail", "link-discharge", "rear link", when=9.0),
    ]
    named = cause("precharge-level, front link", "link-discharge, rear link")
    assert look_first(found, [named], RULE_BOOK) == (
        "link-discharge of rear link.",
        "precharge-level of front link.",
    )


def test_what_was_heard_late_on_one_bus_is_one_thing():
    late = {"reason": "stale", "code": "heard-late"}
    found = [
        finding("unproven", "bus-sag", "front link", signals=("can1:F.Link",), **late),
        finding("unproven", "speed-ceiling", "front", signals=("can1:F.Speed",), **late),
        finding("unproven", "speed-ceiling", "rear", signals=("can2:F.Speed",), **late),
    ]
    assert look_first(found, [], RULE_BOOK) == (
        "bus-sag of front link. Unproven for the same reason: 1 more (speed-ceiling).",
        "speed-ceiling of rear.",
    )


def test_a_link_that_was_live_at_the_end_is_told_whatever_failed():
    live = {"reason": "not-exercised", "code": "live-at-end"}
    found = [
        finding("fail", "speed-ceiling", "front", when=1.0),
        finding("fail", "unit-fault", "front", when=2.0),
        finding("fail", "bus-sag", "pack", when=3.0),
        finding("unproven", "link-discharge", "front link", **live),
        finding("unproven", "link-discharge", "rear link", **live),
    ]
    told = look_first(found, [], RULE_BOOK)
    assert len(told) == 3
    assert told[2] == "link-discharge of front link."
    assert look_first(found[:1] + found[3:], [], RULE_BOOK)[1:] == told[2:]


def test_what_is_in_the_way_comes_before_what_only_did_not_happen():
    found = [
        finding("unproven", "axle-direction", "rear forward", reason="not-exercised", doubt="no"),
        finding("unproven", "unasked-motion", "rear", reason="sensor-suspect", doubt="it leaps"),
    ]
    told = look_first(found, [], RULE_BOOK)
    assert told == ("unasked-motion of rear.", "axle-direction of rear forward.")


def test_clocks_that_differ_and_one_sensor_of_many_findings_are_one_thing_each():
    apart = {"reason": "capture-damaged", "code": "clocks-apart"}
    key = {"reason": "sensor-suspect", "doubt": "can0:Box.Positive still said closed 3 s after"}
    found = [
        finding("unproven", "link-discharge", "front link", doubt="one thing", **apart),
        finding("unproven", "precharge-level", "front link", doubt="another", **apart),
        finding("unproven", "bus-sag", "pack", signals=("can0:Pack.Voltage",), **key),
        finding("unproven", "bus-sag", "front link", signals=("can1:F.Link",), **key),
    ]
    assert len(look_first(found, [], RULE_BOOK)) == 2
