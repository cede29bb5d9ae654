"""Diagnosis: patterns of findings worked by hand (common practice, no source), and near misses.

That each simulated fault finds its true cause is shown by the fault matrix.
"""

import pytest

from canscope.judge.causes import TABLE
from canscope.judge.causes.pattern import is_named
from canscope.judge.diagnosis import MOST, diagnose
from canscope.model.findings import Finding, Verdict
from canscope.rules import RULES

AGAINST = "against-request"
BOTH_WRONG = [
    ("fail", "axle-direction", "front forward", AGAINST),
    ("fail", "axle-direction", "front reverse", AGAINST),
]


def causes(*told, units=("front", "rear"), required=True, waived=""):
    findings = [
        Finding(
            rule=rule,
            subject=subject,
            verdict=Verdict(verdict),
            reason=None,
            required=required,
            waived=waived,
            sentence="",
            code=code,
            causes=RULES[rule].causes if verdict == "fail" else (),
            next=RULES[rule].next,
        )
        for verdict, rule, subject, code in told
    ]
    return diagnose(findings, units, {name: RULES[name] for name in RULES})


def test_both_directions_wrong_while_torque_and_motion_agree_is_mounting_or_a_sign():
    found = causes(*BOTH_WRONG, ("pass", "torque-response", "front", ""))
    assert "mounting" in found[0].cause
    assert "sign" in found[0].cause
    assert "by hand" in found[0].check
    assert found[0].findings == ("axle-direction, front forward", "axle-direction, front reverse")


def test_one_direction_wrong_is_no_mounting():
    found = causes(BOTH_WRONG[0], ("pass", "axle-direction", "front reverse", ""))
    assert "controller does not take the request for forward" in found[0].cause
    assert "codes for the direction" in found[1].cause


def test_a_fail_of_no_pattern_is_told_with_the_causes_of_its_rule_in_their_order():
    found = causes(("fail", "brake-interlock", "driver", ""))
    assert [cause.cause for cause in found] == [*RULES["brake-interlock"].causes[:3]]
    assert {cause.check for cause in found} == {RULES["brake-interlock"].next}


def test_a_node_that_went_off_the_bus_is_first_a_matter_of_wires():
    found = causes(("fail", "error-frames", "can1", "bus-off"))
    assert "termination of can1" in found[0].cause


def test_a_few_wrong_checksums_are_no_wrong_profile():
    few = causes(("fail", "checksum", "front", "some-frames"))
    every = causes(("fail", "checksum", "front", "every-frame"))
    assert "another node" in few[0].cause
    assert "data_id" in every[0].cause


def test_what_a_person_saw_tells_a_wrong_reading_from_a_wrong_turning_wheel():
    seen = [("axle-witness", f"front {direction}") for direction in ("forward", "reverse")]
    wheel = causes(*BOTH_WRONG, *(("pass", *who, "") for who in seen))
    reading = causes(*BOTH_WRONG, *(("fail", *who, "wheel-turned-other-way") for who in seen))
    assert "controller asks for the wrong sense" in wheel[0].cause
    assert "definition" in reading[0].cause


def test_rotation_against_the_command_while_drawing_power_is_position_sensor_or_phase_order():
    found = causes(
        *BOTH_WRONG,
        ("fail", "torque-response", "front", ""),
        ("fail", "power-balance", "power", ""),
    )
    assert "position sensor" in found[0].cause
    assert "phases" in found[0].cause
    assert not any("mounting" in cause.cause for cause in found)


@pytest.mark.parametrize(
    ("code", "word", "not_word"),
    [
        ("plateau", "load on the link", "welded"),
        ("hardly-rose", "path is open", "welded"),
        ("step", "resistor is bypassed", "heater"),
        ("other-time-constant", "resistor fitted", "welded"),
    ],
)
def test_the_shape_of_the_ramp_tells_load_from_weld_from_resistor(code, word, not_word):
    found = causes(("fail", "precharge-curve", "front link", code))
    assert word in found[0].cause
    assert not any(not_word in cause.cause for cause in found)


