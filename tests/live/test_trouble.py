"""``canscope record`` in trouble: it stands still, its streams fail, somebody moves its files.

Nothing here rests on how fast the machine is: each test waits for what it wants to see.
"""

import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
import tomllib
from contextlib import suppress

import pytest

from canscope.live.run_folder.notes import recording_notes
from canscope.live.run_folder.run_file import read_run_file
from canscope.live.watching.watchdog import NO_ANSWER
from tests.live.adapter import Adapter
from tests.live.stand import (
    StandingUnit,
    ended,
    frames_in,
    kill,
    record,
    recorder_pid,
    small_plan,
    wait_for,
)

JUDGED = (1, 3)  # a busy machine hears the unit so late that its message fails as silent
HANGS = """
import pathlib, sys, time
import canscope.judge.check as check
feed = check.Run.feed
def hanging(self, signals):
    while pathlib.Path(sys.argv[1]).exists():
        time.sleep(0.01)
    return feed(self, signals)
check.Run.feed = hanging
from canscope.cli.main import main
sys.exit(main(sys.argv[2:]))
"""


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """A unit that stands still behind an adapter, and its plan."""
    processes, start = [], subprocess.Popen
    monkeypatch.setattr(
        subprocess, "Popen", lambda *a, **k: processes.append(start(*a, **k)) or processes[-1]
    )
    adapter = Adapter(tmp_path / "tty")
    unit = StandingUnit(adapter)
    (tmp_path / "shop").mkdir()
    yield f"can0=slcan:{adapter.link}@500000", small_plan(tmp_path / "shop")
    for process in processes:
        process.kill()
        process.wait()
    unit.end()
    adapter.unplug()


def facts(run):
    return tomllib.loads((run / "run.toml").read_text())


def told(run):
    """What a later check says of a run."""
    words = [sys.executable, "-m", "canscope", "check", str(run), "--report", "junit"]
    words += ["--out", str(run.parent / "checked")]
    done = subprocess.run(words, capture_output=True, check=False)
    text = (done.stdout + done.stderr).decode("utf-8", "replace")
    assert "Traceback" not in text
    assert done.returncode in JUDGED, text
    return " ".join(text.split())


def notes_of(run):
    """What every later report on a run says of its recording."""
    return "; ".join(recording_notes(run, read_run_file(run)))


def ready(said):
    """Wait until the last word is READY."""
    wait_for(lambda: re.findall(r"^(READY|NOT READY)", said.read_text(), re.M)[-1:] == ["READY"])


def test_a_watcher_that_stands_still_is_cried_out_and_its_death_is_told_later(tmp_path, bench):
    """Also the recorder, for less than half a second: the stamp after it is so late."""
    said, run = tmp_path / "said.txt", tmp_path / "run"
    with said.open("w") as file:
        process = record(run, bench[0], plan=bench[1], stdout=file)
        ready(said)
        kill(process.pid, signal.SIGSTOP)
        wait_for(lambda: "STOP watch: the watching process stands still" in said.read_text())
        kill(process.pid, signal.SIGCONT)
        wait_for(lambda: "STOP watch: the watching process stood still" in said.read_text())
        pid = recorder_pid(process)
        kill(pid, signal.SIGSTOP)
        time.sleep(0.45)
        kill(pid, signal.SIGCONT)
        wait_for(lambda: "did not run for" in str(facts(run)["events"]))
        kill(process.pid)
        wait_for(lambda: "STOP watch: the watching process died" in said.read_text())
        process.wait()
    wait_for(lambda: facts(run).get("end"))
    assert facts(run)["buses"]["can0"]["late_by_at_most_ms"] >= 440
    later = told(run)
    assert "nobody ended this recording at the screen: the watching process ended" in later
    assert "can0: the recorder did not run for 0." in later


def test_a_judge_that_hangs_turns_ready_into_stop(tmp_path, bench):
    said, hang = tmp_path / "said.txt", tmp_path / "hang"
    words = [sys.executable, "-u", "-c", HANGS, str(hang), "record", str(tmp_path / "run")]
    words += ["--bus", bench[0], "--plan", str(bench[1])]
    with said.open("w") as file:
        subprocess.Popen(words, stdout=file, stderr=subprocess.STDOUT)
        ready(said)
        hang.touch()
        wait_for(lambda: "STOP judge: frames have waited for" in said.read_text())
        hang.unlink()


def test_a_capture_that_is_deleted_stops_the_test_and_recording_goes_on(tmp_path, bench):
    """And a recorder that somebody else ends stops it too."""
    said, run = tmp_path / "said.txt", tmp_path / "run"
    with said.open("w") as file:
        process = record(run, bench[0], plan=bench[1], stdout=file)
        ready(said)
        (run / "capture-0001.log").unlink()
        wait_for(lambda: "STOP recorder: capture-0001.log was deleted" in said.read_text())
        wait_for(lambda: len(frames_in(run)) > 50)  # in the next file
        kill(recorder_pid(process), signal.SIGTERM)
        assert process.wait(60) == 2
    assert "STOP recorder: RECORDER STOPPED: somebody told the recorder alone" in said.read_text()
    assert "capture-0001.log was deleted or renamed while it was recorded" in notes_of(run)


