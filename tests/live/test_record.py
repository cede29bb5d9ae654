"""``canscope record`` as people run it: killed, suspended, and on full disks."""

import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
import tomllib
from contextlib import suppress

import pytest

from canscope.capture.read import read_capture
from canscope.checking.inputs import inputs_of
from canscope.checking.judging import judge_files
from canscope.cli.main import main
from canscope.live.run_folder.notes import recording_notes
from canscope.live.run_folder.run_file import read_run_file
from canscope.rules import RULES
from canscope.simulate.faults.catalogue import find_fault
from canscope.simulate.folder import write_run
from canscope.simulate.runs import excerpt
from tests.live.adapter import Adapter, lines_of
from tests.live.stand import (
    CHANNELS,
    Control,
    Waiting,
    as_candump,
    ended,
    frames_in,
    kill,
    record,
    recorder_pid,
    run_with,
    wait_for,
)


@pytest.fixture
def adapter(tmp_path):
    one = Adapter(tmp_path / "tty")
    yield one
    one.unplug()


@pytest.fixture
def started(tmp_path, adapter):
    """A recording of one adapter that is under way, and what ends it if the test does not."""
    processes = []

    def start(*more, **popen):
        process = record(tmp_path / "run", bus(adapter), more=more, **popen)
        processes.append(process)
        wait_for(lambda: (tmp_path / "run" / "run.toml").exists())
        return process

    yield start
    for process in processes:
        process.kill()
        process.communicate()


def bus(adapter):
    return f"can0=slcan:{adapter.link}@500000"


def facts(run):
    return tomllib.loads((run / "run.toml").read_text())


def speak(adapter, seconds, start=0, until=lambda: False):
    """A frame every half millisecond, for so long or until something is so."""
    end, number = time.monotonic() + seconds, start
    while time.monotonic() < end and not (number % 100 == 0 and until()):
        adapter.offer(b"t1234%08X\r" % number)
        number += 1
        time.sleep(0.0005)


def checked(run, plan):
    """``canscope check`` on a run folder: exit code and what it prints."""
    words = [sys.executable, "-m", "canscope", "check", str(run), "--plan", str(plan)]
    words += ["--out", str(run.parent / "checked")]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr
    return done.returncode, " ".join((done.stdout + done.stderr).split())


def test_killed_at_any_instant_all_but_the_last_fifth_of_a_second_is_kept(tmp_path, hot, request):
    rng, kills = random.Random(7), request.config.getoption("--kills")
    control = Control()
    request.addfinalizer(control.kill)
    killed = []
    for first in range(0, kills, 2):
        together = [
            Killed(tmp_path / str(n), rng.uniform(0.3, 0.9)) for n in range(first, first + 2)
        ]
        for one in together:
            one.start()
        for one in together:
            one.join()
        killed += together
    waited_s = control.waited_s()
    for one in killed:
        assert one.found == "", one.found
        tenth = int(one.at_s * 10)
        late_s = max(waited_s.get(n, 0.0) for n in range(tenth - 10, tenth + 2))
        assert one.kept >= one.least(0.2 + late_s), late_s
    _, said = checked(tmp_path / "0" / "run", hot.plan)
    assert "the recording has no end marker" in said


class Killed(threading.Thread):
    """One recording that is killed after some seconds; ``found`` says what was wrong with it."""

    def __init__(self, place, after_s):
        super().__init__()
        self._place, self._after_s, self.found = place, after_s, "it did not come to its end"

    def run(self):
        self._place.mkdir()
        run, adapter = self._place / "run", Adapter(self._place / "tty")
        process = record(run, bus(adapter))
        try:
            wait_for(lambda: (run / "run.toml").exists(), 300)
            speak(adapter, self._after_s)
            both = [recorder_pid(process), process.pid]
            self.at_s = time.monotonic()
            for pid in both:  # as when the power is lost: the watcher too
                kill(pid)
        finally:
            process.kill()
            process.communicate()
            adapter.unplug()
        kept = [text for _, text in frames_in(run)]
        self.kept, self._fetched = len(kept), adapter.fetched
        read = sum(map(len, read_capture(run / "capture-0001.log")))
        if kept != [as_candump(line) for line in adapter.sent[: len(kept)]]:
            self.found = "a frame is missing within what was kept"
        else:
            self.found = "" if read == len(kept) else "a reader counts otherwise"

    def least(self, late_s):
        """How many frames the adapter had handed over so long before it was killed."""
        handed = [sent for at, sent in self._fetched if at < self.at_s - late_s]
        return max(handed, default=0) // len(b"t123400000000\r")

    def lost_s(self):
        """From the instant at which the last frame that was kept was handed over to its end."""
        size = self.kept * len(b"t123400000000\r")
        return self.at_s - next((at for at, sent in self._fetched if sent >= size), self.at_s)


