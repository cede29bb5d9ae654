"""Loading plans: the contract's example key by key, then what must not load.

Expected values are what the example in design.md section 5 says, with conversions done by hand.
"""

import hashlib

import numpy as np
import pytest

from canscope.model.bench import Kind, Mounting
from canscope.model.errors import PlanError
from canscope.plan.load import read_plan
from canscope.plan.plan import PlanMark, Waiver
from canscope.rules import RULES
from canscope.trust.samples.no_value_codes import absent_rows
from tests.plan.example import FRONT, PLAN, REAR, changed, lay_out


@pytest.fixture
def plan(tmp_path):
    return read_plan(lay_out(tmp_path))


def loaded(folder, *swaps, **files):
    return read_plan(lay_out(folder, changed(*swaps), **files))


def mistakes(folder, *swaps, **files):
    with pytest.raises(PlanError) as error:
        loaded(folder, *swaps, **files)
    return [str(mistake) for mistake in error.value.mistakes]


def test_every_section_of_the_contract_example_is_read(plan):
    bench = plan.bench
    assert (bench.stage, bench.vehicle) == ("dry-spin", "Bramble, forestry 4x4")
    assert (bench.coolant, bench.oil, bench.cold, bench.ambient_degC) == (
        "empty",
        "empty",
        True,
        17.0,
    )
    assert (bench.nominal_voltage_V, bench.maximum_voltage_V, bench.ac_protected) == (
        358,
        409,
        True,
    )
    assert (bench.precharge_resistor_ohm, bench.link_capacitance_F) == (40, 0.001)
    assert (bench.bleed, bench.creep) == ("active", False)
    assert bench.buses == ("can0", "can1", "can2")
    assert bench.bitrates == {"can0": 500_000, "can1": 500_000, "can2": 500_000}
    assert {"pack", "contactors", "supply", "driver", "units", "cooling"} <= bench.sections
    assert plan.job["tester"] == "workshop bay 2"
    assert [unit.name for unit in bench.units] == ["front", "rear"]
    front = bench.unit("front")
    assert (front.gear_ratio, front.mounting, front.phases_swapped) == (
        9.1,
        Mounting(yaw=180),
        True,
    )
    assert front.sign == 1  # turned end for end and phases swapped: two reversals cancel
    assert (front.temperatures, front.lubrication_caution) == (("inverter", "winding"), True)


def test_every_role_of_the_example_is_bound(plan):
    pack = ("pack.voltage", "pack.current", "pack.insulation")
    box = ("contactors.negative", "contactors.precharge", "contactors.positive")
    driver = ("ignition", "brake", "pedal", "pedal_2", "emergency_stop", "direction")
    words = ("speed", "torque", "link_voltage", "fault", "alive", "checksum")
    words += ("temperatures.inverter", "temperatures.winding")
    roles = {*pack, *box, "supply.voltage", "cooling.flow", *(f"driver.{w}" for w in driver)}
    roles |= {f"units.{unit}.{word}" for unit in ("front", "rear") for word in words}
    assert set(plan.bench.bindings) == roles
    assert plan.wanted == {binding.key for binding in plan.bench.bindings.values()}


def test_bindings_say_kind_unit_step_codes_and_cycle(plan):
    bound = plan.bench.bindings
    insulation = bound["pack.insulation"]  # 1 kOhm a bit
    assert (insulation.unit, insulation.factor, insulation.half_step) == ("ohm", 1000.0, 500.0)
    assert bound["units.front.speed"].half_step == 0.25  # 0.5 rpm a bit
    assert bound["pack.voltage"].cycle_ns == 20_000_000  # GenMsgCycleTime 20 ms
    assert bound["driver.brake"].cycle_ns is None
    assert (bound["driver.brake"].kind, bound["driver.brake"].codes) == (Kind.STATE, {1: 1, 0: 0})
    assert bound["driver.direction"].codes == {1: 1.0, 2: -1.0, 0: 0.0}
    assert bound["units.rear.fault"].options == {"ok": (0,)}
    assert bound["units.rear.alive"].options == {"modulus": 16}
    assert bound["units.rear.checksum"].options == {"profile": "crc8-sae-j1850"}


