"""Rule ``unit-fault``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import ClassVar, cast

import numpy as np

from canscope.model.bench import SAFE_V, Bench, Binding
from canscope.model.findings import Verdict
from canscope.model.outcome import Doubt, Margins, Outcome, Subject, deciding_rows, margins
from canscope.model.piece import Piece, S
from canscope.model.rule import Rule, Worst, limit
from canscope.model.signals import NEVER, NOT_AVAILABLE, Samples
from canscope.model.tables import Bools, Floats, Int64s
from canscope.rules import RULES
from canscope.rules.shared.persistence import to_ns
from canscope.rules.shared.poles import MAIN_ROLES
from canscope.rules.shared.waking import Woken, waking

LIVE = 0.5  # of the nominal voltage; common practice, no source
OPENS_NS = S // 2  # by so much a contactor's state may come after what it caused; no source
BACK_NS = 12 * S // 10  # likewise, where its adapter's clock may be behind as well; no source
FAR = 2**62


@dataclass(frozen=True)
class Waiting:
    """A code from before the first closing, which high voltage has to take away."""

    code: int
    at_ns: int  # its last sample then
    gone_ns: int | None = None  # the first sample without it, before anything closed


@dataclass(frozen=True)
class Unit:
    """What is known of one unit's codes so far."""

    woken: Woken = field(default_factory=Woken)
    closed_ns: int = int(NEVER)  # both poles, the last time
    waiting: Mapping[int, Waiting] = field(default_factory=dict)
    early: frozenset[int] = frozenset()  # codes of the first second, before anything closed
    again: tuple[tuple[int, int], ...] = ()  # (code, stamp): came back, perhaps as a pole opened
    unheard: bool | None = None  # whether its first code came after both poles had closed
    opened: tuple[int, int] | None = None  # (code, stamp): came with a pole open, of such a unit
    sound: bool = False  # its last code was of the list, and not of its first second


