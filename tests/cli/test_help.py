"""The help of every command carries an example that the command itself accepts as written."""

import shlex

import pytest

from canscope.capture import READERS
from canscope.checking.numbered import REPORT_KINDS
from canscope.cli.main import main, verbs

TASKS = {"plan": ("new", "check", "card"), "definitions": ("check",)}
COMMANDS = [
    (verb, *task) for verb in verbs() for task in [(), *((t,) for t in TASKS.get(verb, ()))]
]


@pytest.fixture
def help_of(capsys, monkeypatch):
    """What ``--help`` prints, in one line."""
    monkeypatch.setenv("COLUMNS", "1000")  # no word is broken

    def call(*words):
        with pytest.raises(SystemExit) as left:
            main([*words, "--help"])
        assert left.value.code == 0
        return " ".join(capsys.readouterr().out.split())

    return call


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_every_help_has_an_example_that_is_accepted(command, help_of, monkeypatch):
    example = help_of(*command).split("example: ")[1]
    words = shlex.split(example)
    assert words[: len(command) + 1] == ["canscope", *command][: len(words)]
    taken = []
    monkeypatch.setattr("canscope.cli.main._run", lambda verb, options: taken.append(verb) or 0)
    assert main(words[1:]) == 0  # argparse leaves with 2 where it does not understand
    assert taken == [command[0]]


def test_choices_and_defaults_are_named(help_of):
    check = help_of("check")
    assert "default: canscope-reports" in check
    assert f"default: {', '.join(REPORT_KINDS)}" in check
    for command in (("check",), ("decode",), ("signals",), ("plan", "new"), ("verify",)):
        told = help_of(*command)
        assert all(name in told for name in READERS)
        assert "default: as their first bytes tell" in told


def test_bus_and_channel_mean_the_same_everywhere(help_of):
    """--bus NAME=...: what belongs to a bus; --channel NAME: where a capture was recorded."""
    for command in COMMANDS:
        told = help_of(*command)
        if "--bus" in told:
            assert "--bus NAME=" in told
            assert "of the bus of that name" in told
        if "--channel" in told:
            assert "--channel NAME" in told
            assert "the bus on which captures were recorded" in told
