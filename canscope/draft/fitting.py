"""Which definition files fit which bus: by identifiers they know and how plausible they read."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from canscope.decoding.columns import Decoder, messages_of
from canscope.decoding.database import read_definitions
from canscope.decoding.lookup import Lookup
from canscope.draft.facts import Bus, Fit, MessageFacts, SignalFacts
from canscope.model.definition import MessageSpec
from canscope.model.errors import DefinitionError
from canscope.model.tables import Flag, FrameBuilder, Frames, Int64s


class Reading:
    """One definition file, tried on every bus."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.definitions = read_definitions(name)
        self._decoder = Decoder(self.definitions)
        self._facts: dict[str, SignalFacts] = {}
        self._specs: dict[tuple[str, int, bool], MessageSpec | None] = {}

    def add(self, chunk: Frames, since_ns: Int64s) -> None:
        """Decode one chunk and take in what it shows."""
        decoded = self._decoder(chunk)
        for key, series in decoded.series.items():
            if len(series.raw):
                facts = self._facts.setdefault(key, SignalFacts(series.spec))
                facts.add(series, since_ns[series.row])

    def spec_of(self, message: MessageFacts) -> MessageSpec | None:
        """The message that this file defines for an identifier seen."""
        key = message.channel, message.can_id, message.extended
        if key not in self._specs:
            channel = message.channel
            specs = messages_of(self.definitions, channel)
            frame = FrameBuilder()
            frame.add(0, channel, key[1], Flag.EXTENDED if key[2] else 0, 0, b"")
            lookup = Lookup({channel: 0}, specs)
            code = int(lookup.codes(frame.build(), np.zeros(1, np.int64))[0])
            self._specs[key] = specs[code] if code >= 0 else None
        return self._specs[key]

    def signals_of(self, spec: MessageSpec) -> tuple[SignalFacts, ...]:
        """The signals of a message of this file, also those that never came."""
        return tuple(self._facts.get(s.key, SignalFacts(s)) for s in spec.signals)

    def fit(self, bus: Bus) -> Fit:
        """How well the file fits a bus."""
        known, frames, values, right = 0, 0, 0, 0.0
        for message in bus.messages:
            spec = self.spec_of(message)
            if spec is None:
                continue
            known += 1
            frames += message.count
            long_enough = message.share_of_length(spec.length)
            values += message.count  # a message without signals counts by its length alone
            right += message.count * long_enough
            for facts in self.signals_of(spec):
                values += facts.count
                right += (facts.count - facts.outside) * long_enough
        total = sum(message.count for message in bus.messages)
        plausible = right / values if values else 0.0
        share, ids = frames / max(total, 1), len(bus.messages)
        return Fit(self.name, known, ids, share, len(self.definitions.messages), plausible)


def choose(
    bus: Bus, readings: Sequence[Reading], by_bus: Mapping[str, Sequence[str | Path]]
) -> None:
    """Take the files that fit a bus best, or those named for it, and place their messages."""
    fits = {reading.name: reading.fit(bus) for reading in readings}
    named = [str(file) for file in by_bus.get(bus.channel, ())]
    free = [fit for fit in fits.values() if fit.known_ids]
    bus.fits = sorted(free, key=lambda fit: (-fit.score, fit.defined, fit.file))
    bus.given = bool(named)
    chosen = [reading for reading in readings if reading.name in named]
    if not named:
        by_name = {reading.name: reading for reading in readings}
        for fit in bus.fits:
            if fit.is_meant and _adds(by_name[fit.file], chosen, bus):
                chosen.append(by_name[fit.file])
        bus.rivals = tuple(_rivals(chosen, fits, by_name, bus))
    bus.files = tuple(reading.name for reading in chosen)
    placed: set[str] = set()
    for message in bus.messages:
        for reading in chosen:
            spec = reading.spec_of(message)
            if spec is not None and message.spec is None:
                message.spec, message.signals = spec, reading.signals_of(spec)
                placed.add(spec.name)
    bus.never_seen = tuple(
        spec
        for reading in chosen
        for spec in messages_of(reading.definitions, bus.channel)
        if spec.name not in placed
    )


def _rivals(
    chosen: Sequence[Reading], fits: Mapping[str, Fit], readings: Mapping[str, Reading], bus: Bus
) -> Iterator[str]:
    """Files that fit exactly as well as the first one chosen, and say something else."""
    if not chosen:
        return
    first, best = chosen[0], fits[chosen[0].name]
    said = [_content(first.spec_of(message)) for message in bus.messages]
    for fit in bus.fits:
        if fit.file == best.file or fit.score < best.score or not fit.is_meant:
            continue
        if [_content(readings[fit.file].spec_of(message)) for message in bus.messages] != said:
            yield fit.file


def _content(spec: MessageSpec | None) -> MessageSpec | None:
    return None if spec is None else replace(spec, file="")


def _adds(new: Reading, chosen: Sequence[Reading], bus: Bus) -> bool:
    """Whether a file knows identifiers that those chosen do not, and can stand beside them."""
    if not any(
        new.spec_of(message) and not any(reading.spec_of(message) for reading in chosen)
        for message in bus.messages
    ):
        return False
    try:
        read_definitions({bus.channel: [*(reading.name for reading in chosen), new.name]})
    except DefinitionError:
        return False
    return True