def test_a_killed_recorder_is_told_loudly_by_the_one_who_watches(tmp_path, adapter, started):
    process = started()
    speak(adapter, 0.2)
    kill(recorder_pid(process))
    out, code = ended(process)
    assert code == 2
    assert "STOP recorder: RECORDER STOPPED: its process was killed by signal 9" in out
    assert facts(tmp_path / "run")["end"]["in_order"] is False


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_asked_to_end_it_ends_in_order_with_everything_kept(tmp_path, adapter, started, number):
    process = started()
    speak(adapter, 0.3)
    wait_for(lambda: len(frames_in(tmp_path / "run")) == len(adapter.sent))
    kill(process.pid, number)
    out, code = ended(process)
    assert (code, "Traceback" in out) == (0, False)
    end = facts(tmp_path / "run")["end"]
    assert (end["in_order"], end["reason"]) == (True, f"told to end by {number.name}")
    assert [text for _, text in frames_in(tmp_path / "run")] == [
        as_candump(line) for line in adapter.sent
    ]
    assert adapter.wrote_only_what_a_listener_may()
    assert adapter.commands == [b"C\r", b"S6\r", b"L\r", b"C\r"]


def test_without_its_watcher_the_recorder_ends_in_order_and_says_why(tmp_path, adapter, started):
    process = started()
    speak(adapter, 0.2)
    wait_for(lambda: len(frames_in(tmp_path / "run")) == len(adapter.sent))
    kill(process.pid)
    wait_for(lambda: facts(tmp_path / "run").get("end"))
    assert facts(tmp_path / "run")["end"]["reason"] == "the watching process ended"
    assert len(frames_in(tmp_path / "run")) == len(adapter.sent)


def test_a_recorder_that_was_suspended_is_told_loudly_says_so_and_goes_on(
    tmp_path, adapter, started
):
    said, run = tmp_path / "said.txt", tmp_path / "run"
    with said.open("w") as file:
        process = started(stdout=file)
        pid = recorder_pid(process)
        speak(adapter, 0.2)
        kill(pid, signal.SIGSTOP)
        speak(adapter, 60, start=10_000, until=lambda: "(suspended?)" in said.read_text())
        kill(pid, signal.SIGCONT)
        speak(adapter, 0.2, start=1_000_000)
        wait_for(lambda: frames_in(run)[-1][1] == as_candump(adapter.sent[-1]))
        kill(process.pid, signal.SIGTERM)
        assert process.wait(60) == 0
    assert "STOP recorder: RECORDER STOPPED: its process says nothing any more" in said.read_text()
    assert any("did not run for" in event["what"] for event in facts(run)["events"])
    assert sum(chunk.tally.dropped for chunk in read_capture(run / "capture-0001.log")) >= 1
    assert {text for _, text in frames_in(run)} <= {as_candump(line) for line in adapter.sent}


