"""Earlier runs of a vehicle: what they turned dry is added up, and what is unknown is told.

The demo vehicle's script says when its axles turn; that is the outside word on the seconds.
"""

import fcntl
import json
import os
import shutil
from dataclasses import asdict, replace

import pytest

from canscope.checking.inputs import inputs_of
from canscope.checking.judging import judge_files
from canscope.cli.main import main
from canscope.live.run_folder.earlier_runs import as_recorded, earlier_runs_of, shown_by
from canscope.live.run_folder.folder import RunFolder
from canscope.live.run_folder.run_file import complete_run_file, read_run_file, write_run_file
from canscope.live.run_folder.run_file_schema import (
    REPLAYED,
    RoleAsBound,
    RunBus,
    RunClock,
    RunEnd,
    RunFile,
    ShownByRun,
)
from canscope.live.run_folder.toml import toml_text
from canscope.model.errors import CanscopeError
from canscope.plan.load import read_plan
from canscope.report.wording import weakened
from canscope.simulate.folder import write_run
from canscope.simulate.runs import excerpt, make_run
from tests.live.stand import ended, record

UNITS = ("front", "rear")


@pytest.fixture(scope="module")
def spun(tmp_path_factory):
    """The first burst of the healthy dry spin, and how long each axle truly turned in it."""
    run = excerpt(make_run(), 0.0, 18.0)
    files = write_run(run, tmp_path_factory.mktemp("spun"))
    rows = [line.split(",") for line in files.truth.read_text().splitlines()]
    wheels = {unit: rows[0].index(f"{unit}_wheels") for unit in UNITS}
    first = int(rows[1][0])
    until = [row for row in rows[1:] if int(row[0]) - first < 18 * 10**9]
    true_s = {u: sum(float(r[at]) != 0 for r in until) / 20 for u, at in wheels.items()}
    return files, true_s


@pytest.fixture
def garage(tmp_path, spun):
    """Makes run folders as a recorder that was killed leaves them, with no word of what it saw."""

    def make(name, vehicle="Bramble, forestry 4x4", capture=None):
        folder = tmp_path / name
        held = RunFolder(folder)
        held.keep_plan(read_plan(spun[0].plan))
        held.release()
        facts = {"format": 1, "run": {"vehicle": vehicle}}
        (folder / "run.toml").write_text(toml_text(facts))
        shutil.copy(capture or spun[0].capture, folder / "capture-0001.log")
        return folder

    return make


def test_a_killed_run_is_counted_from_its_capture(tmp_path, garage, spun):
    garage("monday")
    earlier = earlier_runs_of(tmp_path / "tuesday", "Bramble, forestry 4x4")
    assert earlier.runs == ("monday",)
    assert min(spun[1].values()) > 2.0
    for unit in UNITS:  # from 50 rpm on here, from 30 rpm on there, sampled at 20 Hz
        assert earlier.turned_dry_s[unit] == pytest.approx(spun[1][unit], abs=0.2)
    assert "units.front.temperatures.winding" in {sensor.role for sensor in earlier.alive}


def test_runs_add_up_and_other_vehicles_do_not(tmp_path, garage, spun):
    garage("monday")
    garage("tuesday")
    garage("wednesday", vehicle="Thistle, parcel van")
    earlier = earlier_runs_of(tmp_path / "thursday", "Bramble, forestry 4x4")
    assert earlier.runs == ("monday", "tuesday")
    assert earlier.turned_dry_s["rear"] == pytest.approx(2 * spun[1]["rear"], abs=0.4)


def test_a_run_is_not_its_own_predecessor(garage):
    folder = garage("monday")
    assert earlier_runs_of(folder, "Bramble, forestry 4x4").runs == ()


