"""Hand readings in plans and marks files, and roles that a vehicle does not have."""

import re

import pytest

from canscope.model.errors import PlanError
from canscope.plan.load import read_plan
from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run

VOLTMETER = {
    "at_s": "3.0",
    "role": '"pack.voltage"',
    "value": "357.9",
    "unit": '"V"',
    "uncertainty": "0.5",
    "instrument": '"voltmeter 3"',
    "by": '"A. Tester"',
}
WHEEL = {**VOLTMETER, "role": '"units.front.speed"', "unit": '"turns"', "value": "10"}
WHEEL = {k: v for k, v in WHEEL.items() if k != "at_s"} | {"from_s": "4", "to_s": "16"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    write_run(make_run(), folder)
    return folder


def load(folder, more, **options):
    plan = folder / "changed.toml"
    plan.write_text((folder / "plan.toml").read_text("utf-8") + more, "utf-8")
    return read_plan(plan, **options)


def mistakes(folder, more):
    with pytest.raises(PlanError) as error:
        load(folder, more)
    return [str(mistake) for mistake in error.value.mistakes]


def table(keys):
    return "\n[[readings]]\n" + "".join(f"{key} = {value}\n" for key, value in keys.items())


def test_a_reading_is_carried_in_the_units_of_its_role(folder):
    millivolts = {**VOLTMETER, "value": "357900", "uncertainty": "500", "unit": '"mV"'}
    first, second = load(folder, table(VOLTMETER) + table(millivolts)).bench.readings
    assert (first.role, first.value, first.uncertainty, first.at_s) == (
        "pack.voltage",
        357.9,
        0.5,
        3.0,
    )
    assert (second.value, second.uncertainty) == pytest.approx((357.9, 0.5))
    assert (first.instrument, first.by, second.said) == (
        "voltmeter 3",
        "A. Tester",
        "357900 mV",
    )


def test_turns_of_a_wheel_become_the_mean_speed_of_the_motor(folder):
    plan = load(folder, table(WHEEL))
    (found,) = plan.bench.readings
    ratio = plan.bench.unit("front").gear_ratio
    assert found.value == pytest.approx(10 * ratio / 12 * 60)


def test_a_marks_file_may_hold_readings(folder):
    file = folder / "marks.jsonl"
    file.write_text(
        '{"at_s": 4, "asked": "forward", "within_s": 3}\n'
        '{"time_ns": 5, "role": "pack.voltage", "value": 358, "unit": "V", "uncertainty": 1,'
        ' "instrument": "meter", "by": "A. Tester"}\n',
        "utf-8",
    )
    plan = load(folder, "", marks=file)
    assert [reading.time_ns for reading in plan.bench.readings] == [5]
    assert plan.marks[-1].asked == "forward"
    assert plan.bench.mark_s == 3


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"role": '"pack.voltag"'}, "did you mean 'pack.voltage'"),
        ({"role": '"driver.brake"'}, "no number that an instrument could read"),
        ({"unit": '"A"'}, "pack.voltage is measured in V"),
        ({"uncertainty": "0"}, "a number above 0"),
        ({"from_s": "3"}, "a reading has either at_s or time_ns"),
        ({"unit": '"turns"'}, "turns are counted over a time"),
    ],
)
def test_mistakes_of_a_reading(folder, change, told):
    assert told in "\n".join(mistakes(folder, table({**VOLTMETER, **change})))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"role": '"pack.voltage"'}, "turns are counted of a speed"),
        ({"to_s": "400"}, "at most 100 s later"),
        ({"to_s": "4"}, "a time after from_s"),
    ],
)
def test_mistakes_of_a_count(folder, change, told):
    assert told in "\n".join(mistakes(folder, table({**WHEEL, **change})))


def absent(*roles):
    names = ", ".join(f'"{role}"' for role in roles)
    return f'\n[not_on_this_vehicle]\nroles = [{names}]\nreason = "wired"\nby = "A. Tester"\n'


@pytest.mark.parametrize(
    ("roles", "told"),
    [
        (["pack.voltage"], "pack.voltage is bound"),
        (["units.front.temperatures.*"], "units.front.temperatures.inverter is bound"),
        (["driver.brak"], "did you mean 'driver.brake'"),
        (["units.middle.speed"], "no role named 'units.middle.speed'"),
        ([], "wrong number of entries"),
    ],
)
def test_mistakes_of_roles_that_a_vehicle_lacks(folder, roles, told):
    assert told in "\n".join(mistakes(folder, absent(*roles)))


def waiver(subject, rule="axle-agreement"):
    return (
        f'\n[[waivers]]\nrule = "{rule}"\nsubject = "{subject}"\nreason = "x"\nby = "A. Tester"\n'
    )


def test_a_waiver_of_a_subject_that_does_not_exist_is_a_mistake(folder):
    (told,) = mistakes(folder, waiver("front frward", "axle-witness"))
    assert "did you mean 'front forward'" in told


def test_a_direction_may_be_the_controllers_command(folder):
    text = (folder / "vehicle.toml").read_text("utf-8")
    changed = text.replace("neutral = [0] }", 'neutral = [0], kind = "command" }')
    assert changed != text
    (folder / "vehicle.toml").write_text(changed, "utf-8")
    try:
        assert load(folder, "").bench.commanded
    finally:
        (folder / "vehicle.toml").write_text(text, "utf-8")


BEYOND = [
    ("link-discharge", "safe_V = 200"),
    ("capture-integrity", "skipped_percent = 100"),
    ("temperature-rate", "watch_s = 0"),
    ("axle-direction", "turning_rpm = 1000"),
]


@pytest.mark.parametrize(("rule", "line"), BEYOND)
def test_a_limit_beyond_physical_sense_is_a_mistake(folder, rule, line):
    (told,) = mistakes(folder, f"\n[rules.{rule}]\n{line}\n")
    assert "expected " in told


def test_a_ceiling_that_nothing_survives_is_a_mistake(folder):
    text = (folder / "plan.toml").read_text("utf-8")
    plan = folder / "hot.toml"
    plan.write_text(re.sub(r"winding = \d+", "winding = 1e9", text), "utf-8")
    with pytest.raises(PlanError, match=r"winding: expected -40 to 220 degC"):
        read_plan(plan)


def test_what_is_looser_than_usual_is_known(folder):
    more = "\n[rules.precharge-level]\nminimum_percent = 90\n[rules.bus-sag]\nlimit_percent = 5\n"
    (looser,) = load(folder, more).looser
    assert looser.text == "precharge-level: minimum_percent = 90 %, usually 95 %"


def test_a_dry_burst_longer_than_usual_is_looser_though_it_has_no_default(folder):
    text = (folder / "plan.toml").read_text("utf-8")
    plan = folder / "long.toml"
    plan.write_text(re.sub(r"dry_burst_s = \S+", "dry_burst_s = 60", text), "utf-8")
    (looser,) = read_plan(plan).looser
    assert looser.text == "dry-exposure: burst_s = 60 s, usually 5 s"