def test_an_adapter_that_is_pulled_stops_the_test_and_recording_goes_on_when_it_is_back(
    tmp_path, hot, adapter, started
):
    run = tmp_path / "run"
    process = started()
    speak(adapter, 0.2)
    wait_for(lambda: len(frames_in(run)) == len(adapter.sent))
    adapter.say(b"t12381122")
    wait_for(adapter.drained)
    adapter.unplug()
    wait_for(lambda: "went away" in str(facts(run)["events"]))
    adapter.refuses = b"L\r"  # it comes back and does not listen only
    adapter.plug_in()
    wait_for(lambda: "does not come back" in str(facts(run)["events"]))
    time.sleep(0.5)  # the watching process looks every tenth of a second
    adapter.refuses = b""
    wait_for(lambda: "is back after" in str(facts(run)["events"]))
    adapter.unplug()
    wait_for(lambda: str(facts(run)["events"]).count("went away") == 2)
    adapter.plug_in()
    wait_for(lambda: str(facts(run)["events"]).count("is back after") == 2)
    speak(adapter, 0.2, start=10_000)
    wait_for(lambda: len(frames_in(run)) == len(adapter.sent))
    kill(process.pid, signal.SIGTERM)
    out, code = ended(process)
    assert code == 0
    for number in (1, 2):  # each outage is an alarm of its own
        assert f"STOP recorder: RECORDER STOPPED on can0: its adapter went away ({number})" in out
    refused = "the adapter refuses silent open"
    assert "STOP recorder: can0: its adapter does not come back: " in out
    assert refused in out
    assert refused in str(facts(run)["events"])
    assert "WARNING replug: can0: an adapter is back at " in out
    assert [text for _, text in frames_in(run)] == [as_candump(line) for line in adapter.sent]
    assert adapter.wrote_only_what_a_listener_may()
    code, said = checked(run, hot.plan)
    assert code == 1  # whatever was lost meanwhile, the recording is not whole
    assert "the adapter went away" in said
    assert refused in said


def test_a_second_recorder_on_one_folder_is_refused(tmp_path, adapter, started):
    started()
    other = Adapter(tmp_path / "tty2")
    out, code = ended(record(tmp_path / "run", f"can1=slcan:{other.link}@500000"))
    other.unplug()
    assert code == 2
    assert "another recorder is writing into this folder" in out
    assert other.commands == []  # refused before any adapter was touched


def test_a_folder_that_holds_anything_is_refused(tmp_path, adapter):
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "notes.txt").write_text("mine")
    out, code = ended(record(tmp_path / "run", bus(adapter)))
    assert code == 2
    assert "not empty" in out
    assert adapter.commands == []


def test_an_adapter_that_cannot_be_opened_leaves_nothing_behind(tmp_path):
    out, code = ended(record(tmp_path / "run", f"can0=slcan:{tmp_path / 'none'}@500000"))
    assert (code, "Traceback" in out) == (2, False)
    assert "cannot be opened" in out
    assert not (tmp_path / "run").exists()


def test_an_adapter_that_is_not_known_to_be_silent_needs_a_signature(tmp_path, hot):
    mute, run = Adapter(tmp_path / "tty", answers=False), tmp_path / "run"
    out, code = ended(record(run, bus(mute), more=("--for", "0.5")))
    assert code == 2
    assert "not known to be silent" in out
    process = record(run, bus(mute), more=("--not-silent", "a bench without a vehicle"))
    wait_for(lambda: (run / "run.toml").exists())
    speak(mute, 0.2)
    wait_for(lambda: frames_in(run))
    kill(process.pid, signal.SIGTERM)
    out, code = ended(process)
    mute.unplug()
    assert code == 0
    assert "NOT KNOWN TO LISTEN ONLY" in out
    assert facts(run)["run"]["not_silent"] == "a bench without a vehicle"
    assert mute.wrote_only_what_a_listener_may()
    checked(run, hot.plan)
    for kind in ("html", "json"):
        (page,) = (tmp_path / "checked").glob(f"*.{kind}")
        assert "signed for: a bench without a vehicle" in page.read_text(), kind


