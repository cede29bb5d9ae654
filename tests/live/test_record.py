"""``canscope record`` as people run it: killed, suspended, and on full disks."""

import json
import os
import random
import signal
import subprocess
import sys
import time
import tomllib

import pytest

from canscope.capture.read import read_capture
from canscope.live.folder import notes_of
from tests.live.adapter import Adapter
from tests.live.stand import (
    as_candump,
    ended,
    frames_in,
    kill,
    made,
    record,
    recorder_pid,
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


def speak(adapter, seconds, start=0):
    """A frame every half millisecond; when each was offered."""
    offered, end = [], time.monotonic() + seconds
    number = start
    while time.monotonic() < end:
        adapter.offer(b"t1234%08X\r" % number)
        offered.append(time.monotonic())
        number += 1
        time.sleep(0.0005)
    return offered


def checked(run, plan):
    """``canscope check`` on a run folder: exit code and what it prints."""
    words = [sys.executable, "-m", "canscope", "check", str(run), "--plan", str(plan)]
    words += ["--out", str(run.parent / "checked")]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr
    return done.returncode, " ".join((done.stdout + done.stderr).split())


def test_killed_at_any_instant_all_but_the_last_fifth_of_a_second_is_kept(tmp_path, hot, request):
    rng = random.Random(7)
    for number in range(request.config.getoption("--kills")):
        place = tmp_path / str(number)
        place.mkdir()
        adapter = Adapter(place / "tty")
        process = record(place / "run", bus(adapter))
        wait_for(lambda place=place: (place / "run" / "run.toml").exists())
        offered = speak(adapter, rng.uniform(0.3, 0.9))
        both = [recorder_pid(process), process.pid]
        killed = time.monotonic()
        for pid in both:  # as when the power is lost: the watcher too
            kill(pid)
        process.communicate()
        adapter.unplug()
        kept = [text for _, text in frames_in(place / "run")]
        assert kept == [as_candump(line) for line in adapter.sent[: len(kept)]]  # none missing
        assert adapter.dropped == 0 or len(kept) < len(adapter.sent)
        assert len(kept) >= sum(at < killed - 0.2 for at in offered)
        chunks = list(read_capture(place / "run" / "capture-0001.log"))
        assert sum(map(len, chunks)) == len(kept)
    _, said = checked(place / "run", hot.plan)
    assert "the recording has no end marker" in said


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
    time.sleep(0.1)
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
    kill(process.pid)
    wait_for(lambda: facts(tmp_path / "run").get("end"))
    assert facts(tmp_path / "run")["end"]["reason"] == "the watching process ended"
    assert len(frames_in(tmp_path / "run")) == len(adapter.sent)


def test_a_recorder_that_was_suspended_says_so_and_goes_on(tmp_path, adapter, started):
    process = started()
    pid = recorder_pid(process)
    speak(adapter, 0.2)
    kill(pid, signal.SIGSTOP)
    speak(adapter, 0.8, start=10_000)
    kill(pid, signal.SIGCONT)
    speak(adapter, 0.2, start=20_000)
    time.sleep(0.2)
    kill(process.pid, signal.SIGTERM)
    ended(process)
    run = tmp_path / "run"
    assert any("did not run for" in event["what"] for event in facts(run)["events"])
    assert sum(chunk.tally.dropped for chunk in read_capture(run / "capture-0001.log")) >= 1
    kept = [text for _, text in frames_in(run)]
    assert set(kept) <= {as_candump(line) for line in adapter.sent}
    assert kept[-1] == as_candump(adapter.sent[-1])


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


def test_an_adapter_that_is_not_known_to_be_silent_needs_a_signature(tmp_path):
    mute = Adapter(tmp_path / "tty", answers=False)
    out, code = ended(record(tmp_path / "run", bus(mute), more=("--for", "0.5")))
    assert code == 2
    assert "not known to be silent" in out
    signed = ("--for", "0.5", "--not-silent", "a bench without a vehicle")
    out, code = ended(record(tmp_path / "run", bus(mute), more=signed))
    mute.unplug()
    assert code == 0
    assert "NOT KNOWN TO BE SILENT" in out
    assert facts(tmp_path / "run")["run"]["not_silent"] == "a bench without a vehicle"
    assert mute.wrote_only_what_a_listener_may()


def test_a_file_size_limit_stops_the_recorder_loudly_and_keeps_what_was_written(
    tmp_path, adapter, started
):
    """The nearest thing to a full disk that needs no rights: the system refuses further bytes."""
    import resource

    def small():
        resource.setrlimit(resource.RLIMIT_FSIZE, (80_000, 80_000))

    process = started(preexec_fn=small)
    speak(adapter, 2.5)
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
    speak(adapter, 5.0)
    out, code = ended(process)
    assert code == 2
    assert "the disk is low" in out
    assert "RECORDER STOPPED: nothing can be written any more: No space left" in out
    assert "No space left" in facts(tiny / "run")["end"]["reason"]
    kept = [text for _, text in frames_in(tiny / "run")]
    assert kept == [as_candump(line) for line in adapter.sent[: len(kept)]]
    assert len(kept) > 1000


def test_end_to_end_the_alarm_names_the_right_thing_in_time(tmp_path, hot, player):
    """Three adapters play the first 15 s of a run whose front winding heats up too fast."""
    play = player(made(tmp_path / "made", "hot-while-dry", until_s=15.0).capture)
    run = tmp_path / "run"
    process = record(run, *play.buses, plan=hot.plan, more=("--for", "15.5"))
    out, code = ended(process, 60)
    said = play.facts()
    assert code == 1
    assert "STOP temperature-rate: Front winding" in out
    assert all(one["clean"] for one in said)
    assert [one["dropped"] for one in said] == [0, 0, 0]
    ran = facts(run)
    assert ran["end"]["in_order"]
    assert 0 < ran["end"]["frames"] <= sum(one["offered"] for one in said)
    assert ran["end"]["dropped"] == 0
    late = {a["rule"]: (a["raised_ns"] - a["at_ns"]) / 1e6 for a in ran["watch"]["alarms"]}
    print(late, ran["watch"]["delay_ms"])
    assert late["temperature-rate"] < 500  # 200 on an idle machine, which CI is not
    assert ran["watch"]["delay_ms"]["median"] < 200
    report = json.loads(next((run / "reports").glob("*.json")).read_text())
    assert report["verdict"] == "fail"
    code, text = checked(run, hot.plan)
    assert code == 1
    assert "error frames are not carried in this recording" in text


def test_a_run_that_was_changed_afterwards_says_so(tmp_path, hot):
    run = tmp_path / "run"
    out, code = ended(record(run, f"*=replay:{hot.capture}@max"), 60)
    assert code == 0
    assert "the replayed file has ended" in out
    assert (run / "capture-0001.log").read_bytes() == hot.capture.read_bytes()
    assert notes_of(run) == ()
    with open(run / "capture-0001.log", "ab") as file:
        file.write(b"(1715677300.000000) can0 123#\n")
    (run / "capture-0002.log").write_bytes(b"(1715677300.000000) can0 123#\n")
    assert notes_of(run) == (
        "capture-0001.log was changed after the run ended",
        "capture-0002.log was added after the run ended",
    )