def test_a_run_folder_that_is_renamed_ends_the_run_in_words(tmp_path, bench):
    process = record(tmp_path / "run", bench[0], plan=bench[1])
    wait_for(lambda: frames_in(tmp_path / "run"))
    (tmp_path / "run").rename(tmp_path / "moved")
    out, code = ended(process)
    assert (code, "Traceback" in out) == (2, False)
    assert "RECORDER STOPPED: nothing can be written any more: the run folder was removed" in out
    assert "the run folder was removed or renamed while the run was recorded" in out
    assert frames_in(tmp_path / "moved")


def test_streams_that_are_full_or_closed_end_no_run(tmp_path, bench):
    run, more = tmp_path / "run", ("--for", "1")
    closed = {"preexec_fn": lambda: os.close(0), "stderr": subprocess.PIPE}
    with open("/dev/full", "w") as full:
        process = record(run, bench[0], plan=bench[1], more=more, stdout=full, **closed)
    _, error = process.communicate(timeout=120)
    assert (process.returncode in JUDGED, error) == (True, "")
    assert facts(run)["end"]["reason"] == "the 1 s asked for are over"
    assert "nobody could see what the watching process said: No space left" in notes_of(run)


SLOW = """
import shutil, sys, time
if "canscope.live.recording.process" in sys.orig_argv:
    usage = shutil.disk_usage
    shutil.disk_usage = lambda path: time.sleep(3) or usage(path)
"""


def test_a_reader_that_goes_away_ends_no_run(tmp_path, bench):
    """Nor did a reader of an adapter die that was told to end: 3 in 100 were called dead.

    Once a second the recorder looks how everything is. Here the disk's answer takes so long that
    the end always falls between the questions whether it is told to end and who is alive.
    """
    (tmp_path / "sitecustomize.py").write_text(SLOW)
    path = f"{tmp_path}:{os.environ.get('PYTHONPATH', '')}"
    slow = {"stderr": subprocess.PIPE, "env": {**os.environ, "PYTHONPATH": path}}
    process = record(tmp_path / "run", bench[0], more=("--for", "1.5"), **slow)
    process.stdout.readline()
    process.stdout.close()
    error = process.stderr.read()
    process.stderr.close()
    assert (process.wait(60), error) == (0, "")
    assert facts(tmp_path / "run")["end"]["reason"] == "the 1.5 s asked for are over"
    assert facts(tmp_path / "run")["watch"]["unseen"] == "Broken pipe"
    assert "died" not in str(facts(tmp_path / "run")["events"])


def test_a_dumb_terminal_gets_plain_lines_and_its_keys_work(tmp_path, bench):
    master, slave = pty.openpty()
    words = [sys.executable, "-m", "canscope", "record", str(tmp_path / "run"), "--bus", bench[0]]
    environment = {**os.environ, "TERM": "dumb", "PYTHONIOENCODING": "ascii"}
    process = subprocess.Popen(
        [*words, "--plan", str(bench[1]), "--note", "größer"],
        stdin=slave, stdout=slave, stderr=slave, env=environment, start_new_session=True,
    )  # fmt: skip
    os.close(slave)
    shown = bytearray()

    def shows(pattern):
        if select.select([master], [], [], 0.05)[0]:
            with suppress(OSError):  # the other side has just been closed
                shown.extend(os.read(master, 65536))
        return re.search(pattern, shown)

    wait_for(lambda: shows(rb"NOT READY: .*the sound test was not confirmed"))
    os.write(master, b"h")
    wait_for(lambda: shows(rb"\nREADY "))
    os.write(master, b"q")
    wait_for(lambda: shows(b"q once more ends the recording"))
    kill(process.pid, signal.SIGHUP)
    wait_for(lambda: process.poll() is not None or (shows(b"never") and False))
    assert process.returncode in JUDGED
    os.close(master)
    assert b"\x1b" not in shown
    assert shown.isascii()
    closed = "nobody ended this recording at the screen: its terminal was closed (SIGHUP)"
    assert closed in notes_of(tmp_path / "run")


