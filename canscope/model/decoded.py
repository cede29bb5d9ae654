"""Decoded: the signals of a whole capture, to be gone through once or to be asked for by name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Generic, TypeVar

import numpy as np

from canscope.model.errors import CanscopeError, UnknownNameError
from canscope.model.signals import Series, Signals, key_of

if TYPE_CHECKING:
    from canscope.model.dataframes import DataFrame

C = TypeVar("C")


class Decoded(Generic[C]):
    """The signals of a capture, chunk by chunk: nothing is read before they are asked for.

    Going through them in a loop, or giving them to ``check``, takes them one by one, so that
    memory does not grow, and can be done once. ``signals["MotorSpeed"]`` and ``to_frame`` read
    all of the capture and keep it: afterwards everything can be asked for as often as one likes.

    ``capture`` is where the frames come from, for the hashes in a report.
    """

    def __init__(self, chunks: Iterator[Signals], capture: C) -> None:
        self.capture = capture
        self._chunks = chunks
        self._kept: tuple[Signals, ...] | None = None
        self._begun = False

    def __repr__(self) -> str:
        if self._kept is None:
            state = "used up, or being used up, by a loop" if self._begun else "not read yet"
            return f"<Decoded: {state}>"
        found = self.series
        values = sum(len(series.row) for series in found.values())
        return f"<Decoded: {values} values of {len(found)} signals>"

    def __iter__(self) -> Iterator[Signals]:
        if self._kept is not None:
            return iter(self._kept)
        self._begin()
        return self._chunks

    def __getitem__(self, name: str) -> Series:
        """One signal: ``MotorSpeed``, ``UnitFast.MotorSpeed`` or ``can1:UnitFast.MotorSpeed``.

        Of several buses with the same definition the one is meant on which it occurs. Raises
        ``CanscopeError``: with the nearest name if there is none, with all if several.
        """
        found = self.series
        occurring = {key: one for key, one in found.items() if len(one.row)}
        try:
            return occurring[key_of(name, occurring)]
        except UnknownNameError:
            return found[key_of(name, found)]

    @property
    def series(self) -> Mapping[str, Series]:
        """Every signal by key, over the whole capture; ``row`` counts its frames from 0."""
        first_row = 0
        parts: dict[str, list[Series]] = {}
        for chunk in self._all():
            for key, series in chunk.series.items():
                moved = series._replace(row=series.row + first_row)
                parts.setdefault(key, []).append(moved)
            first_row += len(chunk.frames)
        return {key: _joined(of_one) for key, of_one in parts.items()}

    def to_frame(self, *, wide: bool = False) -> DataFrame:
        """All values as one pandas table, as ``Signals.to_frame`` describes it."""
        from canscope.model.dataframes import signals_frame

        return signals_frame(self._all(), wide=wide)

    def _all(self) -> tuple[Signals, ...]:
        if self._kept is None:
            self._begin()
            self._kept = tuple(self._chunks)
        return self._kept

    def _begin(self) -> None:
        if self._begun:
            raise CanscopeError(
                "these signals are used up: a loop or a check has gone through them already",
                hint="call decode again, or ask for a signal or for to_frame() first: that "
                "keeps them all",
            )
        self._begun = True


def _joined(parts: list[Series]) -> Series:
    if len(parts) == 1:
        return parts[0]
    columns = ("time_ns", "value", "raw", "status", "row")
    whole = {name: np.concatenate([getattr(part, name) for part in parts]) for name in columns}
    return Series(parts[-1].spec, **whole)
