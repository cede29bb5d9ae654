"""Watching: live findings are the offline findings, alarms come in time and stay."""

import threading
import time
from dataclasses import replace

import numpy as np

import canscope.decoding.columns
import canscope.live.watching.latest
import canscope.live.watching.watch
from canscope.capture.order import ordered
from canscope.capture.read import read_capture
from canscope.checking.inputs import inputs_of
from canscope.checking.judging import judge_files
from canscope.decoding.columns import decode
from canscope.judge.check import Run
from canscope.live.adapters.address import parse_address
from canscope.live.recording.recorder_config import RecorderConfig
from canscope.live.run_folder.folder import RunFolder
from canscope.live.run_folder.run_file import read_run_file
from canscope.live.watching.session import Session
from canscope.live.watching.watch import Watch
from canscope.model.events import Window
from canscope.model.tables import empty_frames
from canscope.plan.load import read_plan
from canscope.rules import RULES
from canscope.simulate.folder import write_run
from tests.live.adapter import Adapter
from tests.live.stand import Control, frames_in, made, run_with, small_plan, wait_for

S = 10**9
MS = 10**6


class Watched:
    """A real recorder in its own process, and the judge in this one."""

    def __init__(self, folder, buses, plan, run=None):
        config = RecorderConfig(folder, tuple(parse_address(bus) for bus in buses))
        self.folder, self.plan = folder, plan
        self.session = Session(RunFolder(folder), config, plan)
        self.watch = Watch(folder, plan, status=lambda: self.session.status, run=run, heard=True)
        self.thread = threading.Thread(
            target=self.watch.follow, args=(lambda: self.session.running,)
        )
        self.thread.start()

    def end(self, timeout=120):
        """Stop it if it does not end by itself, and complete the folder."""
        if self.session.running:
            self.session.stop("the test is over")
        self.session.wait()
        self.thread.join(timeout)
        self.session.finish(self.watch.summary())
        self.session.folder.release()
        return self

    def play(self):
        """Let a replayed file come to its end."""
        wait_for(lambda: not self.session.running, 120)
        return self.end()


def test_what_was_found_live_is_what_is_found_in_the_recording(tmp_path, any_fault):
    """A law over all faults; a tenth of them every time, all with ``--every-fault``."""
    files = write_run(run_with(any_fault), tmp_path / "made")
    plan = read_plan(files.plan)
    live = Watched(tmp_path / "run", [f"*=replay:{files.capture}@40"], plan).play()
    assert not live.watch.broken
    report = live.watch.run.report()
    offline = judge_files(inputs_of([str(tmp_path / "run")], None))
    assert report.findings == offline.findings
    assert report.bursts == offline.bursts
    # and what a rehearsal finds is what a check of the original finds
    original = judge_files(inputs_of([str(files.capture)], files.plan))
    assert [(f.rule, f.subject, f.verdict, f.first_failed_s) for f in offline.findings] == [
        (f.rule, f.subject, f.verdict, f.first_failed_s) for f in original.findings
    ]
    failed = {(f.rule, f.subject) for f in report.findings if f.verdict == "fail"}
    alarmed = {(a.rule, a.subject) for a in live.watch.alarms}
    assert failed <= alarmed | closed_at_the_end(report)


def closed_at_the_end(report):
    """What only the end of a run decides cannot have been an alarm.

    So are rules about an opening: its window closes 10 s after it at the soonest.
    """
    late_s = (report.capture.last_ns - report.capture.first_ns) / S

    def since_s(finding):
        return 15.0 if RULES[finding.rule].window is Window.OPENING else 0.5

    return {
        (f.rule, f.subject)
        for f in report.findings
        if f.verdict == "fail" and (f.at_s or 0.0) > late_s - since_s(f)
    }


STOPPING = {
    "hot-while-dry": "temperature-rate",
    "front-axle-wrong-way": "axle-direction",
    "overspeed": "speed-ceiling",
}


