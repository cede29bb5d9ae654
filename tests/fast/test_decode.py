"""The two engines that decode agree bit for bit: value, raw code, status, row and every count.

The oracle is the numpy engine, which ``test_against_cantools.py`` holds to cantools. Signals and
payloads are random with fixed seeds; every kind that a definition can have occurs.
"""

import numpy as np
import pytest

from canscope.decoding.columns import Decoder
from canscope.decoding.lookup import ANY_SOURCE
from canscope.model import engine
from canscope.model.definition import Absent, Definitions, MessageSpec, SignalSpec
from canscope.model.tables import Flag, FrameBuilder, empty_frames

pytest.importorskip("numba")

FD_LENGTHS = [*range(9), 12, 16, 20, 24, 32, 48, 64]
ABSENTS = [
    Absent(),
    Absent("j1939"),
    Absent("maximum"),
    Absent("codes", (0, 3, 255, -1, 2**63 + 5)),
    Absent("j1939", (1,)),
]


def signal(rng, channel, message, name, length, path=()):
    """A random signal somewhere in a message of so many bytes."""
    kind = rng.choice(["integer", "integer", "integer", "float"])
    sizes = [16, 32, 64] if kind == "float" else [1, 2, 3, 8, 12, 16, 31, 53, 54, 63, 64]
    bits = int(rng.choice([size for size in sizes if size <= 8 * length]))
    first = int(rng.integers(0, 8 * length - bits + 1))
    big = bool(rng.integers(2))
    low = float(rng.normal(0, 100))
    is_ranged = rng.random() < 0.5
    factors = [1.0, -1.0, 2.0, 0.1, 0.0, 1e-3, -0.25, 7.0]
    return SignalSpec(
        channel,
        message,
        name,
        start_bit=first // 8 * 8 + 7 - first % 8 if big else first,
        length_bits=bits,
        big_endian=big,
        signed=kind == "integer" and bool(rng.integers(2)),
        is_float=kind == "float",
        factor=float(rng.choice(factors)),
        offset=float(rng.choice([0.0, -40.0, 1000.0, 0.05])),
        minimum=low if is_ranged else None,
        maximum=low + 1e4 if is_ranged and rng.random() < 0.8 else None,
        multiplexer=path,
        absent=Absent() if bits == 1 else ABSENTS[rng.integers(len(ABSENTS))],
    )


def message(rng, channel, number):
    """A random message; every third one has multiplexers, one inside the other."""
    name, length = f"M{number}", int(rng.choice([2, 4, 8, 8, 8, 12, 64]))
    extended = bool(rng.integers(2))
    j1939 = extended and bool(rng.integers(2))
    can_id = 0x18F00000 + number * 0x100 + int(rng.choice([0x21, ANY_SOURCE]))
    signals = []
    if number % 3 == 0:
        selector = SignalSpec(channel, name, "Mode", 0, 2, labels={3: "none"})
        inner = SignalSpec(channel, name, "Deep", 2, 3, multiplexer=(("Mode", (1,)),))
        paths = [(("Mode", (0, 2)),), (("Mode", (1,)), ("Deep", (1, 4, 5))), (("Mode", (1,)),)]
        signals = [selector, inner]
        signals += [signal(rng, channel, name, f"X{i}", length, paths[i % 3]) for i in range(6)]
    signals += [signal(rng, channel, name, f"S{i}", length) for i in range(7)]
    return MessageSpec(
        channel,
        name,
        can_id if extended else 0x100 + number,
        extended,
        length,
        tuple(signals),
        j1939=j1939,
    )


def traffic(rng, messages, count):
    """Frames of these messages and others: of any length, remote ones, errors, other senders."""
    builder = FrameBuilder()
    for row in range(count):
        one = messages[rng.integers(len(messages))]
        flags = Flag.EXTENDED if one.extended else 0
        can_id, channel = one.can_id, one.channel if one.channel != "*" else "can9"
        odd = rng.random()
        length = one.length
        if odd < 0.1:
            length = int(rng.choice(FD_LENGTHS))
        elif odd < 0.15:
            can_id = can_id & ~0xFF | int(rng.integers(256)) if one.extended else can_id ^ 0x400
        elif odd < 0.2:
            channel = str(rng.choice(["can0", "can1", "elsewhere"]))
        flags |= Flag.FD if length > 8 else 0
        if 0.2 < odd < 0.22:
            flags, length = flags | Flag.REMOTE, min(length, 8)
        elif 0.22 < odd < 0.24:
            flags, length, can_id = Flag.ERROR, 8, 0x40
        kind = rng.integers(3)
        data = bytes(length) if kind == 0 else b"\xff" * length if kind == 1 else rng.bytes(length)
        sent = b"" if flags & Flag.REMOTE else data
        builder.add(10**18 + row * 1000, channel, can_id, int(flags), length, sent)
    return builder.build()