def test_errors_that_begin_as_a_unit_is_enabled_are_shielding_and_ground():
    found = causes(("fail", "error-frames", "can1", "as-a-unit-turned"))
    assert all(word in found[0].cause for word in ("shield", "ground"))
    later = causes(("fail", "error-frames", "can1", ""))
    assert not any("shield" in cause.cause for cause in later)


def test_a_bus_that_falls_silent_as_a_whole_is_told_from_one_of_its_nodes():
    silent = [("fail", "cycle-time", f"can1:{name}", "") for name in ("Fast", "Slow")]
    other = ("pass", "cycle-time", "can0:Box", "")
    whole = causes(*silent, other)
    assert any("wiring of can1" in cause.cause for cause in whole)
    part = causes(*silent, other, ("pass", "cycle-time", "can1:Third", ""))
    assert "a node on can1" in part[0].cause
    assert not any("wiring of can1" in cause.cause for cause in part)


def test_a_bus_on_which_no_message_came_is_told_from_a_message_that_did_not():
    missing = [
        ("unproven", "message-presence", f"can1:{name}", "not-seen") for name in ("Fast", "Slow")
    ]
    assert "channels are exchanged" in causes(*missing)[0].cause
    seen = ("pass", "message-presence", "can1:Third", "")
    assert "the node that sends it" in causes(*missing, seen)[0].cause


def test_all_axles_against_the_request_together_are_the_selector_and_not_the_units():
    told = [
        ("fail", "axle-direction", f"{unit} {way}", AGAINST)
        for unit in ("front", "rear")
        for way in ("forward", "reverse")
    ]
    together = causes(*told, ("pass", "axle-agreement", "front and rear", ""))
    assert "direction codes" in together[0].cause
    one = causes(
        *told[:2],
        ("pass", "axle-direction", "rear forward", ""),
        ("fail", "axle-agreement", "front and rear", ""),
    )
    assert not any("direction codes" in cause.cause for cause in one)


def test_a_wheel_that_stands_while_can_says_it_turns_is_exchanged_buses_or_an_open_driveline():
    found = causes(("fail", "axle-witness", "front forward", "wheel-stood-still"))
    assert "buses of two units are exchanged" in found[0].cause
    assert "its wheels do not" in found[1].cause
    other = causes(("fail", "axle-witness", "front forward", "wheel-turned-other-way"))
    assert not any("driveline" in cause.cause or "its wheels" in cause.cause for cause in other)


def test_the_same_fault_of_two_units_takes_one_place():
    found = causes(("fail", "speed-ceiling", "front", ""), ("fail", "speed-ceiling", "rear", ""))
    assert "in the controller (front and rear)" in found[0].cause
    assert found[0].findings == ("speed-ceiling, front", "speed-ceiling, rear")
    assert len(found) == 2


def test_what_a_run_need_not_prove_needs_no_cause():
    stuck = ("unproven", "sensor-alive", "front winding", "never-changed")
    assert "stuck" in causes(stuck)[0].cause
    assert causes(stuck, required=False) == ()
    assert causes(stuck, waived="measured by hand") == ()


def test_efficiency_above_one_is_a_factor_or_sign():
    found = causes(("fail", "power-balance", "power", ""))
    assert any("sign" in c.cause for c in found)
    assert any("factor" in c.cause for c in found)


def test_a_factor_comes_before_a_sign_where_both_powers_have_one_sign():
    assert "factor" in causes(("fail", "power-balance", "power", "wrong-scale"))[0].cause
    assert "wrong sign" in causes(("fail", "power-balance", "power", ""))[0].cause


def test_voltages_that_agree_far_from_nominal_have_one_factor_in_common():
    alike = ("fail", "voltage-agreement", "pack", "wrong-scale")
    assert "all voltages" in causes(alike)[0].cause
    alone = causes(alike, ("fail", "voltage-agreement", "front link", ""))
    assert "the pack's voltage" in alone[0].cause


def test_all_axles_alike_may_be_exchanged_buses():
    both = [
        ("fail", "axle-direction", f"{unit} {way}", "against-request")
        for unit in ("front", "rear")
        for way in ("forward", "reverse")
    ]
    found = causes(*both, ("pass", "axle-agreement", "front and rear", ""))
    assert any("buses of the axles are exchanged" in cause.cause for cause in found)


