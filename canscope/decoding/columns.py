"""Frames -> Signals, chunk by chunk and column by column."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import replace

import numpy as np

from canscope.decoding.bits import Heap, Payloads
from canscope.decoding.lookup import NO_DATA, UNDEFINED, Codes, Lookup, from_any_source
from canscope.decoding.message import Compiled, DecodeResult
from canscope.model.definition import Definitions, MessageSpec, SignalSpec
from canscope.model.engine import fast_module, is_compiled
from canscope.model.errors import UnknownNameError
from canscope.model.signals import DecodeTally, Series, Signals
from canscope.model.tables import Frames, Int64s

EVERY = "*"  # as a channel: every channel that has no definition of its own
TEXT_OF_A_FRAME = 45  # bytes of a line of text, about: captures are measured in these
NO_TIMES = np.zeros(0, np.int64)
# What the negative codes UNDEFINED and NO_DATA find when they index from the end.
NOTHING_WANTED = np.zeros(-min(UNDEFINED, NO_DATA), np.bool_)


def decode(
    frames: Frames | Iterable[Frames],
    definitions: Definitions,
    *,
    wanted: Collection[str] | None = None,
    live: bool = False,
) -> Iterator[Signals]:
    """Decode frames chunk by chunk, in their order.

    ``wanted`` are keys of signals (``channel:Message.Signal``; as channel ``*`` means every channel
    without a definition of its own); only these are decoded. None: all. Messages of channel ``*``
    apply to such a channel under its real name, from the chunk on in which it first occurs.
    ``live``: never wait for kernels to load or to be compiled, however large a chunk.

    Raises:
        UnknownNameError: at once, for a wanted key that is not defined.
    """
    decoder = Decoder(definitions, wanted, live=live)
    chunks = (frames,) if isinstance(frames, Frames) else frames
    return (decoder(chunk) for chunk in chunks)


def messages_of(definitions: Definitions, channel: str) -> tuple[MessageSpec, ...]:
    """The messages that apply to a channel: its own, else those of every channel, renamed."""
    own = tuple(m for m in definitions.messages if m.channel == channel)
    if own or channel == EVERY:
        return own
    return tuple(on_channel(m, channel) for m in definitions.messages if m.channel == EVERY)


def on_channel(message: MessageSpec, channel: str) -> MessageSpec:
    """The same message on another channel."""
    signals = tuple(replace(spec, channel=channel) for spec in message.signals)
    return replace(message, channel=channel, signals=signals)


class Decoder:
    """Decodes one chunk after the other; what it remembers is which channels it has seen."""

    def __init__(
        self,
        definitions: Definitions,
        wanted: Collection[str] | None = None,
        *,
        live: bool = False,
    ) -> None:
        self._definitions, self._live = definitions, live
        self._wanted = None if wanted is None else frozenset(wanted)
        self._named = {m.channel for m in definitions.messages if m.channel != EVERY}
        self._channels: dict[str, int] = {}
        self._messages: list[MessageSpec] = []
        self._compiled: list[Compiled | None] = []  # by message code; None where nothing is wanted
        self._anybody: list[tuple[str, list[str]]] = []  # messages of any source, their signals
        self._no_series: dict[str, Series] = {}
        self._no_arrivals: dict[str, Int64s] = {}
        self._lookup, self._is_wanted = Lookup({}, []), NOTHING_WANTED
        # The kernels, once they are in use.
        self._program: Callable[[Frames, Int64s], DecodeResult] | None = None
        self._frames = 0
        implied = _implied_channels(definitions, self._wanted or ())
        self._open(*(m.channel for m in definitions.messages if m.channel != EVERY), *implied)

    def __call__(self, frames: Frames) -> Signals:
        """Decode one chunk."""
        self._open(*frames.channels)
        place = np.array([self._channels[name] for name in frames.channels], np.int64)
        self._frames += len(frames)
        done = self._frames * TEXT_OF_A_FRAME
        if not self._live and is_compiled(done, rows=len(frames)):
            if self._program is None:
                self._program = fast_module("decode").Program(self._lookup, self._compiled)
            found = self._program(frames, place)
        else:
            found = self._decode_by_numpy(frames, place)
        names = {name: int(found.unknown[at]) for name, at in self._channels.items()}
        unknown = {name: count for name, count in names.items() if count}
        return Signals(
            frames,
            self._no_series | found.series,
            self._no_arrivals | found.arrivals,
            DecodeTally(found.short, found.undefined, unknown, self._senders(frames, found)),
        )

    def _decode_by_numpy(self, frames: Frames, place: Int64s) -> DecodeResult:
        """What one chunk holds, by numpy; the kernels must give the same."""
        found = DecodeResult({}, {}, {}, {}, np.zeros(0, np.int64))
        places = place[frames.channel] if len(frames) else NO_TIMES
        codes = self._lookup.codes(frames, places)
        for compiled, payloads in self._grouped(frames, codes):
            key = compiled.message.key
            series, short, undefined = compiled.decode(payloads)
            found.series.update(series)
            found.arrivals[key] = payloads.time_ns
            if short:
                found.short[key] = short
            if undefined:
                found.undefined[key] = undefined
        unknown = np.bincount(places[codes == UNDEFINED], minlength=len(self._channels))
        return replace(found, unknown=unknown)

    def _senders(self, frames: Frames, found: DecodeResult) -> dict[str, frozenset[int]]:
        """The source addresses seen, by message, of messages that any source may send."""
        senders: dict[str, frozenset[int]] = {}
        for message, keys in self._anybody:
            rows = [found.series[key].row for key in keys if key in found.series]
            addresses = frames.can_id[np.concatenate([NO_TIMES, *rows])] & 0xFF
            if len(addresses):
                senders[message] = frozenset(np.flatnonzero(np.bincount(addresses)).tolist())
        return senders

    def keys(self, *channels: str) -> tuple[str, ...]:
        """The wanted signals of all channels seen so far, these ones included."""
        self._open(*channels)
        return tuple(self._no_series)

    def _grouped(self, frames: Frames, codes: Codes) -> Iterator[tuple[Compiled, Payloads]]:
        """The frames of each wanted message that occurs, in frame order."""
        rows = np.flatnonzero(self._is_wanted[codes])
        if not len(rows):
            return
        codes = codes[rows]
        order = np.argsort(codes, kind="stable")
        rows, codes = rows[order], codes[order]
        everything = Payloads(
            rows,
            frames.time_ns[rows],
            frames.length[rows],
            frames.data[rows],
            frames.heap_at[rows],
            Heap(frames),
        )
        starts = np.flatnonzero(np.diff(codes, prepend=-1))
        for start, stop in zip(starts, [*starts[1:], len(codes)], strict=True):
            compiled = self._compiled[codes[start]]
            assert compiled is not None, "only wanted messages are grouped"
            yield compiled, everything.take(slice(start, stop))

    def _open(self, *channels: str) -> None:
        """Take new channels into the tables."""
        new = [name for name in dict.fromkeys(channels) if name not in self._channels]
        if not new:
            return
        for name in new:
            self._channels[name] = len(self._channels)
            for message in messages_of(self._definitions, name):
                self._add(message)
        self._lookup = Lookup(self._channels, self._messages)
        wanted = [compiled is not None for compiled in self._compiled]
        self._is_wanted = np.concatenate([np.array(wanted, np.bool_), NOTHING_WANTED])
        self._program = None

    def _add(self, message: MessageSpec) -> None:
        keys = {spec.key for spec in message.signals if self._wants(spec)}
        self._messages.append(message)
        if not keys and self._wanted is not None:
            self._compiled.append(None)
            return
        self._compiled.append(Compiled(message, keys))
        if from_any_source(message):
            self._anybody.append((message.key, sorted(keys)))
        self._no_arrivals[message.key] = NO_TIMES
        self._no_series.update(
            (spec.key, _no_series(spec)) for spec in message.signals if spec.key in keys
        )

    def _wants(self, spec: SignalSpec) -> bool:
        if self._wanted is None or spec.key in self._wanted:
            return True
        return spec.channel not in self._named and replace(spec, channel=EVERY).key in self._wanted


def _no_series(spec: SignalSpec) -> Series:
    return Series(spec, NO_TIMES, np.zeros(0), NO_TIMES, np.zeros(0, np.uint8), NO_TIMES)


def _implied_channels(definitions: Definitions, wanted: Collection[str]) -> list[str]:
    """Channels that wanted keys name although the definitions name them only as every channel.

    Raises:
        UnknownNameError: a wanted key is not defined.
    """
    known = definitions.signals()
    named = {spec.channel for spec in known.values()}
    channels = []
    for key in sorted(set(wanted) - known.keys()):
        splits = (i for i, character in enumerate(key) if character == ":")
        channel = next((key[:i] for i in splits if EVERY + key[i:] in known), None)
        if channel is None or channel in named:
            raise UnknownNameError("signal", key, known)
        channels.append(channel)
    return channels