def test_a_run_that_cannot_be_judged_makes_the_total_unproven(tmp_path, garage, spun):
    broken = garage("monday")
    (broken / "plan.toml").unlink()
    earlier = earlier_runs_of(tmp_path / "tuesday", "Bramble, forestry 4x4")
    assert earlier.uncounted == ("monday",)
    run = garage("tuesday")
    complete_run_file(run, {"earlier": asdict(earlier)})
    report = judge_files(inputs_of([str(run)], None))
    exposure = [f for f in report.findings if f.rule == "dry-exposure"]
    assert {(f.verdict, f.reason) for f in exposure} == {("unproven", "capture-damaged")}
    assert "monday" in exposure[0].sentence
    assert any("monday" in warning for warning in report.warnings)


NO_RUN_FILES = (
    "[run\n",
    '[shown]\nturned_dry_s = "some"\n',
    'run = "monday"\n',
    "a=" + "[" * 9999,
    "",
)


@pytest.mark.parametrize("text", [*NO_RUN_FILES, None])
def test_a_run_whose_run_file_is_damaged_is_not_passed_over(tmp_path, garage, text):
    monday, tuesday = garage("monday"), garage("tuesday")
    if text is None:  # it would be waited for
        (monday / "run.toml").unlink()
        os.mkfifo(monday / "run.toml")
    else:
        (monday / "run.toml").write_text(text)
    assert earlier_runs_of(tuesday, "Bramble, forestry 4x4").uncounted == ("monday",)
    with pytest.raises(CanscopeError, match=r"run\.toml: the papers of this run"):
        inputs_of([str(monday)], None)