def test_a_unit_alone_that_repeats_its_frame_has_nobody_to_acknowledge_it():
    found = causes(("fail", "error-frames", "can1", "no-acknowledge"))
    assert "nobody acknowledges" in found[0].cause


def test_a_brown_out_explains_the_node_that_falls_silent_with_it():
    found = causes(
        ("fail", "control-supply", "12 V", ""), ("fail", "cycle-time", "can0:ContactorBox", "")
    )
    assert "12 V battery" in found[0].cause
    assert "cycle-time, can0:ContactorBox" in found[0].findings
    assert not any("bus plug" in cause.cause for cause in found)


def test_a_weld_explains_a_link_that_stays_live():
    found = causes(
        ("fail", "contactor-weld", "negative pole", ""),
        ("fail", "link-discharge", "front link", ""),
    )
    assert len(found) == 1
    assert "negative contactor has welded" in found[0].cause


def test_two_faults_take_turns():
    found = causes(
        ("fail", "insulation-resistance", "pack", ""), ("fail", "link-discharge", "front link", "")
    )
    assert len(found) == MOST
    assert {"insulation-resistance, pack", "link-discharge, front link"} == {
        name for cause in found[:2] for name in cause.findings
    }


def test_one_units_fault_is_not_told_of_the_other():
    found = causes(("fail", "torque-response", "rear", ""))
    assert all("rear unit" in cause.cause for cause in found)


def test_names_with_signs_in_them_are_taken_as_they_are():
    told = [
        (verdict, rule, subject.replace("front", "f[1]*"), s)
        for verdict, rule, subject, s in BOTH_WRONG
    ]
    assert "f[1]* unit" in causes(*told, units=["f[1]*", "f1x"])[0].cause


def test_what_no_pattern_knows_gets_its_rules_own_first_cause():
    found = causes(("fail", "unit-fault", "front", ""))
    assert (found[0].cause, found[0].check) == (
        RULES["unit-fault"].causes[0],
        RULES["unit-fault"].next,
    )


def test_a_run_without_a_fault_has_no_cause():
    assert causes(("pass", "bus-sag", "pack", ""), ("unproven", "bus-sag", "front link", "")) == ()


def test_every_row_names_rules_that_exist_and_a_check_for_each_cause():
    for row in TABLE:
        rules = [sign.rule for sign in (*row.when, *row.unless)]
        rules += [entry.partition("|")[0] for entry in row.explains]
        assert all(rule in RULES or any(r.startswith(rule[:-1]) for r in RULES) for rule in rules)
        assert 1 <= len(row.causes) <= MOST
        assert all(cause and check for cause, check in row.causes)


@pytest.mark.parametrize(
    ("name", "pattern", "is_so"),
    [
        ("front forward", "front *", True),
        ("front forward", "front", False),
        ("can1", "can1", True),
        ("can1", "*", True),
        ("a[1] link", "a[[]1] link", True),  # a unit may be called anything: glob.escape
        ("a[[]1] link", "a[[]1] link", False),
    ],
)
def test_names_have_patterns_as_files_have_them_in_a_shell(name, pattern, is_so):
    assert is_named(name, pattern) is is_so


def lacking(code, *subjects, rule="precharge-level"):
    return [("unproven", rule, subject, code) for subject in subjects]


def test_a_link_that_stepped_as_positive_closed_was_empty_and_not_charged_already():
    found = causes(("fail", "precharge-curve", "front link", "step-at-positive"))
    assert "path is open" in found[0].cause
    assert "contacts of positive" in found[0].check
    assert not any("already charged" in cause.cause for cause in found)


def test_a_pack_that_is_empty_before_the_contactors_close_is_bound_behind_them():
    told = [
        ("fail", "bus-sag", "pack", "without-load"),
        ("fail", "source-resistance", "pack", ""),
        *lacking("behind-contactors", "front link", "rear link"),
    ]
    found = causes(*told)
    assert "behind the contactors" in found[0].cause
    assert not any("joint" in cause.cause for cause in found)
    assert "bus-sag, pack" in found[0].findings