@RULES.add("unit-fault")
@dataclass(frozen=True, kw_only=True)
class UnitFault(Rule):
    """No unit reports a fault of its own.

    Judged
        For each unit with a fault signal, at every sample: its raw code is one of those that are
        no fault, listed where the plan binds the signal:
        ``fault = { signal = "can1:UnitSlow.Fault", ok = [0] }``. Not judged is what it sends in
        the first second* after it woke with all poles open. A code from before the first closing
        may say that high voltage is missing: it has to be gone ``grace_s`` after both poles closed,
        must not go away by itself while all poles are open nor come, after one of the list, while a
        pole closes, and may come back whenever they are open again (or up to 1.2 s earlier: clocks
        may differ), as may one of that first second, and one that a unit first heard within
        ``grace_s`` after the closing had; of a unit first heard after both poles had closed nobody
        knows whether a code that comes with a pole open is such a one (inferred).
        Without both main contactors bound the unit's own link says when it was live: at or above
        60 V and half of the pack's nominal voltage for ``grace_s``.
    Margin
        0 for a code of the list, -1 for any other.
    Unproven
        The plan lists no ``ok`` codes (no-limit); the code said that there is no value
        (not-available); the signal never came (not-seen); it reported something and high voltage
        never came (not-exercised); such a code came back, and no contactor says whether high
        voltage was still on (inferred).
    """

    grace_s: float = limit(2.0, "s", low=0.0, high=10.0, note="after both poles closed")

    stops: ClassVar[bool] = True
    limit_source: ClassVar[str] = "plan"
    says: ClassVar[dict[str, str]] = {
        "pass": "the unit reported no fault of its own; code",
        "fail": "the unit reported a fault of its own{label}; code",
    }
    exercise: ClassVar[str] = "list the codes that are no fault in the plan, and power the unit"
    causes: ClassVar[tuple[str, ...]] = (
        "what the code says: read it in the unit's own documentation",
        "an input that the unit expects is missing: interlock, wake-up, a message from the vehicle",
        "the code is no fault and missing from the plan's ok list",
    )
    next: ClassVar[str] = "stop, look the code up, and look what happened just before it"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every unit with a fault signal."""
        return [
            Subject(name, needs=(role,), no_limit=_missing(bench.bindings[role]))
            for name, role in _roles(bench).items()
        ]

    def start(self, bench: Bench) -> Mapping[str, Unit]:
        return {name: Unit() for name in _roles(bench)}

    def fold(
        self, state: Mapping[str, Unit], piece: Piece
    ) -> tuple[Mapping[str, Unit], Sequence[Outcome]]:
        """Judge the new codes of every unit."""
        found: list[Outcome] = []
        after = dict(state)
        for name, role in _roles(piece.bench).items():
            binding = piece.bench.bindings[role]
            if not _missing(binding):
                after[name], rows = self._unit(state[name], piece, name, role)
                found += rows
        return after, found

    def close(self, state: Mapping[str, Unit], piece: Piece) -> Sequence[Outcome]:
        """Codes that nothing decided about."""
        found: list[Outcome] = []
        for name, unit in state.items():
            if unit.waiting and unit.closed_ns == NEVER:
                code, at_ns = next((w.code, w.at_ns) for w in unit.waiting.values())
                text = f"it reported code {code}, and high voltage never came to take it away"
                found.append(Doubt(name, "not-exercised", text, at_ns))
            if unit.opened is not None:
                text = f"code {unit.opened[0]} came with a pole open, and it may say that high "
                text += "voltage is missing: nothing was heard of the unit before it was on"
                found.append(Doubt(name, "inferred", text, unit.opened[1]))
            for code, at_ns in unit.again:
                text = f"code {code} came back just before the recording ended"
                if not piece.bench.has(*MAIN_ROLES):
                    text = f"code {code} came back, and no contactor says whether the unit was live"
                found.append(Doubt(name, "inferred", text, at_ns))
        return found

    def _unit(self, unit: Unit, piece: Piece, name: str, role: str) -> tuple[Unit, list[Outcome]]:
        """Judge one unit's new codes, and those whose time is up."""
        binding, samples = piece.bench.bindings[role], piece[role]
        fresh, woken = waking(piece, role, samples.time_ns, unit.woken)
        known = samples.status != NOT_AVAILABLE
        samples, fresh = samples[known], fresh[known]
        allowed = np.array(cast("tuple[int, ...]", binding.options["ok"]), np.int64)
        bad = ~np.isin(samples.raw, allowed)
        unit = replace(unit, woken=woken)
        spared = bad & fresh
        late: list[tuple[int, int]] = []
        first = unit.unheard is None and len(samples)
        if piece.bench.has(*MAIN_ROLES) and (bad.any() or unit.waiting or first):
            unit = _early(unit, piece, samples, bad & fresh)
            unit, waits, late = self._waiting(unit, piece, samples, bad, fresh)
            spared |= waits
        elif not piece.bench.has(*MAIN_ROLES) and (bad.any() or unit.waiting or unit.early):
            unit, waits = self._without_contactors(unit, piece, name, samples, bad, fresh)
            spared |= waits
        steps = piece["@closed"]
        closings = steps.time_ns[steps.value == 1]
        if len(closings):
            unit = replace(unit, closed_ns=int(closings[-1]))
        found: list[Outcome] = []
        if len(samples):
            unit = replace(unit, sound=bool(~bad[-1] & ~fresh[-1]))
        judged = samples[~spared]
        if len(judged):
            margin = np.where(bad[~spared], -1.0, 0.0)
            rows = deciding_rows(margin)
            found.append(_rows(binding, name, judged.time_ns[rows], margin[rows], judged.raw[rows]))
        for at_ns, code in late:
            stamp, raw = np.array([at_ns], np.int64), np.array([code], np.int64)
            found.append(_rows(binding, name, stamp, np.array([-1.0]), raw))
        return unit, found

    def _waiting(
        self, unit: Unit, piece: Piece, samples: Samples, bad: Bools, fresh: Bools
    ) -> tuple[Unit, Bools, list[tuple[int, int]]]:
        """Which codes may wait for high voltage, and (stamp, code) of those that waited in vain."""
        bad = bad & ~fresh
        spared = np.zeros(len(samples), np.bool_)
        waiting, again, late = dict(unit.waiting), list(unit.again), list[tuple[int, int]]()
        unheard, opened, early = unit.unheard, unit.opened, unit.early
        closed = piece.at("@closed", samples.time_ns).value
        sound, engaged = unit.sound, piece.at("@engaged", samples.time_ns).value == 1
        closed_since = _closed_since(unit, piece, samples.time_ns).tolist()
        if unheard is None and closed_since:
            unheard = closed_since[0] != NEVER
        # Row by row only where a row may change something: a unit is mostly all right.
        looked_at = samples if bad.any() or waiting else samples[:0]
        for row, (at_ns, code, since_ns) in enumerate(
            zip(looked_at.time_ns.tolist(), looked_at.raw.tolist(), closed_since, strict=False)
        ):
            if since_ns == NEVER:  # high voltage never came so far
                for other, told in waiting.items():
                    if other != code and told.gone_ns is None:
                        waiting[other] = replace(told, gone_ns=at_ns)
                # What comes while a pole closes was not there for want of high voltage.
                comes = sound and engaged[row] and code not in waiting and code not in early
                if bad[row] and not comes:
                    waiting[code] = Waiting(code, at_ns)
                    spared[row] = True
            elif bad[row] and (code in waiting or code in early):
                grace = at_ns - since_ns <= to_ns(self.grace_s)
                if closed[row] == 1 and not grace and code not in [c for c, _ in again]:
                    again.append((code, at_ns))
                spared[row] = True
            elif bad[row] and unheard and at_ns - since_ns <= to_ns(self.grace_s):
                early, spared[row] = early | {code}, True  # it may have had it before the closing
            elif bad[row] and unheard and closed[row] == 0:
                opened, spared[row] = opened or (code, at_ns), True
            sound = not bad[row] and not fresh[row]
        for code, told in list(waiting.items()):
            due_ns = FAR if told.gone_ns is None else told.gone_ns + OPENS_NS
            if due_ns < piece.until_ns:
                del waiting[code]
                if piece.at("@engaged", due_ns).value[0] == 1:
                    waiting[code] = replace(told, gone_ns=None)
                else:
                    late.append((due_ns, code))
        for code, at_ns in list(again):
            if at_ns + BACK_NS < piece.until_ns:
                again.remove((code, at_ns))
                if piece.at("@closed", at_ns + BACK_NS).value[0] == 1:
                    late.append((at_ns + BACK_NS, code))
        unit = replace(unit, waiting=waiting, again=tuple(again), unheard=unheard, opened=opened)
        return replace(unit, early=early), spared, late

    def _without_contactors(
        self, unit: Unit, piece: Piece, name: str, samples: Samples, bad: Bools, fresh: Bools
    ) -> tuple[Unit, Bools]:
        """The same by the unit's own link: which codes may wait for high voltage.

        One of the first second may where it lasts on as the link rises.
        """
        early, begins, bad = unit.early, bad & fresh, bad & ~fresh
        spared = np.zeros(len(samples), np.bool_)
        waiting, again, closed_ns = dict(unit.waiting), list(unit.again), unit.closed_ns
        link, times = piece.bench.unit(name).role("link_voltage"), samples.time_ns
        # A pre-charge that was broken off leaves some of it.
        live_V = max(SAFE_V, LIVE * (piece.bench.nominal_voltage_V or 0.0))
        live = piece.at(link, times).value >= live_V
        live &= piece.at(link, times - to_ns(self.grace_s)).value >= live_V
        dead = piece.at(link, times).value < SAFE_V
        for row, (at_ns, code) in enumerate(zip(times.tolist(), samples.raw.tolist(), strict=True)):
            if closed_ns == NEVER and not live[row]:
                lasts = (begins[row] and dead[row]) or code in early
                early = frozenset({code}) if lasts else frozenset()
                if bad[row] and (dead[row] or code in waiting or code in early):
                    waiting[code], spared[row] = Waiting(code, at_ns), True
                continue
            if live[row]:
                closed_ns = at_ns
                for other, told in waiting.items():
                    if other != code and told.gone_ns is None:
                        waiting[other] = replace(told, gone_ns=at_ns)
            if bad[row] and code in waiting:
                gone = waiting[code].gone_ns is not None
                spared[row] = gone or not live[row]
                if live[row] and gone and code not in [c for c, _ in again]:
                    again.append((code, at_ns))
        unit = replace(unit, waiting=waiting, again=tuple(again), closed_ns=closed_ns)
        return replace(unit, early=early), spared

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """The clause with the definition's name of the code."""
        return self.says.get(str(verdict), "").format(label=worst.facts.get("label", ""))


