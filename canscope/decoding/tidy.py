"""Signals -> tidy tables: one row a signal value, or one row a frame (wide); chunk by chunk."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from canscope.model.signals import Series, Signals
from canscope.model.tables import Floats, Int64s

if TYPE_CHECKING:
    import pandas as pd

Texts = NDArray[np.object_]


def tidy(signals: Iterable[Signals], *, origin_ns: int | None = None) -> Iterator[pd.DataFrame]:
    """One table a chunk, one row a signal value: by frame, then by the order in the message.

    ======= ======= ==========================================================
    column  dtype   meaning
    ======= ======= ==========================================================
    time_ns int64   since 1970 UTC (relative if the capture's stamps are)
    time_s  float64 since ``origin_ns``, without one since the first frame
    channel text    as in the capture
    message text    as in the definition
    signal  text    as in the definition
    value   float64 in ``unit``; NaN where not available
    unit    text    as in the definition
    label   text    what the definition calls this raw code, else empty
    ======= ======= ==========================================================
    """
    import pandas as pd

    for chunk in signals:
        origin_ns = _origin(origin_ns, chunk)
        parts = [series for series in chunk.series.values() if len(series.row)]
        if not parts:
            continue
        order, which = _by_frame(parts)
        time_ns = _joined([part.time_ns for part in parts])[order]
        yield pd.DataFrame(
            {
                "time_ns": time_ns,
                "time_s": _seconds(time_ns, origin_ns),
                "channel": _texts([part.spec.channel for part in parts])[which],
                "message": _texts([part.spec.message for part in parts])[which],
                "signal": _texts([part.spec.name for part in parts])[which],
                "value": np.concatenate([part.value for part in parts])[order],
                "unit": _texts([part.spec.unit for part in parts])[which],
                "label": np.concatenate([_labels(part) for part in parts])[order],
            }
        )


def wide(
    signals: Iterable[Signals], keys: Sequence[str], *, origin_ns: int | None = None
) -> Iterator[pd.DataFrame]:
    """One table a chunk, one row a frame that holds any of the signals ``keys``.

    Columns are ``time_ns`` and ``time_s`` as in ``tidy`` and one float64 column a key, NaN where
    the frame does not hold that signal or holds no value for it.
    """
    import pandas as pd

    for chunk in signals:
        origin_ns = _origin(origin_ns, chunk)
        parts = {key: chunk.series[key] for key in keys if key in chunk.series}
        rows = np.unique(_joined([part.row for part in parts.values()]))
        if not len(rows):
            continue
        time_ns = chunk.frames.time_ns[rows]
        columns: dict[str, Int64s | Floats] = {
            "time_ns": time_ns,
            "time_s": _seconds(time_ns, origin_ns),
        }
        for key in keys:
            column = np.full(len(rows), np.nan)
            if key in parts:
                column[np.searchsorted(rows, parts[key].row)] = parts[key].value
            columns[key] = column
        yield pd.DataFrame(columns)


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


def _texts(words: Sequence[str]) -> Texts:
    return np.array(words, dtype=np.object_)


def _labels(series: Series) -> Texts:
    labels = series.spec.labels
    if not labels:
        return np.full(len(series.raw), "", np.object_)
    codes, which = np.unique(series.raw, return_inverse=True)
    wrap = 2**64 if not series.spec.signed else 0  # raw codes above 2**63 are stored wrapped
    words = [labels.get(code if code >= 0 else code + wrap, "") for code in codes.tolist()]
    return _texts(words)[which]