def test_pack_and_link_in_each_others_place_are_exchanged_and_no_bleed_is_at_fault():
    found = causes(
        ("fail", "link-discharge", "rear link", ""),
        ("fail", "source-resistance", "pack", ""),
        *lacking("behind-contactors", "pack", "front link", rule="voltage-ceiling"),
        *lacking("holds-open", "rear link"),
    )
    assert "exchanges pack.voltage and the rear unit's link_voltage" in found[0].cause
    assert "treat the link as live" in found[0].check
    assert len(found) == 1  # the second link that rests on the pack is no other fault


def test_a_voltage_that_falls_while_nothing_is_drawn_is_no_joint():
    idle = causes(("fail", "bus-sag", "pack", "without-load"))
    assert "circuit opened" in idle[0].cause
    assert not any("joint in" in cause.cause for cause in idle)
    link = ("fail", "bus-sag", "front link", "without-load")
    assert "contactor let go" in causes(link, ("pass", "bus-sag", "pack", ""))[0].cause


def test_12_V_that_are_never_enough_for_nodes_that_talk_are_first_a_wrong_factor():
    dip = ("fail", "control-supply", "12 V", "")
    found = causes(dip, ("fail", "supply-range", "12 V", "always-low"))
    assert "wrong factor" in found[0].cause
    assert "flat" in found[1].cause
    assert len(found[0].findings) == 2
    assert "tired" in causes(dip)[0].cause


def test_a_supply_of_nothing_is_a_missing_reading_for_the_node_that_tells_it_talks():
    dip = ("fail", "control-supply", "12 V", "")
    found = causes(dip, ("fail", "supply-range", "12 V", "nothing-read"))
    assert "reading is missing" in found[0].cause
    assert len(found[0].findings) == 2


def test_states_in_each_others_place_are_told_before_a_bleed_that_is_broken():
    live = ("fail", "link-discharge", "front link", "")
    also = [("fail", "current-while-open", "pack", ""), ("fail", "contactor-sequence", "c", "")]
    found = causes(live, *also)
    assert "states of two contactors are exchanged" in found[0].cause
    assert len(found[0].findings) == 3
    assert "active bleed" in causes(live)[0].cause
    welded = causes(live, *also, ("fail", "contactor-weld", "negative pole", ""))
    assert "has welded" in welded[0].cause


@pytest.mark.parametrize(
    ("rule", "code", "words"),
    [
        ("contactor-sequence", "echo", "an echo of the command"),
        ("speed-ceiling", "wrong-factor", "rad/s"),
        ("current-ceiling", "suspect-current", "wrong factor, sign or zero"),
    ],
)
def test_an_echo_and_a_wrong_scale_are_offered_where_nothing_failed(rule, code, words):
    assert words in causes(*lacking(code, "front", rule=rule))[0].cause


def test_a_temperature_that_jumps_is_first_a_bad_contact():
    fast = ("fail", "temperature-rate", "front winding", "")
    jumped = lacking("jumped", "front winding", rule="sensor-alive")
    assert "bad contact" in causes(fast, *jumped)[0].cause
    assert "draws current" in causes(fast)[0].cause
    other = lacking("jumped", "rear winding", rule="sensor-alive")
    dead = lacking("never-changed", "front inverter", rule="sensor-alive")
    hot = ("fail", "temperature-ceiling", "front winding", "")
    for beside in (other, dead, [*jumped, hot]):
        assert "bad contact" not in causes(fast, *beside)[0].cause


def test_turning_in_neutral_may_be_the_selectors_own_signal():
    found = causes(("fail", "unasked-motion", "front", "in-neutral"))
    assert "an input other than pedal" in found[0].cause
    assert "the selector's signal says neutral" in found[1].cause


def test_a_run_judged_by_the_plan_of_another_stage_is_told_from_a_unit_that_runs_by_itself():
    also = [("fail", "nothing-turns", "rear", ""), ("fail", "dry-exposure", "rear", "")]
    asked = causes(("fail", "unasked-motion", "rear", "asked-in-power-up"), *also)
    assert "a stage in which axles are spun" in asked[0].cause
    assert set(asked[0].findings) > {"nothing-turns, rear", "dry-exposure, rear"}
    alone = causes(("fail", "unasked-motion", "rear", "in-power-up"), *also)
    assert "asked for torque as soon as" in alone[0].cause