def test_a_bus_policy_spares_counters_and_checksums(plan):
    bound = plan.bench.bindings
    assert bound["units.front.link_voltage"].signal.absent.kind == "j1939"
    assert bound["units.front.alive"].signal.absent.kind == "none"
    assert bound["units.front.checksum"].signal.absent.kind == "none"
    assert bound["units.rear.link_voltage"].signal.absent.kind == "none"
    # What is decoded follows the same policy as what is bound.
    decoded = plan.definitions.signals()["can1:UnitFast.Checksum"]
    assert decoded.absent.kind == "none"


def test_the_bench_knows_the_messages_that_roles_rest_on(plan):
    messages = plan.bench.messages
    assert set(messages) == {b.signal.message_key for b in plan.bench.bindings.values()}
    fast = messages["can1:UnitFast"]  # BO_ 512 UnitFast: 8
    assert (fast.can_id, fast.extended, fast.length) == (512, False, 8)


def test_limits_and_rule_tables_reach_the_rules(plan):
    rules = plan.rules
    assert set(rules) == set(RULES)
    assert (rules["dry-exposure"].burst_s, rules["dry-exposure"].total_s) == (5.0, 60.0)
    assert rules["current-ceiling"].dry_current_A == 30.0
    assert rules["speed-ceiling"].speed_rpm == 1500.0
    assert rules["temperature-ceiling"].ceiling_degC == {"inverter": 75.0, "winding": 110.0}
    # The forecast needs the same ceilings, and [limits] writes them to one rule alone.
    assert plan.bench.ceilings_degC == {"inverter": 75.0, "winding": 110.0}
    assert rules["precharge-level"].minimum_percent == 94.0
    assert plan.bench.given["dry-exposure"] == {"burst_s", "total_s"}
    assert plan.bench.off == {"axle-witness": "no second person today"}


def test_waivers_marks_and_inputs_are_kept(plan, tmp_path):
    assert plan.waivers == (
        Waiver(
            "insulation-resistance",
            "pack",
            "no monitor on this vehicle; measured by hand, 2.4 Mohm, instrument 7",
            "A. Tester",
        ),
    )
    assert plan.marks == (PlanMark(21.5, None, "rear", "forward", "left wheel watched"),)
    kinds = [(entry.kind, entry.name) for entry in plan.inputs]
    assert kinds == [
        ("plan", "bench.toml"),
        ("definition", "bramble_vehicle.dbc"),
        ("definition", "drive_unit.dbc"),
    ]
    content = (tmp_path / "drive_unit.dbc").read_bytes()
    assert plan.inputs[2].sha256 == hashlib.sha256(content).hexdigest()
    assert plan.inputs[2].size == len(content)
    assert plan.text == PLAN


def test_the_mounting_sign_and_invert_turn_speed_and_torque_alike(tmp_path):
    turned = loaded(tmp_path, ("phases_swapped = true", "phases_swapped = false"))
    assert turned.bench.unit("front").sign == -1
    bound = turned.bench.bindings
    assert (bound["units.front.speed"].factor, bound["units.front.torque"].factor) == (-1.0, -1.0)
    assert bound["units.front.link_voltage"].factor == 1.0
    assert bound["units.front.speed"].half_step == 0.25
    both = loaded(
        tmp_path,
        ("phases_swapped = true", "phases_swapped = false"),
        ('"can1:UnitFast.MotorSpeed"', '{ signal = "can1:UnitFast.MotorSpeed", invert = true }'),
    )
    assert both.bench.bindings["units.front.speed"].factor == 1.0
    assert both.mounting[0]["invert_speed"] is True


