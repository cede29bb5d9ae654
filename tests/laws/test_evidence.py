"""Whatever a pass rests on, without it there is no pass: every rule, every role it needs.

A healthy run of the example vehicle is judged again with the samples of one role taken away: never
there, said to be not available, out of its declared range, or silent for some seconds in which an
axle turns. No finding that needs the role may pass then.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from canscope.capture.read import read_capture
from canscope.decoding.columns import decode
from canscope.judge.judge import Judge
from canscope.judge.time_slice import time_slice
from canscope.judge.verdict import findings_of
from canscope.model.bench import Mark
from canscope.model.events import Window
from canscope.model.signals import NOT_AVAILABLE, OUT_OF_RANGE, Samples
from canscope.plan.load import read_plan
from canscope.rules import RULES
from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run

STAGES = ("dry-spin", "power-up")
# Taken away together are roles on which hardly anything rests, and nothing on two of them.
GROUPS = {
    "pack.voltage": ("pack.voltage",),
    "pack.current": ("pack.current",),
    "driver.pedal": ("driver.pedal",),
    "driver.direction": ("driver.direction",),
    "contactors.negative": ("contactors.negative",),
    "contactors.precharge": ("contactors.precharge",),
    "contactors.positive": ("contactors.positive",),
    "speed": ("units.front.speed",),
    "torque": ("units.front.torque",),
    "link_voltage": ("units.front.link_voltage",),
    "other inputs": ("supply.voltage", "driver.brake", "driver.pedal_2", "driver.emergency_stop"),
    "other readings": (
        "pack.insulation",
        "units.front.fault",
        "units.front.alive",
        "units.front.checksum",
        "units.front.temperatures.winding",
    ),
}
# Not in these two runs: no pass by their nature, a limit or a reading that the example does not
# give, wet only.
ELSEWHERE = {
    "closing-inrush",
    "error-frames",
    "bus-load",
    "coolant-flow",
    "brake-and-pedal",
    "hand-reading",
}
# Counters and checksums have no code for "not available", nor a range.
CODES = ("units.front.alive", "units.front.checksum")


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """By stage: the plan and the chunks of a healthy run, and its findings."""

    @cache
    def made(stage):
        files = write_run(make_run(stage=stage), tmp_path_factory.mktemp(stage))
        plan = read_plan(files.plan)
        signals = list(decode(read_capture(files.capture), plan.definitions, wanted=plan.wanted))
        chunks = [time_slice(piece, plan.bench) for piece in signals]
        return plan, chunks, judged(plan, chunks)

    return made


def judged(plan, chunks, change=None):
    """The findings and the needs by rule and subject; ``change``: (role, samples, s) -> samples."""
    origin = int(chunks[0].frames.time_ns[0])
    marks = [Mark(origin + round(m.at_s * 1e9), m.text, m.axle, m.seen) for m in plan.marks]
    judge = Judge(plan.bench, plan.rules, marks)
    for chunk in chunks:
        samples = {
            role: s if change is None else change(role, s, (s.time_ns - origin) / 1e9)
            for role, s in chunk.samples.items()
        }
        judge.feed(replace(chunk, samples=samples))
    judge.close()
    needs = {
        (name, s.name): s.needs
        for name, subjects in judge.ledger.subjects.items()
        for s in subjects
    }
    return {(f.rule, f.subject): f for f in findings_of(judge.ledger)}, needs


def passing(found):
    return {key for key, finding in found.items() if finding.verdict == "pass"}


def absent(samples, rows, status):
    value, told = samples.value.copy(), samples.status.copy()
    value[rows], told[rows] = np.nan, status
    return Samples(samples.time_ns, value, samples.raw, told)


LOST = {
    "never there": lambda s, t: s[t < 0],
    "not available": lambda s, t: absent(s, t >= 0, NOT_AVAILABLE),
    "out of range": lambda s, t: absent(s, t >= 0, OUT_OF_RANGE),
    "silent": lambda s, t: s[(t < 12) | (t >= 19)],  # an axle turns from 11.2 to 14.7 s
}


def test_almost_every_rule_has_something_to_lose(run):
    proven = {rule for stage in STAGES for rule, _ in passing(run(stage)[2][0])}
    assert set(RULES) - proven == ELSEWHERE


@pytest.mark.parametrize("group", GROUPS)
@pytest.mark.parametrize("how", LOST)
def test_without_what_it_rests_on_nothing_passes(run, how, group):
    has_none = how in ("not available", "out of range")
    roles = {role for role in GROUPS[group] if not (has_none and role in CODES)}
    for stage in STAGES if how == "never there" else STAGES[:1]:
        plan, chunks, (healthy, needs) = run(stage)
        found, _ = judged(plan, chunks, lambda r, s, t: LOST[how](s, t) if r in roles else s)
        rests = {key: roles & {*needs[key]} for key in passing(healthy)}
        assert all(len(some) <= 1 for some in rests.values())
        rests = {key for key, some in rests.items() if some}
        if how == "silent":  # closed windows lie elsewhere in time, and are judged by themselves
            rests = {key for key in rests if RULES[key[0]].window is Window.RUN}
        assert {key: found[key].sentence for key in rests if found[key].verdict == "pass"} == {}