def test_a_speed_that_comes_late_is_no_axle_that_is_held():
    stalled = ("fail", "axle-direction", "rear forward", "stalled")
    apart = lacking("apart", "rear", rule="unasked-motion")
    assert "speed comes late" in causes(stalled, *apart)[0].cause
    assert "a brake binds" in causes(stalled)[0].cause
    other = lacking("apart", "front", rule="unasked-motion")
    assert "a brake binds" in causes(stalled, *other)[0].cause


def test_positive_before_negative_with_the_link_empty_is_first_an_exchange():
    found = causes(
        ("fail", "contactor-sequence", "contactors", "positive-first"),
        ("fail", "precharge-level", "front link", ""),
        ("fail", "precharge-curve", "front link", "charged-before"),
        ("fail", "current-while-open", "pack", ""),
    )
    assert "exchanged" in found[0].cause
    assert len(found[0].findings) == 4
    assert "close positive first" in found[1].cause


def test_a_pack_that_gives_nothing_is_no_wrong_sign():
    found = causes(("fail", "power-balance", "power", "nothing-in"))
    assert "not measured" in found[0].cause
    assert not any("sign" in cause.cause for cause in found)


def test_a_reading_that_does_not_move_is_told_before_a_unit_that_creeps():
    creeps = [("fail", "pedal-at-rest", "front", ""), ("fail", "unasked-motion", "front", "")]
    dead = causes(*creeps, ("unproven", "pedal-at-rest", "pedal", "suspect-input"))
    assert "pedal's reading does not move" in dead[0].cause
    assert "press the pedal" in dead[0].check
    assert "creep is on" in causes(*creeps)[0].cause


def test_what_is_unproven_and_not_required_is_evidence_beside_a_fail_only():
    told = {"required": False}
    pedal = ("unproven", "pedal-at-rest", "pedal", "suspect-input")
    assert "does not move" in causes(("fail", "pedal-at-rest", "front", ""), pedal, **told)[0].cause
    assert causes(("unproven", "cycle-time", "can0:Box", "too-often"), **told) == ()


def test_all_axles_that_turn_together_against_one_request_are_the_selectors_reading():
    told = [("fail", "axle-direction", f"{unit} forward", AGAINST) for unit in ("front", "rear")]
    also = [("fail", "unasked-motion", unit, "against-request") for unit in ("front", "rear")]
    found = causes(*told, *also, ("pass", "axle-agreement", "front and rear", ""))
    assert "selector's reading stays at forward" in found[0].cause
    assert len(found[0].findings) == 4
    alone = causes(told[0], also[0], units=("front",))
    assert "does not follow the selector" in alone[0].cause


def test_two_axles_of_one_sensor_are_one_cause():
    found = causes(
        ("fail", "torque-response", "rear", ""),
        ("fail", "axle-direction", "rear forward", AGAINST),
        ("unproven", "axle-witness", "front forward", "same-sensor"),
        ("unproven", "speed-ceiling", "front", "same-sensor"),
    )
    assert [cause.cause[:10] for cause in found] == ["the speeds"]


def test_a_link_that_came_alive_again_is_fed_by_something_and_no_slow_bleed():
    for code in ("live-again", "fed-again", "live-before"):
        found = causes(("fail", "link-discharge", "front link", code))
        assert "feeds the link" in found[0].cause
        assert "treat the link as live" in found[0].check
    assert "bleed" in causes(("fail", "link-discharge", "front link", ""))[0].cause


def test_a_link_whose_values_leave_their_range_is_read_by_a_wrong_definition():
    found = causes(
        ("fail", "link-discharge", "middle link", "live-again"),
        ("fail", "precharge-curve", "middle link", "charged-before"),
        ("fail", "voltage-ceiling", "middle link", ""),
        ("unproven", "bus-sag", "middle link", "out-of-range"),
        units=("middle",),
    )
    assert "byte order" in found[0].cause
    assert "as live" in found[0].check
    assert len(found) == 1


def test_12_V_that_sink_all_the_time_lack_their_converter():
    found = causes(("fail", "control-supply", "12 V", ""), ("fail", "supply-range", "12 V", ""))
    assert "converter does not run" in found[0].cause


