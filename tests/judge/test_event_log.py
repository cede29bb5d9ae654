"""The table of events: each lies between the last sample before it and the first after it."""

import numpy as np

from tests.rules.harness import START_NS, judged

T = np.arange(0, 6, 0.1)
NOTHING = dict.fromkeys(
    ("rules", "bench", "u", "cycles_s", "options", "cuts", "end_s"),
)


def rows_of(roles):
    """The rows of a run."""
    _, judge = judged("rocking", roles, stage="dry-spin", marks=(), **NOTHING)
    return judge.exhibits.events.rows(START_NS)


def test_a_unit_that_starts_between_two_samples_began_to_turn_then():
    rows = rows_of({"units.front.speed": (T, np.where((T > 1) & (T < 3), 600.0, 0.0))})
    told = [(row.since_s, row.at_s, row.what, row.source) for row in rows]
    assert told == [
        (1.0, 1.1, "front unit began to turn", "speed"),
        (2.9, 3.0, "front unit came to rest", "speed"),
    ]


def test_a_unit_that_turned_when_the_recording_began_was_not_seen_to_begin():
    first, _ = rows_of({"units.front.speed": (T, np.where(T < 3, 600.0, 0.0))})
    assert (first.since_s, first.at_s) == (None, 0.0)
    assert first.what == "front unit turned already when its speed was first recorded"


def test_a_wheel_that_turns_with_all_poles_open_names_its_unit():
    turns = {"units.front.speed": (T, np.where((T > 1) & (T < 3), 600.0, 0.0))}
    is_open = {f"contactors.{pole}": (T, np.zeros(len(T))) for pole in ("negative", "positive")}
    (row,) = [row for row in rows_of(turns | is_open) if "turned" in row.what]
    assert (row.at_s, row.by_hand) == (1.1, "front")
    assert not any(row.by_hand for row in rows_of(turns))