def _early(unit: Unit, piece: Piece, samples: Samples, fresh: Bools) -> Unit:
    """The unit with its codes of the first second: one that means no high voltage may come back."""
    codes = samples.raw[fresh].tolist()
    since = _closed_since(unit, piece, samples.time_ns[fresh]).tolist()
    before = {code for code, at_ns in zip(codes, since, strict=True) if at_ns == NEVER}
    return replace(unit, early=unit.early | before) if before else unit


def _roles(bench: Bench) -> dict[str, str]:
    roles = {unit.name: unit.role("fault") for unit in bench.units}
    return {name: role for name, role in roles.items() if bench.has(role)}


def _closed_since(unit: Unit, piece: Piece, times_ns: Int64s) -> Int64s:
    """When both poles last closed by these instants; NEVER if they never did."""
    steps = piece["@closed"]
    closings = np.concatenate(([unit.closed_ns], steps.time_ns[steps.value == 1]))
    return closings[closings[1:].searchsorted(times_ns, "right")]


def _rows(binding: Binding, name: str, times: Int64s, margin: Floats, raw: Int64s) -> Margins:
    labels = [binding.signal.labels.get(code, "") for code in raw.tolist()]
    return margins(
        name,
        times,
        margin,
        measured=raw,
        limit=np.nan,
        label=np.array([f" ({text})" if text else "" for text in labels]),
    )


def _missing(binding: Binding) -> str:
    return "" if binding.options.get("ok") else "the fault signal has no ok list in the plan"
