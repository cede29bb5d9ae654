"""READY is a promise: every single thing that speaks against it withholds it, by its name."""

from dataclasses import replace

import pytest

import canscope.live.watching.watch
from canscope.live.recording.status import RecorderStatus
from canscope.live.run_folder.run_file_schema import Bus
from canscope.live.watching.watch import Watch
from canscope.plan.load import read_plan

S = 10**9
BEGAN = 1_790_000_000 * S
END = BEGAN + 5 * S
LAST = END - S // 100 + 100  # the stamp of the last frame
PLAN = """format = 1
[job]
vehicle = "v"
stage = "unit-alone"
coolant = "empty"
oil = "empty"
[buses]
can0 = { definitions = ["u.dbc"], bitrate = 500_000 }
[units.front]
speed = "can0:Fast.Speed"
temperatures = { winding = "can0:Slow.Winding" }
"""
DEFINITION = """VERSION ""
BS_:
BU_: U
BO_ 256 Fast: 2 U
 SG_ Speed : 0|16@1- (1,0) [-20000|20000] "rpm" U
BO_ 257 Slow: 2 U
 SG_ Winding : 0|16@1- (1,0) [-40|200] "degC" U
"""
DRY = "nobody can tell how long it turned dry in earlier runs"
BUS = Bus(state="recording", silent=True, last_ns=LAST)
STATUS = RecorderStatus(now_ns=END, buses={"can0": BUS})


@pytest.fixture(autouse=True)
def patient(monkeypatch):
    """The first round of judging loads libraries: that it was late is no matter here."""
    monkeypatch.setattr(canscope.live.watching.watch, "LATE_S", float("inf"))


def watching(
    folder, *, rpm=0, winding=20, silent_from=END, heard=True, bus=(), uncounted=(), **status
):
    """A watch that has judged 5 s of a unit; its speed falls silent at ``silent_from``."""
    (folder / "u.dbc").write_text(DEFINITION)
    (folder / "bench.toml").write_text(PLAN)
    plan = read_plan(folder / "bench.toml")
    plan = replace(plan, bench=replace(plan.bench, uncounted=uncounted))
    lines, speed = [], rpm.to_bytes(2, "little").hex().upper()
    for at in range(BEGAN, END, S // 100):
        stamp = f"({at // S}.{at % S // 1000:06d}) can0"
        degrees = winding.to_bytes(2, "little", signed=True).hex().upper()
        lines += [f"{stamp} 100#{speed}\n"] * (at < silent_from)
        lines += [f"{stamp[:-6]}1) can0 101#{degrees}\n"]
    (folder / "capture-0001.log").write_text("".join(lines))
    reported = replace(STATUS, buses={"can0": replace(BUS, **dict(bus))}, **status)
    watch = Watch(folder, plan, status=lambda: reported, heard=heard)
    watch.follow(lambda: False)
    assert not watch.broken
    return watch


def test_it_is_given_when_nothing_speaks_against_it(tmp_path):
    glance = watching(tmp_path).glance()
    assert (glance.word, glance.why) == ("READY", ())


@pytest.mark.parametrize(
    ("what", "why"),
    [
        ({"bus": {"silent": False}}, "can0: not known to be silent"),
        ({"silent_from": END - 2 * S}, "units.front.speed is stale"),
        ({"silent_from": BEGAN}, "units.front.speed was never heard"),
        ({"winding": -40}, "units.front.temperatures.winding: its sensor cannot be believed"),
        ({"disk_low": True, "disk_free": 5_000_000}, "the disk is low"),
        ({"heard": False}, "the sound test was not confirmed"),
        ({"now_ns": END + 2 * S}, "can0: no frame for 2.0 s"),
        ({"bus": {"last_ns": 0}}, "can0: no frame yet"),
        ({"uncounted": ("monday",)}, f"{DRY}: monday"),
    ],
)  # fmt: skip
def test_each_of_these_withholds_it_by_its_name(tmp_path, what, why):
    glance = watching(tmp_path, **what).glance()
    assert glance.word == "NOT READY"
    assert why in glance.why


def test_a_signature_stands_for_an_adapter_that_is_not_known_to_be_silent(tmp_path):
    watch = watching(tmp_path, bus={"silent": False}, not_silent="a bench without a vehicle")
    assert watch.glance().word == "READY"


@pytest.mark.parametrize(
    ("what", "said"),
    [
        ({"bus": {"state": "lost", "gaps": 1}}, "RECORDER STOPPED on can0: its adapter went away"),
        ({"hung": ["can0"]}, "RECORDER STOPPED on can0: no answer"),
    ],
)
def test_a_bus_that_is_not_recorded_any_more_stops(tmp_path, what, said):
    watch = watching(tmp_path, **what)
    assert watch.glance().word == "STOP"
    assert said in watch.glance().why[0]
    watch.acknowledge()
    assert watch.glance().word == "NOT READY"


def test_a_low_disk_warns(tmp_path):
    watch = watching(tmp_path, disk_low=True, disk_free=5_000_000)
    watch.glance()
    assert [(a.rule, a.stops, a.text) for a in watch.alarms] == [
        ("disk", False, "the disk is low: 5 MB are free")
    ]


def test_a_silence_while_a_unit_turns_stops_within_a_fifth_of_a_second_of_its_deadline(tmp_path):
    """By hand: heard every 10 ms, stale after 100 ms; the picture is drawn anew every 100 ms."""
    watch = watching(tmp_path, rpm=300)
    first = None
    for late_ms in range(0, 400, 10):
        watch._status = lambda at=late_ms: replace(STATUS, now_ns=END + at * 1_000_000)
        if watch.glance().word == "STOP":
            first = late_ms
            break
        assert watch.glance().word == "TURNING"
    assert 100 < first + (END - LAST) / 1e6 <= 100 + 200 - 100
    assert "units.front.speed (can0:Fast.Speed) is silent for" in watch.glance().why[0]
