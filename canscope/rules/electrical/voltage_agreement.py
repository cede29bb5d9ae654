"""Rule ``voltage-agreement``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import SAFE_V, Bench
from canscope.model.findings import Verdict
from canscope.model.outcome import Doubt, Margins, Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import Rule, Worst, limit, unjudged
from canscope.model.signals import NEVER, Samples
from canscope.model.tables import Floats, Int64s
from canscope.rules import RULES
from canscope.rules.electrical._main_contactors import (
    LATE_NS,
    SETTLE_NS,
    after,
    let_go,
    opened_late,
    settled,
    stayed_closed,
)
from canscope.rules.shared.links import clocks_ns, links
from canscope.rules.shared.persistence import rolling, to_ns
from canscope.rules.shared.poles import MAIN_ROLES
from canscope.trust.samples.range_ends import first_at_end

PACK, CURRENT = "pack.voltage", "pack.current"
NOISE_NS = 5 * 10**8  # the stretch from which noise is told; common practice, no source


@dataclass(frozen=True)
class Seen:
    """What is known of one link so far."""

    next_ns: int = int(NEVER)  # samples before it are judged
    closed: bool = False  # sampled at least once with both poles closed
    clipped_ns: int | None = None


@RULES.add("voltage-agreement")
@dataclass(frozen=True, kw_only=True)
class VoltageAgreement(Rule):
    """With the contactors closed and no load, each link reads the same voltage as the pack.

    Judged
        For each link, on every sample of its voltage from ``settle_s`` after both poles closed (on
        another bus than the contactors at least 1.2 s: clocks may differ) to the first pole
        opening, with a pack current of at most ``rest_current_A`` before and after it: the
        difference from the pack voltage, in percent of it. The pack is read at other instants;
        where it moved, its value is taken between the readings around, as near to the link as can
        be. A sample counts once both poles were seen closed after it, and a link that lies too low
        only where no pole reads open within 0.25 s and a cycle after it: states come late. Two
        sensors that agree may still both be wrong: CAN proves only that they agree. Subject pack,
        where the plan gives ``nominal_voltage_V``: on every sample of its voltage in such a rest,
        the difference from nominal is at most ``nominal_percent``. No pack rests further away from
        it, so a factor or an offset of all voltages alike is seen beyond that.
    Margin
        ``limit_percent`` minus the magnitude of that difference, in percent; the uncertainty is
        that of both readings, to first order, and beyond half the limit three times the median
        step from one reading of each to the next, over 0.5 s: its noise.
    Unproven
        Both poles were never closed, or never without load, or pack and link read no high voltage
        (not-exercised); the link stood at an end of its range (sensor-suspect); pack voltage,
        current or link voltage were stale or not available.
    """

    limit_percent: float = limit(3.0, "%", high=10.0, note="of the pack voltage", looser="higher")
    rest_current_A: float = limit(2.0, "A", high=20.0, looser="lower")
    nominal_percent: float = limit(20.0, "%", high=100.0, note="of the nominal voltage")
    settle_s: float = limit(0.5, "s", low=0.0, high=10.0, note="after both poles closed")

    unit: ClassVar[str] = "%"
    edges: ClassVar[bool] = True
    limit_parameter: ClassVar[str] = "limit_percent"
    cross_checks: ClassVar[tuple[str, ...]] = ("pack.voltage", "units.*.link_voltage")
    says: ClassVar[dict[str, str]] = {
        "pass": "it agreed with the pack, at most {link_V:.1f} V against {pack_V:.1f} V (CAN "
        "proves only that the two sensors agree)",
        "fail": "it did not agree with the pack, {link_V:.1f} V against {pack_V:.1f} V",
        "pass pack": "at rest it stood near its nominal voltage, at most {pack_V:.1f} V against "
        "{nominal_V:g} V",
        "fail pack": "at rest it stood too far from its nominal voltage, {pack_V:.1f} V against "
        "{nominal_V:g} V: a factor or offset of the voltages is wrong, or the pack is empty",
    }
    codes: ClassVar[tuple[str, ...]] = ("wrong-scale",)
    exercise: ClassVar[str] = "close the contactors and leave them closed at rest for some seconds"
    causes: ClassVar[tuple[str, ...]] = (
        "one of the two voltage signals has a wrong factor or offset in the definition",
        "a voltage sensor is out of adjustment",
        "a contactor does not carry although its state says closed: the link is not on the pack",
    )
    next: ClassVar[str] = (
        "a qualified person measures pack and link with one rated instrument, and compares"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Each link against the pack, and the pack against its nominal voltage."""
        needs, found = (PACK, CURRENT, *MAIN_ROLES), links(bench)
        nominal = [Subject("pack", needs, (PACK, CURRENT))] if bench.nominal_voltage_V else []
        if not found:
            return [Subject("link", ("units.*.link_voltage", *needs)), *nominal]
        pairs = [Subject(name, (role, *needs), (role, PACK, CURRENT)) for name, role in found]
        return [*pairs, *nominal]

    def start(self, bench: Bench) -> Mapping[str, Seen]:
        return {name: Seen() for name, _ in _compared(bench)}

    def fold(
        self, state: Mapping[str, Seen], piece: Piece
    ) -> tuple[Mapping[str, Seen], Sequence[Outcome]]:
        """Judge the samples of every link that are settled."""
        return self._judge(state, piece, piece.until_ns)

    def close(self, state: Mapping[str, Seen], piece: Piece) -> Sequence[Outcome]:
        """Judge the samples that waited for a pole, and say what was not exercised."""
        last, rows = self._judge(state, piece, piece.until_ns + LATE_NS + SETTLE_NS + 1)
        found: list[Outcome] = list(rows)
        for name, seen in last.items():
            if seen.clipped_ns is not None:
                text = "it stood at an end of its range"
                found.append(Doubt(name, "sensor-suspect", text, seen.clipped_ns))
            if name == "pack" and not piece.bench.has(PACK, CURRENT, *MAIN_ROLES):
                continue
            text = "both poles were never seen closed"
            if seen.closed:
                text = "with both poles closed, high voltage and a pack current of at most "
                text += f"{self.rest_current_A:g} A were never seen together"
            found.append(unjudged(name, "not-exercised", text))
        return found

    def _judge(
        self, state: Mapping[str, Seen], piece: Piece, until_ns: int
    ) -> tuple[Mapping[str, Seen], Sequence[Outcome]]:
        after, found = dict(state), list[Outcome]()
        for name, role in _compared(piece.bench):
            share = 1.0 if role == PACK else self.limit_percent / 100
            needs = (PACK, CURRENT)
            samples = settled(piece, role, state[name].next_ns, until_ns, needs, share)
            if len(samples):
                after[name], rows = self._rows(state[name], piece, name, role, samples)
                found.append(rows)
        return after, found

    def _rows(
        self, seen: Seen, piece: Piece, name: str, role: str, samples: Samples
    ) -> tuple[Seen, Margins]:
        closed = stayed_closed(piece, samples.time_ns)
        next_ns = int(samples.time_ns[-1]) + 1
        seen = replace(seen, next_ns=next_ns, closed=seen.closed or bool(closed.any()))
        samples = samples if closed.all() else samples[closed]
        times, link_V = samples.time_ns, samples.value
        pack_V = _nearest(link_V, piece.at(PACK, times).value, after(piece, PACK, times))
        if seen.clipped_ns is None:
            seen = replace(seen, clipped_ns=first_at_end(piece.bench.bindings[role], samples))
        quiet = np.abs(piece.at(CURRENT, times).value) <= self.rest_current_A
        gone = let_go(piece, samples, self.limit_percent / 100)
        if gone.any():
            quiet[gone] &= ~opened_late(piece, times[gone])
        quiet &= ~(np.abs(after(piece, CURRENT, times)) > self.rest_current_A)
        settle_ns = max(to_ns(self.settle_s), clocks_ns(piece.bench, role))
        quiet &= piece.at("@closed", times).age_ns >= settle_ns
        nominal_V = piece.bench.nominal_voltage_V
        if role == PACK and nominal_V:
            return seen, self._nominal(name, times[quiet], link_V[quiet], nominal_V, piece)
        # A pack that reads almost 0 V beside a live link is compared by the link.
        reference = np.where(np.abs(pack_V) >= SAFE_V, np.abs(pack_V), np.abs(link_V))
        judged = quiet & (reference >= SAFE_V)
        times, link_V, pack_V = times[judged], link_V[judged], pack_V[judged]
        reference = reference[judged]
        percent = 100 * (link_V - pack_V) / reference
        u_V = piece.bench.u(role) + np.abs(link_V) / reference * piece.bench.u(PACK)
        near = np.abs(percent) > self.limit_percent / 2
        if near.any():
            u_V[near] += sum(_noise_V(piece, one, times[near]) for one in (role, PACK))
        return seen, margins(
            name,
            times,
            self.limit_percent - np.abs(percent),
            measured=np.abs(percent),
            limit=self.limit_percent,
            uncertainty=100 * u_V / reference,
            link_V=link_V,
            pack_V=pack_V,
        )

    def _nominal(
        self, name: str, times: Int64s, pack_V: Floats, nominal_V: float, piece: Piece
    ) -> Margins:
        """The pack at rest against its nominal voltage."""
        percent = 100 * np.abs(pack_V - nominal_V) / nominal_V
        return margins(
            name,
            times,
            self.nominal_percent - percent,
            measured=percent,
            limit=self.nominal_percent,
            uncertainty=100 * piece.bench.u(PACK) / nominal_V,
            pack_V=pack_V,
            nominal_V=nominal_V,
            code="wrong-scale",
        )

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """The clause about a link, or about the pack and its nominal voltage."""
        kind = f"{verdict} pack" if worst.subject == "pack" else str(verdict)
        return self.says.get(kind, "").format(**worst.facts)


def _noise_V(piece: Piece, role: str, times: Int64s) -> Floats:
    """Three times the median step between readings in the time before each instant, in V."""
    samples = piece.back(role, int(times[0]) - 2 * NOISE_NS).known
    steps = np.abs(np.diff(samples.value, prepend=samples.value[:1]))
    last = samples.time_ns.searchsorted(times, "right") - 1
    first = samples.time_ns.searchsorted(times - NOISE_NS, "right")
    return 3 * rolling(np.median, steps, np.minimum(first, last), last)


def _compared(bench: Bench) -> list[tuple[str, str]]:
    """Subject -> role of what is compared: each link, and the pack if its nominal is known."""
    nominal = [("pack", PACK)] if bench.nominal_voltage_V and bench.has(PACK) else []
    return [*links(bench), *nominal]


def _nearest(link_V: Floats, before_V: Floats, after_V: Floats) -> Floats:
    """The value nearest to the link's between two readings of the pack."""
    lowest, highest = np.fmin(before_V, after_V), np.fmax(before_V, after_V)
    return np.where(np.isnan(before_V), np.nan, np.minimum(np.maximum(link_V, lowest), highest))