def test_a_run_in_many_small_files_is_judged_as_one_in_a_single_file(tmp_path, hot):
    """Rotated by size; live and afterwards, nothing is lost or found twice at the joints."""
    reports = []
    for name, more in (("whole", ()), ("parts", ("--rotate-mb", "0.02"))):
        source = f"*=replay:{hot.capture}@20"
        _, code = ended(record(tmp_path / name / "run", source, plan=hot.plan, more=more))
        assert code == 1
        found = next((tmp_path / name / "run" / "reports").glob("*.json")).read_text()
        alarms = facts(tmp_path / name / "run")["watch"]["alarms"]
        told = {(a["rule"], a["subject"], a["at_ns"]) for a in alarms if a["rule"] in RULES}
        reports.append((json.loads(found)["findings"], told))
    files = sorted((tmp_path / "parts" / "run").glob("capture-*.log"))
    assert len(files) > 5
    assert b"".join(path.read_bytes() for path in files) == hot.capture.read_bytes()
    assert reports[0] == reports[1]
    tables = [tmp_path / "of_run.csv", tmp_path / "of_file.csv"]
    for capture, table in zip((tmp_path / "parts" / "run", hot.capture), tables, strict=True):
        definition = hot.plan.parent / "drive_unit.dbc"
        words = ["decode", capture, "--to", table, "--definitions", definition]
        assert main([str(word) for word in words]) == 0
    assert tables[0].read_text() == tables[1].read_text()


def test_each_adapter_is_checked_in_words_as_soon_as_frames_come(tmp_path, adapter):
    said = tmp_path / "said.txt"
    with said.open("w") as file:
        process = record(tmp_path / "run", bus(adapter), stdout=file)
        wait_for(lambda: (tmp_path / "run" / "run.toml").exists())
        speak(adapter, 60, until=lambda: "frames/s" in said.read_text())
        kill(process.pid, signal.SIGTERM)
        assert process.wait(60) == 0
    adapter = r"can0: serial adapter opened -> listens only"
    words = adapter + r" -> (\d+) frames/s -> error frames not carried"
    found = re.search(words, said.read_text())
    assert 0 < int(found[1]) <= 2000  # never more than one in half a millisecond is offered


def test_a_file_size_limit_stops_the_recorder_loudly_and_keeps_what_was_written(
    tmp_path, adapter, started
):
    """The nearest thing to a full disk that needs no rights: the system refuses further bytes."""
    import resource

    def small():
        resource.setrlimit(resource.RLIMIT_FSIZE, (80_000, 80_000))

    process = started(preexec_fn=small)
    speak(adapter, 60, until=lambda: facts(tmp_path / "run").get("end"))
    out, code = ended(process)
    assert code == 2
    assert "RECORDER STOPPED: nothing can be written any more" in out
    assert "File too large" in facts(tmp_path / "run")["end"]["reason"]
    kept = [text for _, text in frames_in(tmp_path / "run")]
    assert len(kept) > 1000
    assert kept == [as_candump(line) for line in adapter.sent[: len(kept)]]


@pytest.fixture
def tiny(tmp_path):
    """A file system of 256 KiB, where this user may make one."""
    place = tmp_path / "tiny"
    place.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(place)]
    if os.geteuid() or subprocess.run(words, capture_output=True, check=False).returncode:
        pytest.skip("mounting a file system is not allowed here")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def test_a_full_disk_stops_the_recorder_loudly_with_the_reason_on_that_disk(tiny, adapter):
    process = record(tiny / "run", bus(adapter))
    wait_for(lambda: (tiny / "run" / "run.toml").exists())
    speak(adapter, 60, until=lambda: facts(tiny / "run").get("end"))
    out, code = ended(process)
    assert code == 2
    assert "the disk is low" in out
    assert "RECORDER STOPPED: nothing can be written any more: No space left" in out
    assert "No space left" in facts(tiny / "run")["end"]["reason"]
    kept = [text for _, text in frames_in(tiny / "run")]
    assert kept == [as_candump(line) for line in adapter.sent[: len(kept)]]
    assert len(kept) > 1000


def test_a_disk_that_is_full_before_it_begins_is_told_in_words(tiny, hot, adapter):
    with suppress(OSError):
        (tiny / "large").write_bytes(b"x" * (1 << 20))
    with suppress(OSError):
        (tiny / "rest").write_bytes(b"x" * (1 << 12))
    for plan in (None, hot.plan):
        out, code = ended(record(tiny / "run", bus(adapter), plan=plan))
        assert (code, "Traceback" in out) == (2, False)
        assert "No space left" in out
        shutil.rmtree(tiny / "run", ignore_errors=True)


