"""What a run has shown so far, written by hand: times in ms, samples of as many roles as needed."""

import numpy as np

from canscope.model.bench import Bench, Binding, Kind
from canscope.model.definition import SignalSpec
from canscope.model.history import History
from canscope.model.piece import Piece
from canscope.model.signals import OK, Samples
from canscope.model.tables import FrameBuilder, empty_frames

MS = 10**6


def samples(times_ms, values, *, raw=None, status=OK):
    """Samples at these times; the raw code is the value where none is given."""
    times = np.array(times_ms, np.int64) * MS
    value = np.broadcast_to(np.asarray(values, float), times.shape).copy()
    codes = np.nan_to_num(value) if raw is None else np.broadcast_to(raw, times.shape)
    states = np.broadcast_to(np.asarray(status, np.uint8), times.shape).copy()
    return Samples(times, value, codes.astype(np.int64), states)


def binding(role="pack.voltage", bits=16, *, message="M", **more):
    """A number; what concerns the signal itself may be given as well."""
    own = {k: more.pop(k) for k in ("factor", "offset", "half_step", "kind", "codes") if k in more}
    spec = SignalSpec("can0", message, role.rsplit(".", 1)[-1], 0, bits, **more)
    return Binding(role, spec, **{"kind": Kind.NUMBER, **own})


def bench_of(*bindings, **more):
    return Bench(more.pop("stage", "dry-spin"), bindings={b.role: b for b in bindings}, **more)


def history_of(roles, cycles_ms):
    """The samples of each role, and the cycle of each as stated in ms (None: learned)."""
    cycles = {role: None if ms is None else round(ms * MS) for role, ms in cycles_ms.items()}
    history = History(cycles)
    for role, of in roles.items():
        history.append(role, of)
    return history


def piece_of(roles, cycles_ms, until_ms, *, start_ms=0, bench=None, frames_ms=()):
    """A piece of a run: what was heard before it and in it."""
    frames = empty_frames()
    if len(frames_ms):
        builder = FrameBuilder()
        for at_ms in frames_ms:
            builder.add(at_ms * MS, "can0", 0x100, 0, 0, b"")
        frames = builder.build()
    history = history_of(roles, cycles_ms)
    return Piece(bench or bench_of(), history, start_ms * MS, until_ms * MS, 0, frames, {})
