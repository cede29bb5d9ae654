"""``survey``: frames of a capture -> what each identifier carries."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from canscope.model.errors import CaptureError
from canscope.model.survey import FEW, Field, Identifier, Survey
from canscope.model.tables import Frames, Int64s, join
from canscope.survey.checksums import checksums
from canscope.survey.counters import counters, positions
from canscope.survey.fields import fields, order_evidence
from canscope.survey.flips import Flips, count_flips
from canscope.survey.payloads import Payloads, by_identifier

MOST_FRAMES = 5_000_000  # surveyed; later ones are counted
REGULAR = 0.7  # share of intervals by which each sender keeps its cycle
SENDERS = 32  # values of a selector at most


@dataclass(frozen=True, eq=False)
class Surveyed:
    """One identifier: its payloads, and what was found in them."""

    payloads: Payloads
    identifier: Identifier


@dataclass(frozen=True, eq=False)
class _Opened:
    """One identifier before the byte order of its bus is known."""

    payloads: Payloads
    flips: Flips
    known: list[Field]
    evidence: float


def survey_frames(chunks: Iterable[Frames]) -> tuple[Survey, list[Surveyed]]:
    """Survey a whole capture; hash and names are the caller's to add.

    Raises CaptureError if it holds no data frames.
    """
    kept: list[Frames] = []
    total = surveyed = 0
    for chunk in chunks:
        total += len(chunk)
        if len(chunk) and surveyed < MOST_FRAMES:
            kept.append(chunk)
            surveyed += len(chunk)
    notes = []
    if surveyed < total:
        notes.append(f"only the first {surveyed} of {total} frames were surveyed")
    groups = list(by_identifier(join(kept))) if kept else []
    if not groups:
        hint = "record while the bus is awake; remote and error frames carry no data"
        raise CaptureError("it holds no data frames: there is nothing to survey", hint=hint)
    opened = [_open(group) for group in groups]
    orders = _bus_orders(opened)
    found = [_close(one, orders[one.payloads.channel]) for one in opened]
    few = sum(one.payloads.same.sum() < FEW for one in opened)
    if few:
        notes.append(f"{few} of {len(found)} identifiers came too rarely to tell their fields")
    first = min(int(one.payloads.all_ns.min()) for one in found)
    last = max(int(one.payloads.all_ns.max()) for one in found)
    return Survey(
        sha256="", names=(), frames=total, seconds=(last - first) / 1e9,
        identifiers=tuple(one.identifier for one in found), notes=tuple(notes),
    ), found  # fmt: skip


def _open(payloads: Payloads) -> _Opened:
    payloads = _by_sender(payloads)
    flips = count_flips(payloads)
    known: list[Field] = []
    if flips.n >= FEW:
        known = checksums(payloads)
        used = [bit for one in known for bit in positions(one)]
        known += counters(payloads, flips.count / flips.n, used)
    return _Opened(payloads, flips, known, order_evidence(payloads, flips, known))


def _bus_orders(opened: Sequence[_Opened]) -> dict[str, bool]:
    """The byte order of most messages of a channel, for those that do not show their own."""
    totals: dict[str, float] = {}
    for one in opened:
        channel = one.payloads.channel
        totals[channel] = totals.get(channel, 0.0) + float(np.sign(one.evidence))
    return {channel: total > 0 for channel, total in totals.items()}


def _close(one: _Opened, bus_order: bool) -> Surveyed:
    payloads, flips = one.payloads, one.flips
    big = one.evidence > 0 if one.evidence else bus_order
    rates = flips.count / max(flips.n, 1)
    found: list[Field] = []
    if flips.n >= FEW:
        found = [*one.known, *fields(payloads, flips, one.known, big_endian=big)]
    constant = np.flatnonzero((payloads.data == payloads.data[0]).all(axis=0)).tolist()
    seconds = np.ptp(payloads.all_ns) / 1e9
    intervals = np.diff(payloads.all_ns) / 1e6
    intervals = intervals[intervals >= 0]  # a clock that was set back
    early, middle, late = np.percentile(intervals, [5, 50, 95]) if len(intervals) else [0] * 3
    several = len(intervals) > 0
    return Surveyed(
        payloads,
        Identifier(
            channel=payloads.channel,
            can_id=payloads.can_id,
            extended=payloads.extended,
            frames=len(payloads.all_ns),
            rate_hz=round(len(intervals) / seconds, 3) if several and seconds > 0 else None,
            cycle_ms=round(float(middle), 3) if several else None,
            jitter_ms=round(float(late - early) / 2, 3) if several else None,
            lengths=payloads.lengths,
            flips=tuple(np.round(rates, 4).tolist()),
            constants=tuple((byte, int(payloads.data[0, byte])) for byte in constant),
            selector=payloads.selector,
            fields=tuple(sorted(found, key=lambda f: (min(positions(f)), f.high))),
        ),
    )


def _by_sender(payloads: Payloads) -> Payloads:
    """Sorted by byte 0, if the frames that share its value resemble each other far more."""
    data = payloads.data
    if data.shape[1] < 2 or len(data) < 4 * FEW:
        return payloads
    values, counts = np.unique(data[:, 0], return_counts=True)
    if not 2 <= len(values) <= SENDERS or counts.min() < FEW:
        return payloads
    if (data[1:, 0] != data[:-1, 0]).mean() < 0.2:
        return payloads
    if min(_regularity(payloads.time_ns[data[:, 0] == value]) for value in values) < REGULAR:
        return payloads  # digits of a number that trembles
    chosen = payloads.by(tuple(values.tolist()))
    before = _moved(data[1:, 1:], data[:-1, 1:])
    after = _moved(chosen.data[1:, 1:][chosen.same], chosen.data[:-1, 1:][chosen.same])
    return chosen if after < 0.6 * before else payloads


def _regularity(time_ns: Int64s) -> float:
    """The share of intervals that are within a third of the usual one."""
    intervals = np.diff(np.sort(time_ns)).astype(np.float64)
    usual = float(np.median(intervals))
    return float((np.abs(intervals - usual) <= usual / 3).mean())


def _moved(new: np.ndarray, old: np.ndarray) -> float:
    """Bits that differ, in the mean over frames."""
    return float(np.unpackbits(new ^ old, axis=1).sum() / max(len(new), 1))