def test_end_to_end_the_alarm_names_the_right_thing_in_time(tmp_path, demo_fault, player):
    """Three adapters play a demo run until its fault has shown, each bus by itself."""
    made_up = run_with(demo_fault.fault, demo_fault.vehicle)
    whole = write_run(made_up, tmp_path / "whole")
    fault = find_fault(demo_fault.fault)
    found = judge_files(inputs_of([str(whole.capture)], whole.plan)).findings
    shown_s = [f.first_failed_s for f in found if f.rule in fault.must and f.first_failed_s]
    until_s = max(shown_s, default=16.0) + 4.0
    files = write_run(excerpt(made_up, 0.0, until_s), tmp_path / "made")
    play, run = player(files.capture), tmp_path / "run"
    process = record(run, *play.buses, plan=files.plan)
    wait_for(lambda: (run / "run.toml").exists(), 60)
    waiting = Waiting(process.pid, recorder_pid(process))
    play.go()
    play.played()
    offered = sum(len(list(lines_of(files.capture, name))) for name in CHANNELS)
    wait_for(lambda: len(frames_in(run)) == offered)
    waiting.end()
    kill(process.pid, signal.SIGTERM)
    out, _ = ended(process, 120)
    said, ran = play.facts(), facts(run)
    # Nothing but close, bit rate and silent open was ever written to an adapter.
    assert all(one["clean"] for one in said)
    assert {command for one in said for command in one["commands"]} == {"C\r", "S6\r", "L\r"}
    assert [one["dropped"] for one in said] == [0, 0, 0]
    assert (ran["end"]["in_order"], ran["end"]["dropped"]) == (True, 0)
    assert ran["end"]["frames"] == sum(one["offered"] for one in said) == len(frames_in(run))
    alarms = ran["watch"]["alarms"]
    assert fault.must <= {alarm["rule"] for alarm in alarms}
    anchor_ns = ran["clock"]["anchor_ns"]
    for alarm in alarms:  # frames wait to be judged only where the machine lets the judge wait
        if alarm["rule"] == "judge":
            raised_ns = alarm["raised_ns"] - anchor_ns
            assert waiting.between_s(raised_ns - 10**9, raised_ns) > 0.1
    stopped = {alarm["rule"] for alarm in alarms if alarm["stop"]} - {"judge"}
    assert stopped <= fault.must | fault.may | {"stale"}  # all falls silent where the file ends
    for rule in fault.must:
        word = "STOP" if RULES[rule].stops else "WARNING"
        assert f"{word} {rule}: " in out
    for alarm in alarms:
        at_ns, raised_ns = alarm["at_ns"] - anchor_ns, alarm["raised_ns"] - anchor_ns
        late_s, granted_s = (raised_ns - at_ns) / 1e9, waiting.between_s(at_ns, raised_ns)
        print(f"{demo_fault.fault}: {alarm['rule']} after {late_s:.3f} s, waited {granted_s:.3f} s")
        if alarm["rule"] in fault.must:
            assert late_s < 1.0 + granted_s  # 0.2 s where nothing else runs; it too waits its turn
    report = json.loads(next((run / "reports").glob("*.json")).read_text())
    told = {(f["rule"], f["verdict"]) for f in report["findings"]}
    assert {(rule, "fail") for rule in fault.must} <= told
    assert {(rule, "unproven") for rule in fault.unproven} <= told
    text = checked(run, files.plan)[1]
    assert "error frames are not carried in this recording" in text


def test_a_run_that_was_changed_afterwards_says_so(tmp_path, hot):
    run = tmp_path / "run"
    out, code = ended(record(run, f"*=replay:{hot.capture}@max"))
    assert code == 0
    assert "the replayed file has ended" in out
    assert (run / "capture-0001.log").read_bytes() == hot.capture.read_bytes()
    assert recording_notes(run, read_run_file(run)) == ()
    with open(run / "capture-0001.log", "ab") as file:
        file.write(b"(1715677300.000000) can0 123#\n")
    (run / "capture-0002.log").write_bytes(b"(1715677300.000000) can0 123#\n")
    assert recording_notes(run, read_run_file(run)) == (
        "capture-0001.log was changed after the run ended",
        "capture-0002.log was added after the run ended",
    )