def test_inverting_negates_the_converted_value_and_flips_states(tmp_path):
    plan = loaded(
        tmp_path,
        ('"can1:UnitSlow.WindingTemp"', '{ signal = "can1:UnitSlow.WindingTemp", invert = true }'),
        ('"can0:Cabin.BrakePressed"', '{ signal = "can0:Cabin.BrakePressed", invert = true }'),
        ("neutral = [0] }", "neutral = [0], invert = true }"),
        drive_unit__dbc=_with_unit('"degC"', '"K"'),
    )
    winding = plan.bench.bindings["units.front.temperatures.winding"]
    assert (winding.factor, winding.offset) == (-1.0, 273.15)
    assert plan.bench.bindings["driver.brake"].codes == {1: 0.0, 0: 1.0}
    assert plan.bench.bindings["driver.direction"].codes == {1: -1.0, 2: 1.0, 0: 0.0}


def _with_unit(old, new):
    from tests.plan.example import UNIT_DBC

    assert old in UNIT_DBC
    return UNIT_DBC.replace(old, new)


def test_radians_per_second_become_rpm_with_their_step(tmp_path):
    # design.md: 3000 rpm = 314.16 rad/s, so 1 rad/s = 9.549297 rpm; half of 0.5 rad/s a bit.
    plan = loaded(tmp_path, drive_unit__dbc=_with_unit('"1/min"', '"rad/s"'))
    speed = plan.bench.bindings["units.rear.speed"]
    assert speed.factor == pytest.approx(9.549297, abs=1e-6)
    assert speed.half_step == pytest.approx(2.387324, abs=1e-6)


def test_role_tables_take_labels_codes_cycles_and_uncertainty(tmp_path):
    plan = loaded(
        tmp_path,
        ("forward = [1], reverse = [2]", 'forward = ["Forward"], reverse = ["Reverse"]'),
        (
            '"can0:PackStatus.PackVoltage"',
            '{ signal = "PackStatus.PackVoltage", cycle_ms = 12.5, uncertainty = 0.8, '
            "not_available = [65535] }",
        ),
        (
            '"can0:ContactorBox.NegativeClosed"',
            '{ state = "ContactorBox.NegativeClosed", command = "ContactorBox.NegativeCommand", '
            "true = [0], false = [1], cycle_ms = 100 }",
        ),
    )
    bound = plan.bench.bindings
    assert bound["driver.direction"].codes == {1: 1.0, 2: -1.0, 0: 0.0}
    voltage = bound["pack.voltage"]
    assert (voltage.key, voltage.cycle_ns) == ("can0:PackStatus.PackVoltage", 12_500_000)
    assert (voltage.instrument, voltage.u) == (0.8, pytest.approx(0.85))
    assert voltage.signal.absent.codes == (65535,)
    assert bound["contactors.negative"].codes == {0: 1.0, 1: 0.0}
    assert bound["contactors.negative"].cycle_ns == 100_000_000
    assert bound["contactors.negative.command"].codes == {1: 1.0, 0: 0.0}


def test_error_is_a_value_of_a_fault_code_and_of_nothing_else(tmp_path):
    """J1939-71 (from memory): 254 is the error indicator, 255 says not available."""
    last = ' SG_ Fault : 16|8@1+ (1,0) [0|255] "" Node\n'
    labelled = _with_unit(last, last + 'VAL_ 513 Fault 255 "Fehler" 254 "SNA" ;\n')
    plan = loaded(tmp_path, drive_unit__dbc=labelled)
    codes = np.array([0, 254, 255])
    front, rear = (plan.bench.bindings[f"units.{unit}.fault"] for unit in ("front", "rear"))
    assert absent_rows(front.signal, codes).tolist() == [False, False, True]  # its bus is j1939
    assert absent_rows(rear.signal, codes).tolist() == [False, True, False]
    inverter = plan.bench.bindings["units.front.temperatures.inverter"].signal
    assert absent_rows(inverter, codes).tolist() == [False, True, True]