def test_a_run_that_still_goes_on_cannot_be_counted(tmp_path, garage):
    with open(garage("monday") / ".lock", "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        earlier = earlier_runs_of(tmp_path / "tuesday", "Bramble, forestry 4x4")
    assert (earlier.runs, earlier.uncounted) == ((), ("monday",))


def test_a_run_without_a_plan_is_told_as_a_stranger(tmp_path, garage):
    (garage("monday") / "run.toml").write_text('format = 1\n[run]\nnote = "x"\n')
    assert earlier_runs_of(tmp_path / "tuesday", "Bramble, forestry 4x4").strangers == ("monday",)


def test_a_bare_capture_counts_itself_and_says_so(spun):
    report = judge_files(inputs_of([str(spun[0].capture)], spun[0].plan))
    sentences = [f.sentence for f in report.findings if f.rule == "dry-exposure"]
    assert all("this capture alone is counted" in sentence for sentence in sentences)


@pytest.fixture
def tight(spun):
    """A plan whose total the burst of one run keeps, and that of two runs breaks."""
    files, true_s = spun
    most = 1.5 * true_s["front"]
    text = files.plan.read_text().replace("dry_total_s = 60", f"dry_total_s = {most:.2f}")
    plan = files.plan.with_name("tight.toml")
    plan.write_text(text)
    return plan


def replayed(folder, files, plan):
    """A run that plays the capture: what was printed, and dry-exposure of the front unit."""
    out, code = ended(record(folder, f"*=replay:{files.capture}@max", plan=plan))
    assert code in (1, 3), out
    report = json.loads(next((folder / "reports").glob("*.json")).read_text())
    found = [f for f in report["findings"] if f["rule"] == "dry-exposure"]
    return out, {f["subject"]: f["verdict"] for f in found}["front"]


def test_a_limit_that_only_all_runs_together_break_is_broken(tmp_path, garage, spun, tight):
    """A recording of the day before has half used up the total."""
    garage("monday")
    out, verdict = replayed(tmp_path / "tuesday", spun[0], tight)
    assert verdict == "fail"
    assert "earlier runs of this vehicle: monday; turned dry: front" in out
    assert "STOP dry-exposure: Front" in out
    assert read_run_file(tmp_path / "tuesday").shown.turned_dry_s["front"] == pytest.approx(
        spun[1]["front"], abs=0.2
    )
    assert read_run_file(tmp_path / "tuesday").earlier.runs == ("monday",)


def test_a_rehearsal_by_replay_adds_no_seconds_and_vouches_for_no_sensor(
    tmp_path, spun, tight, capsys
):
    """Nothing turned and nothing warmed in it: the vehicle stood still."""
    assert replayed(tmp_path / "monday", spun[0], tight)[1] == "pass"
    assert replayed(tmp_path / "tuesday", spun[0], tight)[1] == "pass"
    earlier = read_run_file(tmp_path / "tuesday").earlier
    assert (earlier.runs, earlier.replays) == ((), ("monday",))
    assert (earlier.alive, dict(earlier.turned_dry_s)) == ((), {})
    to = tmp_path / "report.json"
    assert main(["check", str(tmp_path / "tuesday"), "--json", str(to)]) in (1, 3)
    findings = json.loads(to.read_text())["findings"]
    exposure = {f["subject"]: f for f in findings if f["rule"] == "dry-exposure"}
    assert exposure["front"]["verdict"] == "pass"
    assert exposure["front"]["measured"] == pytest.approx(spun[1]["front"], abs=0.2)
    said = " ".join(capsys.readouterr().out.split())
    assert "monday beside this one is the replay of a file" in said


def test_a_sensor_is_vouched_for_only_while_it_is_the_same_signal_of_the_same_definition(
    tmp_path, garage, spun
):
    garage("monday")
    earlier = earlier_runs_of(tmp_path / "tuesday", "Bramble, forestry 4x4")
    plan, winding = read_plan(spun[0].plan), "units.front.temperatures.winding"

    def vouched(plan):
        return winding in as_recorded(plan, RunFile(earlier=earlier)).bench.moved_before

    def bound(**changed):
        binding = plan.bench.bindings[winding]
        bindings = {**plan.bench.bindings, winding: replace(binding, **changed)}
        return replace(plan, bench=replace(plan.bench, bindings=bindings))

    assert vouched(plan)
    signal = plan.bench.bindings[winding].signal
    assert not vouched(bound(signal=replace(signal, factor=signal.factor * 2)))
    assert not vouched(bound(signal=replace(signal, start_bit=signal.start_bit + 8)))
    rear = plan.bench.bindings["units.rear.temperatures.winding"]
    assert not vouched(bound(signal=rear.signal))
    assert not vouched(bound(offset=-40.0))


def noted(run, value):
    """A run folder in whose marks file a voltmeter on the pack said this; the demo's truth: 358."""
    row = {"at_s": 5.0, "role": "pack.voltage", "value": value, "unit": "V", "uncertainty": 0.5}
    row |= {"instrument": "voltmeter 3", "by": "A. Tester"}
    (run / "marks.jsonl").write_text(json.dumps(row) + "\n")
    return run


def test_a_reading_that_agreed_anchors_its_role_in_later_runs(tmp_path, garage, spun):
    """Until a reading disagrees, or its definition, its binding or its unit becomes another."""
    noted(garage("monday"), 357.9)
    tuesday = garage("tuesday")
    earlier = earlier_runs_of(tuesday, "Bramble, forestry 4x4")
    complete_run_file(tuesday, {"earlier": asdict(earlier)})

    def told():
        report = judge_files(inputs_of([str(tuesday)], None))
        facts = {fact.role: fact for fact in report.roles}
        first_screen = next(line for line in weakened(report) if "anchors" in line)
        assert ("pack voltage" in first_screen) is ("pack.voltage" in report.unanchored)
        return facts["pack.voltage"], report

    pack, report = told()
    assert pack.anchored_by == ("hand-reading in run monday",)
    assert not pack.anchored_here  # the build record goes on to say monday
    assert "pack.current" in report.unanchored
    noted(tuesday, 268.4)  # 75 %
    pack, report = told()
    assert pack.anchored_by == ()
    shown = shown_by(read_plan(tuesday / "plan.toml"), {}, report)
    assert [role.role for role in shown.contradicted] == ["pack.voltage"]
    complete_run_file(tuesday, {"shown": asdict(shown)})
    assert earlier_runs_of(tmp_path / "wednesday", "Bramble, forestry 4x4").anchored == ()

    plan = read_plan(spun[0].plan)

    def anchored(bench):
        return as_recorded(replace(plan, bench=bench), RunFile(earlier=earlier)).bench

    def bound(**changed):
        binding = replace(plan.bench.bindings["pack.voltage"], **changed)
        return replace(plan.bench, bindings={**plan.bench.bindings, "pack.voltage": binding})

    assert anchored(plan.bench).anchored_before == {"pack.voltage": "monday"}
    signal = plan.bench.bindings["pack.voltage"].signal
    assert not anchored(bound(signal=replace(signal, factor=signal.factor * 2))).anchored_before
    assert not anchored(bound(factor=-1.0)).anchored_before
    other = plan.bench.bindings["units.front.link_voltage"].signal
    assert not anchored(bound(signal=other)).anchored_before


def test_the_latest_reading_counts_and_a_replay_anchors_nothing(tmp_path):
    """run.toml alone, without a capture: what its run has shown is written in it."""
    wheel = RoleAsBound("units.front.speed", "can1:UnitFast.MotorSpeed", "ab12")

    def ran(name, started="", *, clock="", **shown):
        (tmp_path / name).mkdir(exist_ok=True)
        run = {"vehicle": "v", **({"started": started} if started else {})}
        file = RunFile(run=run, shown=ShownByRun(**shown), clock=RunClock(kind=clock))
        write_run_file(tmp_path / name, file)

    def anchors():
        earlier = earlier_runs_of(tmp_path / "now", "v")
        return [(one.role, one.run) for one in earlier.anchored]

    ran("a", "2026-03-02 08:00:00 UTC", anchored=(wheel,), clock=REPLAYED)
    assert anchors() == []
    ran("b", "2026-03-03 08:00:00 UTC", anchored=(wheel,))
    assert anchors() == [("units.front.speed", "b")]
    ran("a", "2026-03-04 08:00:00 UTC", contradicted=(wheel,))  # later, whatever its name
    assert anchors() == []
    ran("c", "2026-03-05 08:00:00 UTC", anchored=(wheel,))
    assert anchors() == [("units.front.speed", "c")]
    ran("d", contradicted=(wheel,))  # nobody knows when
    assert anchors() == []


def test_the_clock_that_a_recorder_states_widens_every_time(spun):
    """Its 20 ms are added to the uncertainty of each order, and of each length of a burst."""
    plan = read_plan(spun[0].plan)
    bare = judge_files(inputs_of([str(spun[0].capture)], spun[0].plan))
    inputs = inputs_of([str(spun[0].capture)], spun[0].plan)
    run_file = RunFile(clock=RunClock(uncertainty_ms=20.0))
    stated = judge_files(replace(inputs, run_file=run_file))
    assert as_recorded(plan, run_file).bench.clock_ms == 20.0

    def u(report, rule):
        return next(f.uncertainty for f in report.findings if f.rule == rule and f.uncertainty)

    # The rule's own default for two stamps, 1 ms, gives way to the larger one.
    assert u(stated, "contactor-sequence") == pytest.approx(
        u(bare, "contactor-sequence") + 20 - 1, abs=1e-6
    )
    assert u(stated, "dry-exposure") >= u(bare, "dry-exposure") + 0.02


def test_stamps_that_came_later_than_stated_take_the_proof_of_a_narrow_order(spun):
    """Pre-charge closes 300 ms after negative and opens 250 ms after positive in the demo."""
    inputs = inputs_of([str(spun[0].capture)], spun[0].plan)

    def order(late_ms):
        run_file = RunFile(
            clock=RunClock(uncertainty_ms=20.0),
            buses={"can0": RunBus(late_by_at_most_ms=late_ms)},
            end=RunEnd(in_order=True),
        )
        report = judge_files(replace(inputs, run_file=run_file))
        return next(f for f in report.findings if f.rule == "contactor-sequence")

    assert order(15.0).verdict == "pass"
    assert order(100.0).verdict == "pass"
    late = order(400.0)
    assert (late.verdict, late.reason) == ("unproven", "capture-damaged")
    assert "stamps were up to 400 ms late" in late.sentence
