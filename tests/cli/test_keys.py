"""Keys at the vehicle."""

import pytest

from canscope.cli._keys import Action, Keys


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