def test_a_temperature_with_a_ceiling_is_left_out_of_one_unit_by_a_signature_only(tmp_path):
    """Both units bind inverter and winding, and both words have a ceiling."""
    whole = 'winding = "can2:UnitSlow.WindingTemp" }'
    part = ('inverter = "can2:UnitSlow.InverterTemp", ' + whole, whole)
    with pytest.raises(PlanError, match="no 'inverter', which has a ceiling"):
        loaded(tmp_path, part)
    signed = (
        '[not_on_this_vehicle]\nroles = ["units.rear.temperatures.inverter"]\n'
        'reason = "it has no such sensor"\nby = "A. Tester"\n[limits]'
    )
    plan = loaded(tmp_path, part, ("[limits]", signed))
    assert plan.bench.units[1].temperatures == ("winding",)


def test_a_bus_that_the_plan_declares_and_binds_nothing_to_is_told(tmp_path):
    """Whoever deletes a unit from the plan leaves its bus, on which it may turn unseen."""
    swap = ("can2 = {", 'can7 = { definitions = ["drive_unit.dbc"], bitrate = 500_000 }\ncan2 = {')
    plan = loaded(tmp_path, swap)
    assert [text for text in plan.warnings if "buses.can7: no role is bound to it" in text]
    assert not [text for text in plan.warnings if "buses.can2" in text]


def test_a_missing_unit_is_a_warning_with_its_line(tmp_path):
    plan = loaded(tmp_path, drive_unit__dbc=_with_unit('"V"', '""'))
    line = PLAN.split("\n").index('link_voltage = "can2:UnitFast.LinkVoltage"') + 1
    assert any(f"bench.toml:{line}: units.rear.link_voltage" in text for text in plan.warnings)


@pytest.mark.parametrize(
    ("written", "bleed"),
    [('"active"', "active"), ('"passive"', "passive"), ("true", "active"), ("false", "none")],
)
def test_bleed_has_four_spellings(tmp_path, written, bleed):
    assert loaded(tmp_path, ('bleed = "active"', f"bleed = {written}")).bench.bleed == bleed


def test_five_stages_share_one_vehicle_file(tmp_path):
    head, vehicle = PLAN.split("[buses]")
    own = 'include = "shared/vehicle.toml"\n' + head + "[pack]\nnominal_voltage_V = 350\n"
    (tmp_path / "shared").mkdir()
    (tmp_path / "shared" / "vehicle.toml").write_text("[buses]" + vehicle)
    plan = read_plan(lay_out(tmp_path, own))
    assert plan.bench.nominal_voltage_V == 350.0  # the plan's own key wins
    assert plan.bench.maximum_voltage_V == 409.0
    assert "units.rear.speed" in plan.bench.bindings
    assert [e.name for e in plan.inputs if e.kind == "plan"] == [
        "bench.toml",
        "shared/vehicle.toml",
    ]
    assert "# ---- vehicle.toml ----" in plan.text


def test_a_mistake_in_an_included_file_names_that_file_and_line(tmp_path):
    head, vehicle = PLAN.split("[buses]")
    wrong = "[buses]" + vehicle.replace("phases_swapped = true", "phases_swaped = true")
    path = lay_out(tmp_path, 'include = ["vehicle.toml"]\n' + head, vehicle__toml=wrong)
    with pytest.raises(PlanError) as error:
        read_plan(path)
    (mistake,) = error.value.mistakes
    line = wrong.split("\n").index("phases_swaped = true") + 1
    assert str(mistake).startswith(f"{tmp_path / 'vehicle.toml'}:{line}: units.front.phases_swaped")
    assert "'phases_swapped'" in mistake.hint


def test_an_included_file_that_is_missing_is_the_only_mistake_told(tmp_path):
    head, _ = PLAN.split("[buses]")
    path = lay_out(
        tmp_path, 'include = "vehicl.toml"\n' + head + '[[marks]]\nat_s = 1\naxle = "x"\n'
    )
    with pytest.raises(PlanError) as error:
        read_plan(path)
    (mistake,) = error.value.mistakes
    assert "vehicl.toml" in str(mistake)


def test_a_limit_beyond_physical_sense_is_told_with_its_range(tmp_path):
    (told,) = mistakes(tmp_path, ("speed_rpm = 1500", "speed_rpm = -1"))
    assert "expected 0 to 30000 rpm, got -1" in told


