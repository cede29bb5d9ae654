"""Which stage twelve runs have earned, worked by hand, with a re-flash and a weld among them.

What a change makes necessary again is common practice, no source.
"""

from dataclasses import replace

from canscope.build_record.changes import Notes, Skipped
from canscope.build_record.stages import record_of
from canscope.model.build_record import Change, RunRow

DAY_NS = 86_400 * 10**9
BOTH = {"front": "F-1", "rear": "R-1"}


def run(day, stage, verdict="pass", **more):
    return RunRow(
        f"{day:04}", stage, verdict, at_ns=day * DAY_NS, **{"serials": BOTH, "dry_s": {}, **more}
    )


def change(day, what, needs, unit=""):
    return Change(what, needs, day * DAY_NS, unit, "", "A. Tester")


RUNS = [
    run(1, "unit-alone", serials={"front": "F-1"}, dry_s={"front": 12.0}),
    run(2, "unit-alone", serials={"rear": "R-1"}, dry_s={"rear": 9.0}),
    run(3, "power-up", "fail", wrong="Front link: no pre-charge."),
    run(4, "power-up"),
    run(5, "dry-spin", "fail", wrong="The front axle turned against the request."),
    run(6, "dry-spin", dry_s={"front": 7.0, "rear": 7.0}),
    # day 7: the front unit's controller is flashed anew
    run(8, "power-up"),
    run(9, "dry-spin", dry_s={"front": 7.0, "rear": 7.0}),
    run(10, "wet-spin", waived=2),
    # day 11: the mounts are welded
    run(12, "power-up"),
    run(13, "dry-spin", "unproven", wrong="Rear winding: the sensor did not warm."),
    run(14, "dry-spin"),
]
NOTES = Notes((change(7, "firmware", "power-up", "front"), change(11, "weld", "power-up")))


def record(runs=RUNS, notes=NOTES, rehearsals=()):
    return record_of("Bramble", runs, rehearsals, notes)


def until(day):
    """The record as it was on the evening of that day."""
    changes = tuple(c for c in NOTES.changes if c.at_ns <= day * DAY_NS)
    return record([row for row in RUNS if row.at_ns <= day * DAY_NS], Notes(changes))


def test_twelve_runs_with_a_reflash_and_a_weld_earn_stage_by_stage():
    earned = {day: until(day).earned for day in range(1, 15)}
    assert earned == {
        1: "unit-alone",  # the rear unit is not known of yet
        2: "unit-alone",
        3: "unit-alone",
        4: "power-up",
        5: "power-up",
        6: "dry-spin",
        7: "unit-alone",  # flashed
        8: "power-up",
        9: "dry-spin",
        10: "wet-spin",
        11: "unit-alone",  # welded
        12: "power-up",
        13: "power-up",
        14: "dry-spin",
    }


def test_what_is_missing_says_which_run_or_which_change_and_why():
    assert until(3).missing == "power-up: run 0003 is fail: Front link: no pre-charge."
    assert until(7).missing == (
        "power-up: after run 0004 came a change (firmware of front): new software may order"
        " contactors, torque and direction anew; run power-up again"
    )
    assert record().missing.startswith("wet-spin: after run 0010 came a change (weld): welding")


def test_a_stage_that_was_passed_and_then_failed_is_not_earned():
    again = [*RUNS, run(15, "power-up", "fail", wrong="12 V: broke down.")]
    assert record(again).earned == "unit-alone"


def test_dry_seconds_add_up_by_unit_and_serial_number():
    assert record().dry_s == {"front (F-1)": 26.0, "rear (R-1)": 23.0}


def test_another_serial_number_is_another_unit_that_has_proven_nothing():
    other = [*RUNS, run(15, "power-up", serials={"front": "F-2", "rear": "R-1"})]
    found = record(other)
    assert found.earned == ""
    assert found.missing.startswith("unit-alone: after run 0001 came a change (unit of front)")


def test_a_definition_with_other_bytes_makes_power_up_necessary_again():
    rows = [replace(row, definitions={"unit.dbc": "aa"}) for row in RUNS]
    later = replace(run(15, "dry-spin"), definitions={"unit.dbc": "bb"})
    assert record(rows).earned == "dry-spin"
    assert record([*rows, later]).earned == "unit-alone"


def test_what_does_not_count_earns_nothing_and_says_why():
    rehearsal = run(20, "wet-spin", counts=False, why_not="a replay is a rehearsal")
    assert record(rehearsals=[rehearsal]).earned == "dry-spin"
    altered = run(1, "power-up", counts=False, why_not="report-001.json was altered")
    found = record([*RUNS[:2], altered], Notes())
    assert found.earned == "unit-alone"
    assert "0001: report-001.json was altered" in found.missing


def test_a_stage_may_be_accepted_without_a_run_but_never_over_a_fail():
    skip = Skipped("unit-alone", "no bench in this workshop", "A. Tester")
    found = record(RUNS[3:6], Notes((), (skip,)))
    assert found.earned == "dry-spin"
    assert [step.accepted for step in found.steps[:2]] == ["A. Tester", "A. Tester"]
    wet = Skipped("power-up", "in a hurry", "A. Tester")
    assert record(RUNS[:3], Notes((), (wet,))).earned == "unit-alone"


def test_an_anchor_lasts_until_its_unit_or_definition_changes():
    rows = [replace(RUNS[0], anchored={"units.front.speed": "s", "pack.voltage": "v"}), *RUNS[1:]]
    assert record(rows).anchored == {"pack.voltage": "0001"}  # the front unit was flashed
    assert record(rows, Notes()).anchored == {"units.front.speed": "0001", "pack.voltage": "0001"}


def test_values_are_followed_from_run_to_run():
    rows = [
        replace(RUNS[3], trends={"sag, pack, %": 1.0}),
        replace(RUNS[6], trends={"sag, pack, %": 2}),
    ]
    assert record(rows).trends == {"sag, pack, %": (("0004", 1.0), ("0008", 2))}