def decoded_by(monkeypatch, name, definitions, chunks, wanted):
    """Everything that one engine says of the chunks, bit for bit."""
    monkeypatch.setenv(engine.VARIABLE, name)
    decoder, told = Decoder(definitions, wanted), []
    for chunk in chunks:
        signals = decoder(chunk)
        series = {
            key: (
                one.spec,
                one.time_ns.tolist(),
                one.value.view(np.int64)[~np.isnan(one.value)].tolist(),
                np.isnan(one.value).tolist(),
                one.raw.tolist(),
                one.status.tolist(),
                one.row.tolist(),
            )
            for key, one in signals.series.items()
        }
        arrivals = {key: times.tolist() for key, times in signals.arrivals.items()}
        told.append((series, arrivals, signals.tally))
    return told


@pytest.mark.parametrize("seed", range(8))
def test_random_definitions_and_frames_decode_alike(monkeypatch, seed):
    rng = np.random.default_rng(seed)
    channels = ["can0", "can1", "*"]
    messages = [message(rng, channels[number % 3], number) for number in range(18)]
    definitions = Definitions(tuple(messages))
    frames = traffic(rng, messages, 2400)
    chunks = [frames.take(slice(0, 1000)), empty_frames(), frames.take(slice(1000, None))]
    keys = sorted(definitions.signals())
    some = frozenset(rng.choice(keys, 25).tolist()) if seed % 2 else None
    mine, other = (
        decoded_by(monkeypatch, name, definitions, chunks, some) for name in ("numba", "numpy")
    )
    assert mine == other
    tallies = [tally for _, _, tally in mine]
    assert sum(sum(t.undefined_ids.values()) for t in tallies) > 100
    assert any(t.short_frames for t in tallies)
    assert any(t.undefined_multiplexer for t in tallies)
    statuses = {code for series, _, _ in mine for one in series.values() for code in one[5]}
    assert statuses == {0, 1, 2}


@pytest.mark.parametrize("seed", range(3))
def test_many_frames_of_one_message_in_a_chunk_decode_alike(monkeypatch, seed):
    """The kernels take some hundred frames at a time, so these are more than three times that."""
    rng = np.random.default_rng(20 + seed)
    messages = [message(rng, "can0", number) for number in (3 * seed, 3 * seed + 1)]
    frames = traffic(rng, messages, 4000)
    definitions = Definitions(tuple(messages))
    mine, other = (
        decoded_by(monkeypatch, name, definitions, [frames, frames], None)
        for name in ("numba", "numpy")
    )
    assert mine == other
    assert max(len(times) for times in mine[0][1].values()) > 1600


def test_columns_with_gaps_or_for_reading_only_are_taken_as_well(monkeypatch):
    """Chunks are views of larger tables, or of bytes that nobody may write to."""
    rng = np.random.default_rng(5)
    messages = [message(rng, "can0", number) for number in range(4)]
    frames = traffic(rng, messages, 400).take(slice(None, None, 3))
    for column in (frames.time_ns, frames.can_id, frames.data):
        column.flags.writeable = False
    definitions = Definitions(tuple(messages))
    mine, other = (
        decoded_by(monkeypatch, name, definitions, [frames], None) for name in ("numba", "numpy")
    )
    assert mine == other


def test_decoding_goes_over_to_the_kernels_in_a_long_run(monkeypatch):
    rng = np.random.default_rng(6)
    messages = [message(rng, "can0", number) for number in range(4)]
    definitions, frames = Definitions(tuple(messages)), traffic(rng, messages, 600)
    chunks = [frames.take(slice(at, at + 100)) for at in range(0, 600, 100)]
    plain = decoded_by(monkeypatch, "numpy", definitions, chunks, None)
    monkeypatch.setattr(engine, "LARGE", 300 * 45)
    monkeypatch.setattr(engine, "LEAST_ROWS", 100)
    monkeypatch.setattr(engine, "is_loaded", lambda: False)
    assert decoded_by(monkeypatch, "", definitions, chunks, None) == plain