def test_includes_that_lead_back_are_a_mistake(tmp_path):
    found = mistakes(
        tmp_path, ("format = 1", 'format = 1\ninclude = "a.toml"'), a__toml='include="bench.toml"'
    )
    assert any("leads back to itself" in text for text in found)


def test_ten_different_mistakes_are_told_at_once(tmp_path):
    found = mistakes(
        tmp_path,
        ('stage    = "dry-spin"', 'stage = "dry-spinn"'),
        ("cold     = true", 'cold = "yes"'),
        ('voltage    = "can0:PackStatus.PackVoltage"', 'voltage = "can0:PackStatus.PackVolts"'),
        ("bitrate = 500_000, not_available", "bitrate = -5, not_available"),
        ("[rules.axle-witness]", "[rules.axle-witnes]"),
        ("minimum_percent = 94", "minimum_percnt = 94"),
        ("yaw = 180", "yaw = 90"),
        ("reverse = [2]", "reverse = [1]"),
        ('by = "A. Tester"', ""),
        ('axle = "rear"', 'axle = "reer"'),
        ("dry_burst_s = 5", 'dry_burst_s = "five"'),
        ("ac_protected", "ac_protect"),
    )
    told = "\n".join(found)
    for expected in (
        "job.stage: expected 'unit-alone', 'power-up', 'dry-spin', 'wet-spin' or 'rolling', got "
        "'dry-spinn'\n  hint: did you mean 'dry-spin'?",
        "job.cold: expected true or false, got 'yes'",
        "pack.voltage: no signal named 'can0:PackStatus.PackVolts'\n  hint: did you mean "
        "'can0:PackStatus.PackVoltage'?",
        "buses.can1.bitrate: expected at least 5000, got -5",
        "rules.axle-witnes: no rule of that name\n  hint: did you mean 'axle-witness'?",
        "rules.precharge-level.minimum_percnt: precharge-level has no parameter of that name\n"
        "  hint: did you mean 'minimum_percent'?",
        "units.front.mounting: the axle line",
        "driver.direction.reverse: raw code 1 is listed under forward as well",
        "waivers[1].by: missing",
        "marks[1].axle: no unit named 'reer'\n  hint: did you mean 'rear'?",
        "limits.dry_burst_s: expected a number, got 'five'",
        "pack.ac_protect: no key of that name\n  hint: did you mean 'ac_protected'?",
    ):
        assert expected in told
    assert len(found) == 12
    for text in found:
        assert text.startswith(f"{tmp_path / 'bench.toml'}:"), text


def test_each_mistake_stands_on_its_line(tmp_path):
    (found,) = mistakes(tmp_path, ("yaw = 180", "yaw = 90"))
    line = PLAN.split("\n").index("mounting     = { roll = 0, pitch = 0, yaw = 180 }") + 1
    assert found.startswith(f"{tmp_path / 'bench.toml'}:{line}: units.front.mounting: ")


@pytest.mark.parametrize("rule", ["axle-direction", "temperature-ceiling", "message-presence"])
def test_what_guards_against_the_worst_is_neither_waived_nor_off(tmp_path, rule):
    (found,) = mistakes(tmp_path, ('rule = "insulation-resistance"', f'rule = "{rule}"'))
    assert f"waivers[1].rule: {rule} cannot be waived" in found
    (found,) = mistakes(tmp_path, ("[rules.axle-witness]", f"[rules.{rule}]"))
    assert f"rules.{rule}.off: {rule} cannot be switched off" in found


def test_capture_integrity_cannot_be_waived_either(tmp_path):
    (found,) = mistakes(tmp_path, ("[rules.axle-witness]", "[rules.capture-integrity]"))
    assert "cannot be switched off" in found


@pytest.mark.parametrize("stage", ["wet-spin", "rolling"])
@pytest.mark.parametrize("fluid", ["coolant", "oil"])
def test_wet_stages_refuse_an_empty_unit(tmp_path, stage, fluid):
    full = {"coolant": '"filled"', "oil": '"filled"', fluid: '"empty"'}
    found = mistakes(
        tmp_path,
        ('stage    = "dry-spin"', f'stage = "{stage}"'),
        ('coolant  = "empty"', f"coolant = {full['coolant']}"),
        ('oil      = "empty"', f"oil = {full['oil']}"),
    )
    assert len(found) == 1
    assert f"job.{fluid}: {stage} with empty {fluid}" in found[0]