def test_alarms_come_within_a_fifth_of_a_second_of_fed_time(tmp_path):
    """Fed in pieces of 50 ms, as live does; the time from the frame that shows it to the alarm."""
    delays, told = [], set()
    for fault in STOPPING:
        files = made(tmp_path / fault, fault)
        plan = read_plan(files.plan)
        run = Run(plan)
        whole = list(read_capture(files.capture))
        pieces = ordered(_pieces(whole, 50 * MS))
        for signals in decode(pieces, plan.definitions, wanted=plan.wanted):
            for alarm in run.feed(signals):
                if alarm.stops:
                    delays.append((signals.frames.until_ns - alarm.at_ns) / MS)
                    told.add((fault, alarm.rule))
    assert set(STOPPING.items()) <= told
    print(f"{len(delays)} alarms, median {np.median(delays):.0f} ms, max {max(delays):.0f} ms")
    assert np.percentile(delays, 99) <= 200


def _pieces(whole, length_ns):
    for chunk in whole:
        if not len(chunk):
            continue
        end = int(chunk.time_ns[-1]) + 1
        start = at = int(chunk.time_ns[0])
        while at < end:  # nothing turns in the first 11 s: one piece is as good as many
            until = min(at + (11 * S if at == start else length_ns), end)
            first, last = np.searchsorted(chunk.time_ns, (at, until))
            yield replace(chunk.take(slice(first, last)), until_ns=until)
            at = until
    yield empty_frames()


class Slow(Run):
    """The same judge on a computer that is far too slow."""

    def feed(self, signals):
        time.sleep(0.7)
        return super().feed(signals)


BUFFER_S = 0.1  # adapter and terminal together hold several times as much of these frames


def test_a_slow_judge_is_told_and_costs_no_frame(tmp_path, hot, request):
    plan, control = read_plan(hot.plan), Control()
    request.addfinalizer(control.kill)
    adapter = Adapter(tmp_path / "tty")
    live = Watched(tmp_path / "run", [f"can1=slcan:{adapter.link}@500000"], plan, Slow(plan))
    wait_for(lambda: live.session.status.recording_ns)
    for number in range(1500):
        adapter.offer(b"t1232%04X\r" % number)
        time.sleep(0.001)
    wait_for(adapter.drained)
    wait_for(lambda: any(a.subject == "late" for a in live.watch.alarms))
    wait_for(lambda: len(frames_in(live.folder)) == 1500 - adapter.dropped)
    live.end()
    adapter.unplug()
    kept = 1500 - adapter.dropped
    assert kept == 1500 or max(control.waited_s().values()) > BUFFER_S
    assert len(frames_in(live.folder)) == kept
    assert live.watch.run.report().capture.frames == kept  # late, but all of it
    report = judge_files(inputs_of([str(live.folder)], None))
    assert any("live judging was up to" in warning for warning in report.warnings)


