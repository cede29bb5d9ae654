"""Runs one rule on hand-written samples through the real events finder and the real judge."""

from dataclasses import replace

import numpy as np

from canscope.judge.judge import Judge
from canscope.judge.time_slice import TimeSlice
from canscope.judge.verdict import findings_of
from canscope.model.bench import Bench, Binding, DriveUnit, Kind, Mark
from canscope.model.definition import SignalSpec
from canscope.model.roles import role_of
from canscope.model.signals import NOT_AVAILABLE, OUT_OF_RANGE, Samples
from canscope.model.tables import Frames
from canscope.rules import RULES

START_NS = 1_700_000_000_000_000_000


def kind_of(role):
    return role_of(role).kind


def bench_of(roles, stage, fields, u=None, cycles_s=None, options=None):
    """A bench with every role bound to a signal of its own message on channel can0."""
    bindings = {}
    for place, role in enumerate(roles):
        message = f"M{place}"
        spec = SignalSpec("can0", message, role.replace(".", "_"), 0, 16)
        cycle = (cycles_s or {}).get(role)
        bindings[role] = Binding(
            role,
            spec,
            kind_of(role),
            role_of(role).unit,
            half_step=(u or {}).get(role, 0.0),
            cycle_ns=None if cycle is None else round(cycle * 1e9),
            options=(options or {}).get(role, {}),
        )
    names = list(dict.fromkeys(r.split(".")[1] for r in roles if r.startswith("units.")))
    units = []
    for name in names:
        words = tuple(r.split(".")[3] for r in roles if r.startswith(f"units.{name}.temperatures."))
        units.append(DriveUnit(name, temperatures=words))
    bench = Bench(stage=stage, units=tuple(units), bindings=bindings)
    return replace(bench, **(fields or {}))


def samples_of(times_s, values, kind, step=0.01):
    """NaN says that there is no value, infinity that it lay out of its declared range."""
    times = START_NS + np.round(np.asarray(times_s, float) * 1e9).astype(np.int64)
    value = np.broadcast_to(np.asarray(values, float), times.shape)
    outside = np.isinf(value)
    absent = np.isnan(value) | outside
    value = np.where(outside, np.nan, value)
    scale = 1.0 if kind is not Kind.NUMBER else step
    raw = np.round(np.where(absent, 65535, value / scale)).astype(np.int64)
    status = np.where(outside, OUT_OF_RANGE, np.where(absent, NOT_AVAILABLE, 0))
    return Samples(times, value, raw, status.astype(np.uint8))


def frames_of(part):
    """A frame of its own identifier for every sample of these roles, in time order."""
    times = np.concatenate([s.time_ns for s in part.values()])
    order = np.argsort(times, kind="stable")
    count = len(times)
    raw = np.concatenate([s.raw for s in part.values()]) & 0xFFFF
    ids = np.repeat(np.arange(len(part)), [len(s) for s in part.values()])
    return Frames(
        time_ns=times[order],
        channel=np.zeros(count, np.uint8),
        can_id=ids[order].astype(np.uint32),
        flags=np.zeros(count, np.uint8),
        length=np.full(count, 2, np.uint8),
        data=raw[order].astype(np.uint64),
        heap_at=np.full(count, -1, np.int32),
        heap=np.zeros(0, np.uint8),
        channels=("can0",),
    )


def telling(stamps, data):
    """The stamps before which cutting may matter: each beside a change, elsewhere every fifth."""
    kept = np.arange(len(stamps)) % 5 == 1
    for samples in data.values():
        before, after = samples.value[:-1], samples.value[1:]
        changed = (before != after) & ~(np.isnan(before) & np.isnan(after))
        rows = stamps.searchsorted(samples.time_ns[1:][changed])
        for beside in range(-2, 3):
            kept[np.clip(rows + beside, 0, len(stamps) - 1)] = True
    return stamps[kept]


def judge(
    rule,
    roles,
    *,
    stage="dry-spin",
    rules=None,
    bench=None,
    u=None,
    cycles_s=None,
    options=None,
    marks=(),
    cuts=None,
    end_s=None,
):
    """Findings by subject. ``roles``: role -> (seconds, values); ``cuts``: seconds, or "each"."""
    return judged(
        rule,
        roles,
        stage=stage,
        rules=rules,
        bench=bench,
        u=u,
        cycles_s=cycles_s,
        options=options,
        marks=marks,
        cuts=cuts,
        end_s=end_s,
    )[0]


def judged(rule, roles, *, stage, rules, bench, u, cycles_s, options, marks, cuts, end_s):
    """The same, and the judge itself."""
    built = bench_of(roles, stage, bench, u, cycles_s, options)
    data = {role: samples_of(t, v, kind_of(role)) for role, (t, v) in roles.items()}
    instance = RULES[rule](**(rules or {}))
    walk = [
        Mark(
            START_NS + round(m["at_s"] * 1e9),
            m.get("text", ""),
            m.get("axle"),
            m.get("seen"),
            m.get("asked"),
            m.get("within_s"),
        )
        for m in marks
    ]
    judge = Judge(built, {rule: instance}, walk)
    stamps = np.unique(np.concatenate([s.time_ns for s in data.values()]))
    last = int(stamps[-1]) + 1
    if end_s is not None:
        last = max(last, START_NS + round(end_s * 1e9))
    if cuts == "each":
        edges = telling(stamps, data).tolist()
    else:
        edges = [START_NS + round(c * 1e9) for c in (cuts or [])]
    edges = [*sorted({e for e in edges if stamps[0] < e < last}), last]
    begin = int(stamps[0])
    for end in edges:
        part = {role: s.between(begin, end) for role, s in data.items()}
        arrivals = {built.bindings[role].signal.message_key: s.time_ns for role, s in part.items()}
        judge.feed(TimeSlice(part, arrivals, frames_of(part), end))
        begin = end
    judge.close()
    return {finding.subject: finding for finding in findings_of(judge.ledger)}, judge