def test_a_dry_spin_with_everything_filled_is_a_contradiction(tmp_path):
    filled = (
        ('coolant  = "empty"', 'coolant = "filled"'),
        ('oil      = "empty"', 'oil = "filled"'),
    )
    (found,) = mistakes(tmp_path, *filled)
    assert "job.stage: dry-spin with coolant and oil both filled" in found


@pytest.mark.parametrize(
    ("stage", "taken"),
    [("unit-alone", "empty"), ("power-up", "empty"), ("dry-spin", "empty"), ("wet-spin", "filled")],
)
def test_what_nobody_says_to_be_filled_is_taken_as_empty_where_the_stage_allows(
    tmp_path, stage, taken
):
    swaps = (('coolant  = "empty"', ""), ('oil      = "empty"', ""))
    found = loaded(tmp_path, ('stage    = "dry-spin"', f'stage = "{stage}"'), *swaps)
    assert (found.bench.coolant, found.bench.oil) == (taken, taken)
    assert found.bench.dry is (taken == "empty")
    assert any(f"job.oil: not given; taken as {taken}" in w for w in found.warnings)


def test_one_parameter_in_two_places_is_a_mistake(tmp_path):
    found = mistakes(
        tmp_path,
        ("[rules.axle-witness]", "[rules.speed-ceiling]\nspeed_rpm = 1400\n[rules.axle-witness]"),
    )
    assert len(found) == 1
    assert "rules.speed-ceiling.speed_rpm: limits.speed_rpm says the same parameter" in found[0]


def test_front_and_rear_may_not_share_a_signal(tmp_path):
    (found,) = mistakes(tmp_path, ('"can2:UnitFast.MotorSpeed"', '"can1:UnitFast.MotorSpeed"'))
    assert "units.rear.speed: bound to can1:UnitFast.MotorSpeed, and so is units.front.speed" in (
        found
    )


def test_the_other_units_fault_signal_speaks_for_no_unit(tmp_path):
    (found,) = mistakes(tmp_path, ('"can2:UnitSlow.Fault"', '"can1:UnitSlow.Fault"'))
    assert "units.rear.fault: bound to can1:UnitSlow.Fault, which is that of front" in found
    assert "a fault of rear itself would not show here" in found


@pytest.mark.parametrize("name", ["Torque", "LinkVoltage", "MotorSpeed"])
def test_roles_of_two_units_may_not_be_exchanged_one_by_one(tmp_path, name):
    """One frame cannot tell the speed of one unit and the torque of the other."""
    one, two = (f'"can{n}:UnitFast.{name}"' for n in (1, 2))
    (found,) = mistakes(tmp_path, (one, "@"), (two, one), ("@", two))
    assert f"bound to can2:UnitFast.{name}" in found
    assert "these roles of the two units are exchanged" in found


ONE, TWO = (f'winding = "can{n}:UnitSlow.WindingTemp"' for n in (1, 2))


def wired(bus, unit):
    return f'winding = {{ signal = "can{bus}:UnitSlow.WindingTemp", wired_to = "{unit}" }}'


def test_a_sensor_that_is_wired_to_the_other_inverter_is_said_in_the_plan_and_in_the_report(
    tmp_path,
):
    crossed = ((ONE, "@"), (TWO, ONE), ("@", TWO))
    (found,) = mistakes(tmp_path, *crossed)
    assert "these roles of the two units are exchanged" in found
    assert 'wired_to = "rear"' in found  # the way round
    plan = loaded(tmp_path, (ONE, wired(2, "rear")), (TWO, wired(1, "front")))
    assert plan.bench.bindings["units.front.temperatures.winding"].signal.channel == "can2"
    (said,) = [
        text for text in plan.warnings if "temperatures.winding" in text and "front.t" in text
    ]
    assert "read and sent by the inverter of rear, as wired_to says" in said


