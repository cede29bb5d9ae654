"""The table of roles is whole: rules need no other role, and a plan can bind each of them.

The roles themselves are those of the bench plan, design.md section 5.
"""

from dataclasses import replace

import pytest

from canscope.cli.main import main
from canscope.model.bench import STAGES
from canscope.model.errors import PlanError
from canscope.model.roles import KEYS, ROLES, role_of
from canscope.plan.coverage import full_bench, needed_by
from canscope.plan.load import read_plan
from canscope.plan.role_tables import KEY_TYPES
from canscope.rules import RULES
from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run
from canscope.simulate.vehicle import VEHICLES
from tests.plan.example import lay_out

NAMES = [role.name for role in ROLES]
HEAD = """format = 1
[job]
vehicle = "one role"
stage = "power-up"
[buses]
can0 = { definitions = ["bramble_vehicle.dbc"] }
can1 = { definitions = ["drive_unit.dbc"] }
"""
WRITTEN = {
    "kind": '"command"',  # something that each key may say
    "cycle_ms": "20",
    "invert": "true",
    "not_available": '"none"',
    "uncertainty": "0.5",
    **dict.fromkeys(("forward", "true", "ok"), "[1]"),
    **dict.fromkeys(("reverse", "false"), "[0]"),
    "neutral": "[3]",
    "modulus": "15",
    "profile": '"xor8"',
    "over": "[0, 3]",
    "data_id": "7",
    "wired_to": '"rear"',
}


def needs_of(bench):
    for name in RULES:
        rule = RULES[name]()
        if rule.applies(bench):
            yield from (need for subject in rule.subjects(bench) for need in subject.needs)


def section_of(role):
    return "units.front" if role.name.startswith("units.") else role.name.split(".")[0]


def names_bound(folder, role, line):
    other = '[units.rear]\nspeed = "can1:UnitFast.MotorSpeed"\n' if "wired_to" in line else ""
    plan = read_plan(lay_out(folder, f"{HEAD}[{section_of(role)}]\n{line}\n{other}"))
    return [name for name in plan.bench.bindings if role.covers(name)]


@pytest.fixture(scope="module", params=[*VEHICLES, "every role"])
def bench(request, tmp_path_factory):
    if request.param == "every role":
        return full_bench("dry-spin")
    folder = tmp_path_factory.mktemp("demo")
    write_run(make_run(request.param), folder)
    return read_plan(folder / "plan.toml").bench


@pytest.mark.parametrize("stage", STAGES)
def test_rules_need_no_role_that_is_not_in_the_table(bench, stage):
    wet = "filled" if stage in ("wet-spin", "rolling") else "empty"
    needs = set(needs_of(replace(bench, stage=stage, coolant=wet, oil=wet)))
    assert needs
    for need in needs:
        assert role_of(need)


@pytest.mark.parametrize("name", NAMES)
def test_a_plan_with_nothing_but_the_example_binds_the_role(name, tmp_path):
    role = role_of(name)
    assert len(names_bound(tmp_path, role, role.example)) == 1


@pytest.mark.parametrize("name", NAMES)
def test_a_role_takes_every_key_that_the_table_gives_it_and_no_other(name, tmp_path):
    role = role_of(name)
    keys = {"signal", "cycle_ms", *role.keys}
    assert len(names_bound(tmp_path, role, bound_with(role, keys))) == 1
    with pytest.raises(PlanError) as error:
        names_bound(tmp_path, role, bound_with(role, KEYS))
    unknown = [str(m) for m in error.value.mistakes if "no key of that name" in str(m)]
    assert len(unknown) == len(set(KEYS) - keys)


def bound_with(role, keys):
    """A line that binds the role by a table with these keys."""
    signal = [word for word in role.example.split('"') if ":" in word][-1]
    written = {"signal": f'"{signal}"', **WRITTEN}
    table = "{ " + ", ".join(f"{key} = {written[key]}" for key in keys) + " }"
    *_, last, word = role.name.split(".")
    if word == "command":
        return f'{last} = {{ state = "ContactorBox.{last.capitalize()}Closed", command = {table} }}'
    return f"temperatures = {{ winding = {table} }}" if word == "*" else f"{word} = {table}"


def test_the_schema_knows_a_type_for_each_key_and_no_other():
    assert set(KEY_TYPES) == set(KEYS)


def test_every_role_has_a_page_that_says_unit_binding_and_rules(capsys):
    assert main(["explain", "units.rear.speed"]) == 0
    text = capsys.readouterr().out
    assert "A number in rpm." in text
    assert '[units.front]\n    speed = "can1:UnitFast.MotorSpeed"' in text
    assert "axle-direction          required in dry-spin, wet-spin, rolling" in text
    assert "uncertainty" in text
    for name in NAMES:
        assert main(["explain", name]) == 0
        assert role_of(name).meaning.split()[0] in capsys.readouterr().out


def test_a_name_that_is_neither_is_answered_with_the_nearest_of_both(capsys):
    assert main(["explain", "driver.break"]) == 2
    assert "did you mean 'driver.brake'?" in capsys.readouterr().err
    assert main(["explain", "axle-directon"]) == 2
    assert "did you mean 'axle-direction'?" in capsys.readouterr().err


def test_the_stages_that_require_a_rule_stand_beside_it():
    # The stage table of design.md section 7: brake-interlock is required wherever axles spin.
    assert needed_by(role_of("driver.brake"))["brake-interlock"] == (
        "dry-spin",
        "wet-spin",
        "rolling",
    )
    assert needed_by(role_of("pack.insulation"))["insulation-resistance"] == ("power-up",)
