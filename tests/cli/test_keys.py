"""Keys at the vehicle."""

import pytest

from canscope.cli._keys import Action, Keys
from canscope.cli._reading_entry import Meter, Meters, TypedReading


def pressed(text, axles=("front", "rear")):
    keys = Keys(axles)
    return [action for action in map(keys.press, text) if action is not None]


@pytest.mark.parametrize(
    ("text", "actions"),
    [
        (" ", [Action("acknowledge")]),
        ("h", [Action("heard")]),
        ("1f", [Action("mark", "front", "forward")]),
        ("2r1s", [Action("mark", "rear", "reverse"), Action("mark", "front", "still")]),
        ("af", [Action("mark", asked="forward")]),
        ("anar", [Action("mark", asked="neutral"), Action("mark", asked="reverse")]),
        ("ax", []),
        ("3f", []),  # there is no third axle
        ("f", []),  # of which axle?
        ("1xf", []),
        ("nleft wheel rubs\n", [Action("mark", text="left wheel rubs")]),
        ("nab\x7fc\r", [Action("mark", text="ac")]),
        ("n\n", []),
        ("nq q\x1b", []),  # letters of a note are no keys, and Esc drops it
        ("qq", [Action("stop")]),
        ("q q", [Action("acknowledge")]),  # only twice in a row ends the recording
    ],
)
def test_each_key_does_what_the_legend_says(text, actions):
    assert pressed(text) == actions


def test_the_prompt_says_what_is_waited_for():
    keys = Keys(["front"])
    keys.press("1")
    assert "front wheel seen" in keys.prompt
    keys.press("f")
    assert keys.prompt == ""
    keys.press("a")
    assert "asked for" in keys.prompt
    keys.press("x")
    keys.press("q")
    assert "once more" in keys.prompt


VOLTS, METER = (
    {"pack.voltage": "V", "units.front.link_voltage": "V", "pack.current": "A"},
    "meter 3",
)


def readings(text, meters):
    keys = Keys(["front"], meters)
    actions = [action for action in map(keys.press, text) if action is not None]
    return [action.reading for action in actions if action.kind == "reading"], keys


def test_a_reading_asks_once_for_the_instrument_and_remembers_it():
    """For what has the same unit; a clamp is asked for by itself, the person no more."""
    meters = Meters(VOLTS)
    typed = "m1357.9\r" + f"{METER}\r0.5\rA. Tester\r" + "m2358,2\r" + "m3-4\rclamp 1\r1\r\r"
    found, _ = readings(typed, meters)
    assert found == [
        TypedReading("pack.voltage", 357.9, "V", 0.5, METER, "A. Tester"),
        TypedReading("units.front.link_voltage", 358.2, "V", 0.5, METER, "A. Tester"),
        TypedReading("pack.current", -4.0, "A", 1.0, "clamp 1", "A. Tester"),
    ]


@pytest.mark.parametrize(
    "typed", ["m1\x1b", "mx", "m1357\x1b", "m1nan\r", "m1\r", "m1inf\r", "m11e13\r", "m135z\r"]
)
def test_what_is_no_number_or_was_dropped_is_no_reading(typed):
    meters = Meters(VOLTS)
    meters.use("V", Meter(METER, 0.5, "A. Tester"))
    assert readings(typed, meters)[0] == []


def test_the_prompt_of_a_reading_names_role_unit_and_meter():
    meters = Meters(VOLTS)
    meters.use("V", Meter(METER, 0.5, "A. Tester"))
    _, keys = readings("m", meters)
    assert "2 front link voltage" in keys.prompt
    keys.press("2")
    assert keys.prompt.startswith("front link voltage in V: _")
    assert "meter 3, ±0.5 V, A. Tester" in keys.prompt
    for key in "12\t":
        keys.press(key)
    assert "which instrument?" in keys.prompt
    assert Keys(["front"]).press("m") is None  # without a plan nothing can be read
