"""Signals -> tidy tables: one row a signal value, or one row a frame (wide); chunk by chunk.

Arrow tables, whose text columns are dictionaries: a word is stored once, a row is its number.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canscope.model.signals import Series, Signals
from canscope.model.tables import Floats, Int64s

Codes = NDArray[np.int32]
TIDY = {
    "time_ns": "int64",
    "time_s": "float64",
    "channel": "text",
    "message": "text",
    "signal": "text",
    "value": "float64",
    "unit": "text",
    "label": "text",
}


def tidy(signals: Iterable[Signals], *, origin_ns: int | None = None) -> Iterator[pa.Table]:
    """One table a chunk, one row a signal value: by frame, then by the order in the message.

    ======= ========== ==========================================================
    column  type       meaning
    ======= ========== ==========================================================
    time_ns int64      since 1970 UTC (relative if the capture's stamps are)
    time_s  float64    since ``origin_ns``, without one since the first frame
    channel dictionary as in the capture
    message dictionary as in the definition
    signal  dictionary as in the definition
    value   float64    in ``unit``; null (in pandas NaN) where not available
    unit    dictionary as in the definition
    label   dictionary what the definition calls this raw code, else empty
    ======= ========== ==========================================================
    """
    for chunk in signals:
        origin_ns = _origin(origin_ns, chunk)
        parts = [series for series in chunk.series.values() if len(series.row)]
        if not parts:
            continue
        order, which = _by_frame(parts)
        time_ns = _joined([part.time_ns for part in parts])[order]
        labels, label_words = _labels(parts)
        yield pa.table(
            {
                "time_ns": time_ns,
                "time_s": _seconds(time_ns, origin_ns),
                "channel": _words([part.spec.channel for part in parts], which),
                "message": _words([part.spec.message for part in parts], which),
                "signal": _words([part.spec.name for part in parts], which),
                "value": _values(np.concatenate([part.value for part in parts])[order]),
                "unit": _words([part.spec.unit for part in parts], which),
                "label": _dictionary(labels[order], label_words),
            }
        )


def wide(
    signals: Iterable[Signals], keys: Sequence[str], *, origin_ns: int | None = None
) -> Iterator[pa.Table]:
    """One table a chunk, one row a frame that holds any of the signals ``keys``.

    Columns are ``time_ns`` and ``time_s`` as in ``tidy`` and one float64 column a key, null where
    the frame does not hold that signal or holds no value for it.
    """
    for chunk in signals:
        origin_ns = _origin(origin_ns, chunk)
        parts = {key: chunk.series[key] for key in keys if key in chunk.series}
        rows = np.unique(_joined([part.row for part in parts.values()]))
        if not len(rows):
            continue
        time_ns = chunk.frames.time_ns[rows]
        columns: dict[str, Any] = {"time_ns": time_ns, "time_s": _seconds(time_ns, origin_ns)}
        for key in keys:
            column = np.full(len(rows), np.nan)
            if key in parts:
                column[np.searchsorted(rows, parts[key].row)] = parts[key].value
            columns[key] = _values(column)
        yield pa.table(columns)


def _origin(origin_ns: int | None, chunk: Signals) -> int | None:
    if origin_ns is None and len(chunk.frames):
        return int(chunk.frames.time_ns[0])
    return origin_ns


def _seconds(time_ns: Int64s, origin_ns: int | None) -> Floats:
    # Subtracted as integers: a float64 of today's nanoseconds only resolves about 240 of them.
    return (time_ns - np.int64(origin_ns or 0)) / 1e9


def _by_frame(parts: Sequence[Series]) -> tuple[Int64s, Int64s]:
    """The order of all values by frame, and which part each comes from then.

    A frame belongs to one message, and parts of one message stand in its order, so that a stable
    sort by frame keeps that.
    """
    order = np.argsort(_joined([part.row for part in parts]), kind="stable")
    which = np.repeat(np.arange(len(parts)), [len(part.row) for part in parts])
    return order, which[order]


def _joined(columns: Sequence[Int64s]) -> Int64s:
    return np.concatenate([np.zeros(0, np.int64), *columns])


def _values(column: Floats) -> pa.Array:
    return pa.array(column, from_pandas=True)  # a NaN becomes null


def _words(of_parts: Sequence[str], which: Int64s) -> pa.DictionaryArray:
    """A text column from the word of each part and the part of each row."""
    numbers: dict[str, int] = {}
    codes = [numbers.setdefault(word, len(numbers)) for word in of_parts]
    return _dictionary(np.array(codes, np.int32)[which], list(numbers))


def _dictionary(codes: Codes, words: Sequence[str]) -> pa.DictionaryArray:
    return pa.DictionaryArray.from_arrays(pa.array(codes), pa.array(words, pa.string()))


def _labels(parts: Sequence[Series]) -> tuple[Codes, list[str]]:
    """The labels of all parts one after another as numbers of words, and the words."""
    numbers = {"": 0}
    codes: list[Codes] = []
    for part in parts:
        labels = part.spec.labels
        if not labels:
            codes.append(np.zeros(len(part.raw), np.int32))
            continue
        wrap = 2**64 if not part.spec.signed else 0  # raw codes above 2**63 are stored wrapped
        raw, which = np.unique(part.raw, return_inverse=True)
        words = [labels.get(code if code >= 0 else code + wrap, "") for code in raw.tolist()]
        of_raw = [numbers.setdefault(word, len(numbers)) for word in words]
        codes.append(np.array(of_raw, np.int32)[which])
    return np.concatenate(codes), list(numbers)