def test_names_and_words_that_are_not_utf8_are_kept_as_escapes(tmp_path, bench):
    """Also a plan whose files have names of the run folder's own, or lead through a folder."""
    (tmp_path / "shop" / "sub").mkdir()
    plan = small_plan(tmp_path / "shop", "sub/../u.dbc", 'include = "run.toml"')
    (tmp_path / "shop" / "run.toml").write_text("[limits]\ndry_burst_s = 5\n")
    who = "\N{OHM SIGN}\x1b[2J\r\nPASS"
    for name, judged in ((b"one\xff", None), (b"two", plan)):
        run = os.fsdecode(os.path.join(os.fsencode(tmp_path), name))
        words = ("--for", "0.3", "--note", os.fsdecode(b"note \xfe"), "--who", who)
        out, code = ended(record(run, bench[0], plan=judged, more=words))
        assert (code in (*JUDGED, 0), "Traceback" in out) == (True, False), out
        assert not re.search(r"\x1b|^PASS", out, re.M)
    assert facts(tmp_path / "two")["run"]["note"] == "note \\udcfe"
    assert facts(tmp_path / "two")["earlier"]["strangers"][0] == "one\\udcff"
    run = tmp_path / "two"
    text = (run / "capture-0001.log").read_text()
    (run / "capture-0001.log").write_text(text[: text[:-1].rfind("\n") + 1])  # its last line
    assert re.search(r"the recorder counted \d+ frames, and its captures hold \d+", told(run))


def test_no_compiler_runs_to_find_a_sound_library_nor_for_kernels(tmp_path, bench):
    """Stand-ins for sounddevice, which looks for PortAudio by ctypes.util as it does, and numba.

    After a stall a piece to be judged is large enough for kernels, which take a second to load;
    here the engine of large pieces is asked for.
    """
    library, tools = tmp_path / "library", tmp_path / "tools"
    library.mkdir()
    tools.mkdir()
    (library / "sounddevice.py").write_text(
        "import ctypes.util\n"
        "def query_devices(kind):\n"
        "    raise OSError(f'PortAudio: {ctypes.util.find_library(\"no-such-library\")}')\n"
    )
    (library / "numba.py").write_text(
        "import pathlib\n"
        f"if '[end]' not in pathlib.Path({str(tmp_path / 'run' / 'run.toml')!r}).read_text():\n"
        f"    pathlib.Path({str(tmp_path / 'ran')!r}).touch()\n"
        "raise ImportError\n"  # what counts the frames at the end may load it, and fails here
    )
    for name in ("gcc", "cc", "ld"):
        (tools / name).write_text(f"#!/bin/sh\necho {name} >> {tmp_path}/ran\nexit 1\n")
        (tools / name).chmod(0o755)
    environment = {
        **os.environ,
        "PATH": f"{tools}:{os.environ['PATH']}",
        "CANSCOPE_ENGINE": "numba",  # as if each piece were a large one
    }
    environment["PYTHONPATH"] = f"{library}:{os.environ.get('PYTHONPATH', '')}"
    more = {"plan": bench[1], "more": ("--for", "0.5"), "env": environment}
    out, _ = ended(record(tmp_path / "run", bench[0], **more))
    assert not (tmp_path / "ran").exists(), out
    assert facts(tmp_path / "run")["end"]["reason"] == "the 0.5 s asked for are over"
    assert "no audio device: PortAudio: None" in out or NO_ANSWER in out


def test_an_interface_that_cannot_listen_only_is_refused_before_it_is_opened(tmp_path):
    out, code = ended(record(tmp_path / "run", "can0=gs_usb:0"))
    assert code == 2
    assert "not known to be silent: the interface gs_usb has no way to ask for listen-only" in out


HABITS = {  # of an adapter that answers after 80 ms, and what is told of its silence
    "can0": ({}, "confirmed"),
    "can1": ({"ignores": b"L\r"}, "did not answer silent open"),
    "can2": ({"ignores": b"C\r"}, "did not answer its close command"),
    "can3": ({"answers": False}, "did not answer"),
    "can4": ({"ignores": b"L\r", "left": b"\r"}, "did not answer"),
    "can5": ({"refuses": b"L\r"}, "refuses silent open"),
}


def test_no_adapter_is_called_silent_that_did_not_say_so_itself(tmp_path):
    """The answer to one command is not taken for the next one's; one that refuses is not opened."""
    adapters = {
        name: Adapter(tmp_path / f"tty-{name}", answer_s=0.08, **habit)
        for name, (habit, _) in HABITS.items()
    }
    buses = [f"{name}=slcan:{adapter.link}@500000" for name, adapter in adapters.items()]
    refused = buses.pop()
    signed = ("--for", "0.2", "--not-silent", "a bench without a vehicle")
    out, code = ended(record(tmp_path / "run", *buses, more=signed))
    assert code == 0, out
    told = facts(tmp_path / "run")["buses"]
    for name, (_, words) in list(HABITS.items())[:-1]:
        assert told[name].get("silent", False) == (name == "can0"), name
        assert words in told[name]["silent_how"], name
        assert adapters[name].wrote_only_what_a_listener_may()
    out, code = ended(record(tmp_path / "refused", refused, more=signed))
    assert code == 2
    assert "refuses silent open" in out
    assert not adapters["can5"].opened.is_set()
    for adapter in adapters.values():
        adapter.unplug()