@pytest.mark.parametrize(
    ("bus", "unit", "told"),
    [
        (1, "rear", "is not on can2, the bus of rear"),
        (1, "reer", "'reer' is no other unit of this plan"),
        (1, "front", "'front' is no other unit of this plan"),
    ],
)
def test_wired_to_has_to_be_true(tmp_path, bus, unit, told):
    (found,) = mistakes(tmp_path, (ONE, wired(bus, unit)))
    assert told in found


def test_all_roles_of_two_units_exchanged_are_another_vehicle(tmp_path):
    text = changed(('"can1:', '"@:'), ('"can2:', '"can1:'), ('"@:', '"can2:'))
    bound = read_plan(lay_out(tmp_path, text)).bench.bindings
    assert bound["units.front.torque"].signal.channel == "can2"


def test_an_ambiguous_signal_lists_its_candidates(tmp_path):
    (found,) = mistakes(tmp_path, ('"can2:UnitFast.MotorSpeed"', '"UnitFast.MotorSpeed"'))
    assert "can1:UnitFast.MotorSpeed, can2:UnitFast.MotorSpeed" in found


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("reverse = [2]", "reverse = [4]", "raw code 4 does not fit can0:Cabin.Direction"),
        ("reverse = [2]", 'reverse = ["Revers"]', "did you mean 'Reverse'?"),
        ("modulus = 16", "modulus = 17", "has only 4 bits"),
        (
            '"can0:PackStatus.PackVoltage"',
            '"can0:PackStatus.PackCurrent"',
            "and so is pack.voltage; they must differ",
        ),
        (
            '"can0:Cabin.BrakePressed"',
            '{ signal = "can0:Cabin.BrakePressed", not_available = "j1939" }',
            "one bit",
        ),
        ("winding = 110", "windings = 110", "limits.temperature_ceiling_degC.windings"),
        ("dry_current_A = 30", "dry_current_A = true", "limits.dry_current_A: expected a number"),
        ("dry_current_A = 30", "dry_current_A = nan", "limits.dry_current_A: expected a finite"),
        ("minimum_percent = 94", "minimum_percent = 101", "expected 80 to 100 %, got 101"),
        ('off = "no second person today"', "off = true", "expected the reason in words"),
        ("maximum_voltage_V = 409", "maximum_voltage_V = 309", "below nominal_voltage_V"),
        ("maximum_voltage_V = 409", "maximum_voltage_V = 900", "more than 1.4 times nominal"),
        ("at_s = 21.5", "at_s = 21.5\ntime_ns = 5", "either at_s or time_ns"),
        ('seen = "forward"', 'seen = "forwards"', "did you mean 'forward'?"),
        ("format = 1", "format = 2", "format: expected 1, the only format there is, got 2"),
        ("format = 1", "format = true", "format: expected 1"),
        (
            "[units.rear]",
            "[unit.rear]",
            ": unit: no key of that name",
        ),
        ("[units.rear]", '[units."re ar"]', "cannot be a unit's name"),
        ("can2 = {", "can9 = {", "no channel named 'can2' has definitions"),
        ('"drive_unit.dbc"]', '"drive_unti.dbc"]', "drive_unti.dbc: cannot be read"),
        ("forward = [1], reverse", "not_available = [1], forward = [1], reverse", "not available"),
    ],
)
def test_mistakes_say_what_is_wrong(tmp_path, old, new, told):
    assert any(told in text for text in mistakes(tmp_path, (old, new)))


def test_wrong_units_are_mistakes_and_name_the_unit(tmp_path):
    found = mistakes(tmp_path, drive_unit__dbc=_with_unit('"Nm"', '"kPa"'))
    assert len(found) == 2  # front and rear
    assert (
        "units.front.torque: can1:UnitFast.Torque: unit 'kPa' cannot be turned into Nm"
        in (found[0])
    )