def test_ready_is_withheld_with_its_reasons_and_given_when_they_are_gone(tmp_path, monkeypatch):
    """A single bus whose every bound role is heard: only then READY."""
    # A machine with other work is late with frames and with judging: not what is tried here.
    monkeypatch.setattr(canscope.live.watching.watch, "LATE_S", float("inf"))
    monkeypatch.setattr(canscope.live.watching.latest, "STALE_FLOOR_NS", 10 * S)
    monkeypatch.setattr(canscope.live.watching.watch, "BUS_AGE_NS", 10 * S)
    plan = read_plan(small_plan(tmp_path))
    adapter = Adapter(tmp_path / "tty")
    live = Watched(tmp_path / "run", [f"can0=slcan:{adapter.link}@500000"], plan)
    watch = live.watch
    watch.heard = False
    first = watch.glance()
    assert first.word == "NOT READY"
    assert "can0: no frame yet" in first.why
    assert "the sound test was not confirmed" in first.why
    assert any("units.front.speed was never heard" in why for why in first.why)
    watch.heard, stop = True, threading.Event()
    speaker = threading.Thread(target=_speak, args=(adapter, stop))
    speaker.start()
    try:
        wait_for(lambda: watch.glance().word == "READY")
        adapter_rpm[0] = 300
        glance = wait_for(lambda: (g := watch.glance()).word == "TURNING" and g)
        assert glance.turning == ("front",)
        adapter_rpm[0] = 800
        wait_for(lambda: watch.glance().word == "STOP")  # beyond its ceiling of 500 rpm
        adapter_rpm[0] = 0
        wait_for(lambda: not watch.glance().turning)
    finally:
        adapter_rpm[0] = 0
        stop.set()
        speaker.join()
    assert next(a.rule for a in watch.alarms if a.stops) == "speed-ceiling"
    assert "limit 500 rpm" in watch.glance().why[0]
    time.sleep(0.3)
    assert watch.glance().word == "STOP"  # latched, though it stands still again
    watch.acknowledge()
    after = wait_for(lambda: (g := watch.glance()).word == "NOT READY" and g)
    assert "failed in this run: speed-ceiling, front" in after.why  # no READY after a fail
    live.end()
    adapter.unplug()


adapter_rpm = [0]


def _speak(adapter, stop):
    """MotorSpeed as a 16-bit little-endian number in message 0x100, every 10 ms."""
    while not stop.is_set():
        adapter.offer(b"t1002%s\r" % adapter_rpm[0].to_bytes(2, "little").hex().upper().encode())
        time.sleep(0.01)


def test_a_node_that_falls_silent_while_it_turns_stops_the_test(tmp_path):
    """All buses silent: no frame can raise that alarm, only the clock."""
    plan = read_plan(small_plan(tmp_path))
    adapter = Adapter(tmp_path / "tty")
    live = Watched(tmp_path / "run", [f"can0=slcan:{adapter.link}@500000"], plan)
    stop = threading.Event()
    adapter_rpm[0] = 300
    speaker = threading.Thread(target=_speak, args=(adapter, stop))
    speaker.start()
    wait_for(lambda: live.watch.glance().word == "TURNING")
    time.sleep(0.5)  # 33 frames, after which the cycle of 10 ms is known
    stop.set()
    speaker.join()
    wait_for(lambda: live.watch.glance().word == "STOP")
    assert "units.front.speed" in live.watch.alarms[-1].text
    live.end()
    adapter.unplug()


def test_a_recorder_that_is_killed_raises_the_loudest_alarm(tmp_path, hot):
    plan = read_plan(hot.plan)
    live = Watched(tmp_path / "run", [f"*=replay:{hot.capture}"], plan)
    live.session._process.kill()
    wait_for(lambda: not live.session.running)
    glance = live.watch.glance(live.session.reason)
    assert glance.word == "STOP"
    assert "RECORDER STOPPED: its process was killed by signal 9" in glance.why[0]
    live.end()
    assert read_run_file(tmp_path / "run").end.reason == "its process was killed by signal 9"


def test_a_mark_made_while_it_runs_is_judged_live_and_afterwards(tmp_path):
    files = made(tmp_path / "made", "front-axle-wrong-way")
    plan = read_plan(files.plan)
    live = Watched(tmp_path / "run", [f"*=replay:{files.capture}@4"], plan)
    wait_for(lambda: live.watch.latest.turning_time.total_s("front"))
    words = ("front", "reverse", "left wheel")
    live.watch.mark(lambda ns: live.session.mark(*words, not_before_ns=ns))
    live.play()
    offline = judge_files(inputs_of([str(tmp_path / "run")], None))
    assert live.watch.run.report().marks == offline.marks
    assert any(mark["text"] == "left wheel" for mark in offline.marks)
    live_ones = live.watch.run.report().findings
    assert [a for a, b in zip(live_ones, offline.findings, strict=True) if a != b] == []