def test_a_current_beside_empty_links_flows_through_no_contactor():
    found = causes(("fail", "current-while-open", "pack", "links-empty"))
    assert "offset" in found[0].cause
    assert not any("welded" in cause.cause for cause in found)
    assert "welded" in causes(("fail", "current-while-open", "pack", ""))[0].cause


def test_a_stop_that_never_read_released_is_first_a_reading_the_other_way_round():
    found = causes(("fail", "emergency-stop", "emergency stop", "never-released"))
    assert "the other way round" in found[0].cause
    assert "contactors open" in found[0].check


def test_lost_frames_are_told_once_though_two_rules_count_them():
    found = causes(
        ("fail", "cycle-time", "can2:UnitFast", "frames-missing"),
        ("fail", "alive-counter", "rear", "frames-lost"),
    )
    assert "loses frames" in found[0].cause
    assert not any("hangs" in cause.cause for cause in found)


def test_temperatures_in_degF_are_told_before_a_unit_that_was_hot():
    hot = ("fail", "temperature-ceiling", "front winding", "")
    found = causes(("fail", "cold-soak", "temperatures", "as-fahrenheit"), hot)
    assert "degF" in found[0].cause
    assert "still hot" in causes(("fail", "cold-soak", "temperatures", ""), hot)[0].cause
    warmed = causes(("fail", "cold-soak", "temperatures", "warmed"))
    assert "unit that stands" in warmed[0].cause


def test_axles_that_roll_at_different_speeds_are_no_wrong_mounting():
    found = causes(("fail", "axle-agreement", "front and rear", "speeds-differ"))
    assert "gear ratio" in found[0].cause
    assert not any("mounting" in cause.cause for cause in found)


def test_a_person_who_saw_the_wheel_turn_knows_better_than_a_speed_that_stands():
    stalled = ("fail", "axle-direction", "rear forward", "stalled")
    found = causes(stalled, ("unproven", "axle-witness", "rear forward", "sensor-suspect"))
    assert "speed is not read" in found[0].cause


def test_a_pack_that_falls_while_the_links_hold_is_a_reading():
    sag = ("fail", "bus-sag", "pack", "without-load")
    assert "reading fails" in causes(sag, ("pass", "bus-sag", "front link", ""))[0].cause
    assert "reading fails" in causes(sag, ("fail", "voltage-agreement", "front link", ""))[0].cause
    assert "circuit opened" in causes(sag, ("fail", "bus-sag", "front link", ""))[0].cause


def test_voltages_beyond_what_their_signals_allow_have_a_wrong_factor():
    over = ("fail", "voltage-ceiling", "front link", "")
    found = causes(over, ("fail", "value-range", "can0:Pack.Voltage", "end-code"))
    assert "wrong factor" in found[0].cause


def test_a_negative_contactor_that_closes_again_let_go():
    found = causes(("fail", "contactor-sequence", "contactors", "closed-again"))
    assert "let go" in found[0].cause


def test_a_stop_that_is_ignored_may_be_another_signal():
    found = causes(("fail", "emergency-stop", "emergency stop", "ignored"))
    assert "coil circuit" in found[0].cause
    assert "not the button's" in found[1].cause


def test_what_failed_is_explained_before_what_is_only_unproven():
    found = causes(
        ("fail", "precharge-curve", "front link", "step-at-positive"),
        ("unproven", "pedal-at-rest", "front", "clocks-apart"),
    )
    assert ["empty link" in found[0].cause, "clocks" in found[1].cause] == [True, True]


CHECKS = [check for row in TABLE for _, check in row.causes] + [RULES[name].next for name in RULES]
# What a hand must not do on a live vehicle, and what has to stand beside it.
RISKS = {
    "by hand": ("contactors open", "power off", "high voltage off", "warm the sensor"),
    "unplug": ("contactors open", "power off", "dead", "adapter"),
    "rated instrument": ("qualified person",),
    "milliohm": ("dead",),
    "measure the resist": ("isolated", "dead", "cold"),
    "feel ": ("dead",),
}


@pytest.mark.parametrize("word", RISKS)
def test_no_check_sends_a_hand_to_what_may_be_live_or_turn(word):
    found = [check for check in CHECKS if word in check]
    assert found
    unsafe = [check for check in found if not any(safe in check for safe in RISKS[word])]
    assert unsafe == []