CHECKSUM = 'signal = "can1:UnitFast.Checksum", profile = "crc8-sae-j1850"'


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ('signal = "can1:UnitFast.Checksum", profile = "crc8-j1850"', "'crc8-sae-j1850'"),
        ('signal = "can1:UnitFast.Checksum", profile = "crc32"', "no checksum is known as 'crc32'"),
        ('signal = "can1:UnitFast.Alive", profile = "xor8"', "has 4 bits, a checksum 8"),
        ('signal = "can1:UnitSlow.InverterTemp", profile = "xor8"', "no byte before"),
        (f"{CHECKSUM}, over = [7, 7]", "cannot be the checksum of itself"),
        (f"{CHECKSUM}, over = [2, 9]", "bytes 2 to 9 are not all in can1:UnitFast"),
    ],
)
def test_a_checksum_that_cannot_be_calculated_is_a_mistake(tmp_path, written, told):
    assert any(told in text for text in mistakes(tmp_path, (CHECKSUM, written)))


def test_an_unreadable_definition_is_told_together_with_the_rest(tmp_path):
    found = mistakes(
        tmp_path,
        ("cold     = true", "cold = 1"),
        drive_unit__dbc='VERSION ""\nBO_ broken\n',
    )
    assert len(found) == 2  # job.cold, and the file, once for its two buses; no role beside them
    assert any("buses.can1.definitions: " in text and "drive_unit.dbc:2" in text for text in found)


def test_text_is_kept_as_written_and_never_run(tmp_path):
    plan = loaded(tmp_path, ("Bramble, forestry 4x4", "<script>alert(1)</script>"))
    assert plan.bench.vehicle == "<script>alert(1)</script>"


def test_a_plan_that_is_not_there_or_not_utf8_or_not_toml(tmp_path):
    with pytest.raises(PlanError, match=r"nowhere.toml: cannot be read: No such file"):
        read_plan(tmp_path / "nowhere.toml")
    with pytest.raises(PlanError, match="cannot be read"):
        read_plan(tmp_path)
    path = tmp_path / "latin.toml"
    path.write_bytes(PLAN.replace("Bramble", "Br\xe4mble").encode("latin-1"))
    with pytest.raises(PlanError, match=r"latin.toml:4: not UTF-8 text: byte 0xE4"):
        read_plan(path)
    path.write_text('format = 1\n[job]\nvehicle = "x\n')
    with pytest.raises(PlanError, match=r"latin.toml:3: not valid TOML"):
        read_plan(path)
    path.write_text("format = 1\n[job]\nx = [1,\n")
    with pytest.raises(PlanError, match=r"latin.toml:3: not valid TOML"):
        read_plan(path)


def test_a_byte_order_mark_and_windows_line_ends_are_read(tmp_path):
    path = lay_out(tmp_path)
    path.write_bytes(b"\xef\xbb\xbf" + PLAN.replace("\n", "\r\n").encode())
    assert read_plan(path).bench.stage == "dry-spin"


def test_definitions_already_read_stand_in_for_the_files(tmp_path, plan):
    path = lay_out(tmp_path)
    (tmp_path / "drive_unit.dbc").unlink()
    again = read_plan(path, definitions=plan.definitions)
    assert again.bench.bindings == plan.bench.bindings


def test_a_single_unit_needs_no_vehicle(tmp_path):
    text = (
        'format = 1\n[job]\nvehicle = "unit 3"\nstage = "unit-alone"\ncoolant = "empty"\n'
        'oil = "filled"\n[buses]\ncan1 = { definitions = ["drive_unit.dbc"] }\n'
    )
    plan = read_plan(lay_out(tmp_path, text + FRONT))
    assert [unit.name for unit in plan.bench.units] == ["front"]
    assert plan.bench.sections == {"job", "buses", "units"}
    assert REAR not in plan.text


def test_a_contactors_state_that_is_named_as_its_command_is_warned_of(tmp_path):
    box = "can0:ContactorBox.Positive"
    plan = loaded(tmp_path, (f'"{box}Closed"', f'"{box}Command"'))
    (told,) = [text for text in plan.warnings if "contactors.positive" in text]
    assert "a welded pole would not show" in told
