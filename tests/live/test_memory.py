"""Watching holds as much after many laps as after some: counted, in objects, not timed."""

import gc
import re
import types

import numpy as np
import pytest

import canscope.judge.event_log
import canscope.judge.exhibits
import canscope.live.watching.watch
import canscope.trust.heat.watched
from canscope.live.recording.status import RecorderStatus
from canscope.live.watching.delays import Delays
from canscope.live.watching.watch import Watch
from canscope.model.history import Track, steps
from canscope.plan.load import read_plan
from canscope.plan.plan import Plan

COARSE_S, FINE_S = 7.0, 0.5  # a piece while the history fills, and while it is counted
WARM, LAPS = 14, 23  # of 14 s: the history of 130 s is full before; both even, as is their rhythm


def laps(log):
    """The same stretch again and again, later each time, in pieces; None after each lap."""
    lines = [(float(m[1]), m[2]) for m in re.finditer(rb"\((\d+\.\d+)(.*\n)", log.read_bytes())]
    first, last = lines[0][0], lines[-1][0]
    for lap in range(LAPS):
        length_s = COARSE_S if lap < WARM else FINE_S
        after, piece, until = lap * (last - first + 1.0), [], first + length_s
        for at, rest in lines:
            if at >= until:
                yield b"".join(piece)
                piece, until = [], until + length_s
            piece.append(b"(%.6f%s" % (at + after, rest))
        yield b"".join(piece)
        yield None


def things(root):
    """How many objects can be reached from this one, code and the plan left out."""
    left_out = (type, types.ModuleType, types.FunctionType, types.CodeType, Plan)
    seen, waiting = set(), [root]
    while waiting:
        one = waiting.pop()
        if id(one) not in seen and not isinstance(one, left_out):
            seen.add(id(one))
            waiting += gc.get_referents(one)
    return len(seen)


def test_what_watching_holds_does_not_grow_with_the_run(tmp_path, hot, monkeypatch):
    monkeypatch.setattr(canscope.live.watching.watch, "FEED_S", 0.0)
    for module, name in (
        (canscope.judge.event_log, "MOST"),
        (canscope.judge.exhibits, "MOST_BURSTS"),
        (canscope.trust.heat.watched, "KEPT_TURNS"),
    ):
        monkeypatch.setattr(module, name, 5)  # so that their tables are full in time
    held, fed, lap, texts = [], 0, 0, laps(hot.capture)

    def write_on():
        """The recorder's part: the next piece of the capture."""
        nonlocal fed, lap
        piece = next(texts, b"")
        if piece is None:
            if lap in (WARM, LAPS - 1):
                gc.collect()
                held.append((things(watch), len(gc.get_objects()), fed))
            lap += 1
            return True
        with (tmp_path / "capture-0001.log").open("ab") as file:
            file.write(piece)
        fed += 1
        return bool(piece)

    watch = Watch(tmp_path, read_plan(hot.plan), status=RecorderStatus, heard=True)
    watch.follow(write_on)
    assert not watch.broken
    assert lap == LAPS
    fed_before, fed_after = held[0][2], held[-1][2]
    assert fed_after - fed_before > 200
    for before, after in zip(held[0][:2], held[-1][:2], strict=True):
        assert after - before < (fed_after - fed_before) / 4, held  # not one thing a piece
    warnings = watch.run.report().warnings
    assert any("more bursts are not listed" in text for text in warnings)
    assert any("more events are not listed" in text for text in warnings)


def test_delays_are_told_to_the_millisecond_however_many_there_are():
    """By hand: of 1 .. 200 ms half do not exceed 100 ms, and 99 % not 198 ms."""
    delays = Delays()
    for ms in range(1, 201):
        delays.add(ms * 1_000_000 - 1)
    assert delays.summary_ms() == {"median": 100.0, "p99": 198.0, "longest": 200.0}
    delays.add(90_000 * 1_000_000)
    delays.add(-5)
    assert (delays.count, delays.summary_ms()["longest"]) == (202, 90_000.0)


def test_no_delay_at_all_is_none():
    assert set(Delays().summary_ms().values()) == {0.0}


@pytest.mark.parametrize("count", [7, 1000])
def test_a_track_keeps_little_more_room_than_it_has_samples(count):
    """A quarter more, and 64: what is not yet filled would look like memory that grows."""
    track, at = Track(10), 0
    for _ in range(20_000 // count + 20):
        times = np.arange(at, at + count, dtype=np.int64)
        track.append(steps(times, np.zeros(count)))
        at += count
        track.forget(at - 5000)
        assert len(track._time) <= 64 + 1.25 * (5000 + 2 * count)
        assert track.samples.time_ns[-1] == at - 1
