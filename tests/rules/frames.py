"""Runs one rule on hand-written frames through the real ordering, decoding, events and judge."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from canscope.capture.order import ordered
from canscope.decoding.columns import decode
from canscope.judge.judge import Judge
from canscope.judge.time_slice import time_slice
from canscope.judge.verdict import findings_of
from canscope.model.bench import Bench, Binding, DriveUnit, Kind
from canscope.model.definition import Definitions, MessageSpec, SignalSpec
from canscope.model.tables import Flag, FrameBuilder
from canscope.rules import RULES

START_NS = 1_700_000_000_000_000_000
ERROR = Flag.ERROR


@dataclass(frozen=True)
class Row:
    """One frame; ``length`` differs from the data only for remote frames."""

    at_s: float
    channel: str
    can_id: int
    data: bytes = b""
    flags: int = 0
    length: int | None = None


def message(name, can_id, length, signals, *, channel="can0", cycle_s=None, extended=False, **more):
    """A message; ``signals``: name -> (start bit, bits) or (start bit, bits, options)."""
    specs = []
    for signal, (start, bits, *options) in signals.items():
        specs.append(SignalSpec(channel, name, signal, start, bits, **(*options, {})[0]))
    cycle_ns = None if cycle_s is None else round(cycle_s * 1e9)
    return MessageSpec(channel, name, can_id, extended, length, tuple(specs), cycle_ns, **more)


def bench_of(messages, roles, **fields):
    """``roles``: role -> (signal key, kind) or (signal key, kind, options)."""
    signals = Definitions(tuple(messages)).signals()
    cycles = {m.key: m.cycle_ns for m in messages}
    bindings = {}
    for role, (key, kind, *options) in roles.items():
        spec = signals[key]
        codes = {1: 1.0, 0: 0.0} if kind is Kind.STATE else {}
        if kind is Kind.DIRECTION:
            codes = {0: 0.0, 1: 1.0, 2: -1.0}
        bindings[role] = Binding(
            role,
            spec,
            kind,
            codes=codes,
            cycle_ns=cycles[spec.message_key],
            options=(*options, {})[0],
        )
    names = dict.fromkeys(role.split(".")[1] for role in roles if role.startswith("units."))
    bound = {binding.signal.message_key for binding in bindings.values()}
    return Bench(
        **{"stage": "dry-spin", "units": tuple(DriveUnit(name) for name in names)} | fields,
        bindings=bindings,
        messages={m.key: m for m in messages if m.key in bound},
    )


def table(rows, channels=("can0", "can1", "can2")):
    """These rows as one table, in their order; channels get their codes in the order given."""
    builder = FrameBuilder()
    for channel in channels:
        builder.add(0, channel, 0, 0, 0, b"")
    for row in rows:
        time_ns = START_NS + round(row.at_s * 1e9)
        length = len(row.data) if row.length is None else row.length
        builder.add(time_ns, row.channel, row.can_id, row.flags, length, row.data)
    return builder.build().take(slice(len(channels), None))


def judge(rule, rows, messages, bench, *, rules=None, cuts=None):
    """Findings by subject; ``cuts``: seconds, or "each" for one frame a piece."""
    frames = table(rows)
    judge = Judge(bench, {rule: RULES[rule](**(rules or {}))})
    times = frames.time_ns
    ats = times if cuts == "each" else START_NS + np.array([round(c * 1e9) for c in cuts or []])
    edges = np.unique([0, *np.searchsorted(times, ats).tolist(), len(frames)])
    parts = (frames.take(slice(a, b)) for a, b in pairwise(edges))
    wanted = {binding.key for binding in bench.bindings.values()}
    for signals in decode(ordered(parts), Definitions(tuple(messages)), wanted=wanted):
        judge.feed(time_slice(signals, bench))
    judge.close()
    return {finding.subject: finding for finding in findings_of(judge.ledger)}
