"""Rule ``link-discharge``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import MAINS, Bench
from canscope.model.events import Event, Window
from canscope.model.findings import COMMON_PRACTICE, LIVE, Verdict
from canscope.model.median import median
from canscope.model.outcome import Doubt, Margins, Outcome, Subject, margins
from canscope.model.piece import ClosedWindow, Piece, S
from canscope.model.rule import SPINNING, CardStep, Rule, Worst, limit, unjudged
from canscope.model.signals import NEVER, Samples
from canscope.model.tables import Bools, Int64s
from canscope.rules import RULES
from canscope.rules.shared.exponential_fit import Exponential, exponential
from canscope.rules.shared.links import clocks_ns, link_subjects, links, seconds_since
from canscope.rules.shared.open_poles import both_open
from canscope.rules.shared.poles import MAIN_ROLES, main_openings
from canscope.trust.movement.impossible_fall import link_fall
from canscope.trust.samples.missing_value import absence_at

MACHINES = "IEC 60204-1, 6.2.4"
LIKE_A_DECAY = 0.98  # R2 below which no decay is reported; common practice, no source
MEASURE = "measure before touching"
CLOSED = "the contactors were closed, or not known to be open"
UNBOUND = "no signal tells whether its contactors were open"
UNWATCHED = "a contactor had closed again before it was safe, or it was live from the first frame"
SUNK = 0.9  # of safe_V; near it readings waver. Common practice, no source
UNSEEN_S = 10.0  # a pre-charge that no signal shows lasts no longer; common practice, no source
HELD = 0.02  # of its level: a link that lies so close to it has not left it; likewise
LATE_NS = S // 2  # by which a contactor's state may come late; common practice, no source
# By which a link rises that nothing feeds, of where it was as the contactors opened; likewise.
RISE, RISE_V = 0.05, 10.0
FELL, BEFORE_NS = 0.8, 60 * S  # of what the pack read, below which it fell with its link; likewise
STILL_RPM = 30.0  # a motor that turns faster may feed it; likewise


@dataclass(frozen=True)
class Left:
    """A link that left the pack's voltage between two instants, and its readings since then."""

    after_ns: int
    time_ns: int
    last_V: float
    lowest_V: float


@dataclass(frozen=True)
class Followed:
    """What is known of one link so far, beside the openings."""

    last_ns: int = int(NEVER)  # the last reading looked at
    volts: float = float("nan")  # and its value
    low_ns: int | None = None  # the last reading well below ``safe_V``
    shut_ns: int | None = None  # the last one above it at which a pole may have been closed
    begun_ns: int | None = None  # the first one
    watched_ns: int = int(NEVER)  # the end of the last opening
    # Where not both main contactors are bound: how it left the pack's voltage, until it is low or
    # rises again.
    left: Left | None = None


@RULES.add("link-discharge")
@dataclass(frozen=True, kw_only=True)
class LinkDischarge(Rule):
    """After the contactors open, the link falls below 60 V in time.

    Judged
        At every opening, for each link that was above ``safe_V``: the time from the first main
        contactor's opening until the link is below ``safe_V`` and stays there. The limit is
        ``active_s`` if ``contactors.bleed`` is "active" or the plan does not say, ``passive_s`` if
        it is "passive" or false. The decay is fitted with V(t) = V0 exp(-t / tau); tau and the time
        to ``safe_V`` that it foretells are told. Besides, from the first frame to the last: a link
        that was below ``safe_V`` and reads ``safe_V`` or more again while both main contactors read
        open fails; so does one that was live with both read open from the first frame on and stays
        so for longer than the limit. So does one that falls and rises again by 5 % of where it was,
        and by 10 V, with both read open and no unit turning: a capacitor that nothing feeds does
        not. Where not both main contactors are bound, the time counts from where a link left the
        pack's voltage (below 90 % of it), until it is low or rises again. (A contactor's state may
        come late: none of the three may read closed within 0.5 s. Where one signal tells of both
        main contactors and pre-charge is not bound, it may be pre-charging for up to 10 s.)
    Margin
        The limit minus that time, in s. The opening and the crossing each lie between two samples:
        the middle, give or take half the interval, and the clock; the crossing's uncertainty has
        half the raw step over the slope besides. Of a link on another bus, whose clock may differ
        by up to 1.2 s, the time counts from where it left its level, if that is earlier.
    Unproven
        No main contactor opened on a charged link, or one closed again before the limit
        (not-exercised); the recording ended above ``safe_V`` before the limit (not-exercised); the
        link fell silent or had no value above ``safe_V`` (stale, not-available), or went from 120 V
        or more to next to nothing from one reading to the next, as no bleed empties it and a sensor
        does that loses its supply (sensor-suspect). A link still above ``safe_V`` after the limit
        fails. One main contactor still read closed at the end of the recording, though the other
        one had opened (not-exercised): nobody saw it open. The last reading of the whole recording
        was ``safe_V`` or more, whatever earlier openings showed (not-exercised): nobody saw it
        discharge. Not both main contactors are bound: a link that was low in time is inferred
        (accepted by whoever signs that the vehicle has no such signal); one that never left the
        pack, or was live in the end, is not (not-exercised); the pack fell with it
        (sensor-suspect).
    """

    active_s: float = limit(5.0, "s", MACHINES, high=60.0, looser="higher")
    passive_s: float = limit(120.0, "s", high=120.0, looser="higher")
    # Not below 60: an opening is followed until its links are below that.
    safe_V: float = limit(60.0, "V", MACHINES, low=1.0, high=60.0, looser="higher")

    window: ClassVar[Window] = Window.OPENING
    follows: ClassVar[bool] = True
    unit: ClassVar[str] = "s"
    edges: ClassVar[bool] = True
    by_links: ClassVar[bool] = True
    timed: ClassVar[bool] = True
    required_in: ClassVar[frozenset[str]] = SPINNING | {"power-up"}
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.OPEN_ONE_POLE, CardStep.OPEN})
    cross_checks: ClassVar[tuple[str, ...]] = ("contactors.negative", "contactors.positive")
    says: ClassVar[dict[str, str]] = {
        "pass": f"fell below {{safe_V:g}} V after opening ({{bleed}}{{decay}}; {MEASURE})",
        "fail": "stayed at or above {safe_V:g} V too long after opening "
        f"({{bleed}}{{decay}}; {MEASURE})",
        "live again": "rose again to {volts:.1f} V with both main contactors read open "
        f"({MEASURE}); time at or above {{safe_V:g}} V",
        "fed again": "rose again by {rose:.0f} V to {volts:.1f} V with both main contactors read "
        f"open ({MEASURE}); time since its lowest",
        "live before": "was at {volts:.1f} V with both main contactors read open from the first "
        f"frame on ({{bleed}}; {MEASURE}); time at or above {{safe_V:g}} V",
        "close": "took about as long as allowed to fall below {safe_V:g} V "
        f"({{bleed}}{{decay}}; {MEASURE})",
    }
    codes: ClassVar[tuple[str, ...]] = ("live-again", "fed-again", "live-before", "live-at-end")
    exercise: ClassVar[str] = (
        "open the contactors and keep the 12 V on and recording until the link is below 60 V; "
        + MEASURE
    )
    causes: ClassVar[tuple[str, ...]] = (
        "the bleed resistor or the active discharge does not work, or is not commanded",
        "a contactor is welded and still feeds the link",
        "the bleed is passive and the plan says active",
    )
    next: ClassVar[str] = (
        "treat the link as live: a qualified person measures it, then the bleed resistor; "
        + MEASURE
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Each link."""
        return link_subjects(bench, MAIN_ROLES)

    def source(self, given: frozenset[str]) -> str:
        """One of the two limits comes from a standard, the other does not."""
        if given & {"active_s", "passive_s"}:
            return "plan"
        return f"{MACHINES} (active bleed); {COMMON_PRACTICE} (passive)"

    def start(self, bench: Bench) -> Mapping[str, Followed]:
        return {name: Followed() for name, _ in links(bench)}

    def fold(
        self, state: Mapping[str, Followed], piece: Piece
    ) -> tuple[Mapping[str, Followed], Sequence[Outcome]]:
        """Follow each link through the whole run, also where no opening is being watched."""
        return self._follow(state, piece, at_end=False)

    def close(self, state: Mapping[str, Followed], piece: Piece) -> Sequence[Outcome]:
        """Follow to the last frame; a link that is live there is not proven to discharge."""
        state, rows = self._follow(state, piece, at_end=True)
        found: list[Outcome] = [*rows, *_left_closed(piece)]
        for name, seen in state.items():
            # An opening that lasts beyond the last reading has its own answer.
            if seen.volts >= self.safe_V and seen.last_ns >= seen.watched_ns:
                text = f"the recording ended with the link at {seen.volts:.1f} V: "
                if not piece.bench.has(*MAIN_ROLES):
                    text += UNBOUND
                else:
                    text += CLOSED if seen.last_ns == seen.shut_ns else UNWATCHED
                text += f"; nobody saw it discharge; {MEASURE}"
                found.append(Doubt(name, "not-exercised", text, seen.last_ns, code=LIVE))
        return found

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """A link that is live with open contactors is no slow discharge."""
        return super().clause(worst.code.replace("-", " ") or verdict, worst)

    def _follow(
        self, state: Mapping[str, Followed], piece: Piece, *, at_end: bool
    ) -> tuple[Mapping[str, Followed], list[Outcome]]:
        after, found = dict(state), list[Outcome]()
        ends = [span.end_ns for span in piece.spans if span.kind is Window.OPENING]
        is_bound = piece.bench.has(*MAIN_ROLES)
        for name, role in links(piece.bench):
            seen = state[name]
            if ends:
                seen = replace(seen, watched_ns=max(seen.watched_ns, *ends))
            wait_ns = 0 if at_end or not is_bound else _late_ns(piece.bench, role)
            until_ns = piece.until_ns - wait_ns
            samples = piece.back(role, seen.last_ns + 1).known.between(0, until_ns)
            rows: list[Outcome] = []
            if len(samples) and is_bound:
                seen, rows = self._live(seen, piece, name, role, samples)
            elif len(samples):
                seen, rows = self._by_itself(seen, piece, name, samples)
            after[name] = seen
            found += rows
        return after, found

    def _by_itself(
        self, seen: Followed, piece: Piece, name: str, samples: Samples
    ) -> tuple[Followed, list[Outcome]]:
        """How long it took to be low since it left the pack's voltage, with no contactor's word."""
        unit = next(u.name for u in piece.bench.units if f"{u.name} link" == name)
        events = piece.events_of("link", unit)
        edges = [int(samples.time_ns[0]), *(e.time_ns for e in events), piece.until_ns + 1]
        found: list[Outcome] = []
        for number, event in enumerate((None, *events)):
            if event is not None:
                if event.value:
                    seen = replace(seen, left=None)
                elif _fell_too(piece, event.after_ns):
                    text = "the pack's reading fell with the link's: it may be measured behind the "
                    text += "contactors, so that nothing tells when the link left it"
                    found.append(Doubt(name, "sensor-suspect", text, event.time_ns))
                else:
                    gone = Left(event.after_ns, event.time_ns, seen.volts, float("inf"))
                    seen = replace(seen, left=gone)
            part = samples.between(edges[number], edges[number + 1])
            if len(part):
                left, rows = self._since(seen.left, piece.bench, name, unit, part)
                found += rows
                last_ns, volts = int(part.time_ns[-1]), float(part.value[-1])
                seen = replace(seen, last_ns=last_ns, volts=volts, left=left)
        return seen, found

    def _since(
        self, left: Left | None, bench: Bench, name: str, unit: str, part: Samples
    ) -> tuple[Left | None, list[Margins]]:
        """What its readings say since it left the pack's voltage: low, too late, or fed again."""
        if left is None:
            return None, []
        lowest = np.minimum.accumulate(np.append(left.lowest_V, part.value))
        two = np.minimum(part.value, np.append(left.last_V, part.value[:-1]))
        fed = np.flatnonzero(two - lowest[:-1] > np.maximum(RISE * two, RISE_V))
        low = np.flatnonzero(part.value < self.safe_V)
        ends = [int(rows[0]) for rows in (fed, low) if len(rows)]
        end = min(ends, default=len(part))
        is_low = bool(len(low)) and end == low[0]
        part = part[: end + 1] if is_low else part[:end]
        took_s, u = (part.time_ns - left.after_ns) / S, (left.time_ns - left.after_ns) / S
        late = np.flatnonzero(took_s - u > self._limit_s(bench))
        rows = {int(late[0]), len(part) - 1} if len(late) else set[int]()
        rows |= {len(part) - 1} if is_low else set()
        opened = Event("link", unit, left.time_ns, left.after_ns, left.time_ns)
        found = [
            self._row(bench, name, opened, int(part.time_ns[row]), float(took_s[row]), u, None)
            for row in sorted(rows)
        ]
        if ends or not len(part):
            return (None if ends else left), found
        return replace(left, last_V=float(part.value[-1]), lowest_V=float(lowest[-1])), found

    def _live(
        self, seen: Followed, piece: Piece, name: str, role: str, samples: Samples
    ) -> tuple[Followed, list[Outcome]]:
        """Readings at or above ``safe_V`` with both poles open that no opening explains."""
        times, volts = samples.time_ns, samples.value
        last_ns, last_V = int(times[-1]), float(volts[-1])
        if not (volts >= self.safe_V).any():  # nearly always
            low = volts < SUNK * self.safe_V
            low_ns = int(times[low][-1]) if low.any() else seen.low_ns
            begun_ns = int(times[0]) if seen.begun_ns is None else seen.begun_ns
            return replace(
                seen, low_ns=low_ns, last_ns=last_ns, volts=last_V, begun_ns=begun_ns
            ), []
        late_ns = _late_ns(piece.bench, role)
        quiet = both_open(piece, times, 0, late_ns) & ~_precharging(piece, times, late_ns)
        return self._walk(seen, piece, name, role, samples, quiet)

    def _walk(
        self,
        seen: Followed,
        piece: Piece,
        name: str,
        role: str,
        samples: Samples,
        quiet: Bools,
    ) -> tuple[Followed, list[Outcome]]:
        times, volts = samples.time_ns, samples.value
        count = np.arange(len(times))

        def latest(marks: Bools, before: int | None) -> Int64s:
            """The stamp of the last marked reading by each of them; NEVER if there was none."""
            row = np.maximum.accumulate(np.where(marks, count, -1))
            stamp = NEVER if before is None else before
            return np.where(row >= 0, times[np.maximum(row, 0)], stamp).astype(np.int64)

        low_ns = latest(volts < SUNK * self.safe_V, seen.low_ns)
        shut_ns = latest(~quiet & (volts >= self.safe_V), seen.shut_ns)
        high = quiet & (volts - piece.bench.u(role) >= self.safe_V)
        again = high & (low_ns > shut_ns) & (low_ns != NEVER)
        begun_ns = int(times[0]) if seen.begun_ns is None else seen.begun_ns
        before = high & (low_ns == NEVER) & (shut_ns == NEVER)
        before &= (times - begun_ns) / S > self._limit_s(piece.bench)
        seen = Followed(
            int(times[-1]),
            float(volts[-1]),
            None if low_ns[-1] == NEVER else int(low_ns[-1]),
            None if shut_ns[-1] == NEVER else int(shut_ns[-1]),
            begun_ns,
            seen.watched_ns,
        )
        since_ns = {"live-again": low_ns, "live-before": np.full(len(times), begun_ns)}
        found: list[Margins] = []
        for code, rows in (("live-again", again), ("live-before", before)):
            took_s = (times[rows] - since_ns[code][rows]) / S
            limit_s = _unseen_s(piece.bench) if code == "live-again" else self._limit_s(piece.bench)
            found.append(
                margins(
                    name,
                    times[rows],
                    limit_s - took_s,
                    measured=took_s,
                    limit=limit_s,
                    start_ns=since_ns[code][rows],
                    code=code,
                    safe_V=self.safe_V,
                    volts=volts[rows],
                    bleed=_bleed(piece.bench),
                )
            )
        return seen, [part for part in found if len(part.time_ns)]

    def margins(self, window: ClosedWindow) -> Sequence[Outcome]:
        """Each link after the first main contactor opened."""
        opened = main_openings(window)
        if not opened:
            text = f"no main contactor opened; {MEASURE}"
            return [unjudged(name, "not-exercised", text) for name, _ in links(window.bench)]
        found: list[Outcome] = []
        for name, role in links(window.bench):
            found.append(self._judge(window, name, role, opened[0]))
            found += self._rose(window, name, role, opened)
            gone = link_fall(window, role, opened[0].after_ns, window.until_ns)
            if gone:
                found.append(replace(gone, subject=name, text=f"{gone.text}; {MEASURE}"))
        return found

    def _judge(self, window: ClosedWindow, name: str, role: str, opened: Event) -> Outcome:
        start_V = float(window.at(role, opened.after_ns).value[0])
        if start_V < self.safe_V and (left := self._left(window, role, opened)) is not None:
            opened, start_V = left
        if np.isnan(start_V):
            reason = absence_at(window, role, opened.after_ns)
            text = f"the link voltage was not known when the contactors opened; {MEASURE}"
            return Doubt(name, reason, text, opened.time_ns)
        samples = window.back(role, opened.after_ns).known
        high = np.flatnonzero(samples.value >= self.safe_V)
        if start_V < self.safe_V and not len(high):
            text = f"the link was at {start_V:.1f} V, not charged, when opened; {MEASURE}"
            return unjudged(name, "not-exercised", text, opened.time_ns)
        last = int(high[-1]) if len(high) else -1
        fit = _decay(samples, opened, last)
        if last + 1 < len(samples):
            return self._fell(window, name, role, opened, samples, last, fit)
        return self._stayed(window, name, role, opened, samples, fit)

    def _rose(
        self, window: ClosedWindow, name: str, role: str, opened: list[Event]
    ) -> list[Margins]:
        """Where it rose again with both main contactors open, which something fed it for."""
        bench, all_open_ns = window.bench, max(event.time_ns for event in opened)
        if {event.subject for event in opened} < set(MAINS) or _unseen_s(bench):
            return []
        from_ns = all_open_ns + LATE_NS
        closed = [e.after_ns for e in window.events_of("pole") if e.value == 1]
        end_ns = min([t for t in closed if t > all_open_ns], default=window.until_ns) - LATE_NS
        link = window.back(role, from_ns).known.between(from_ns, end_ns)
        link = link[window.at("@awake", link.time_ns).value == 1] if len(link) else link
        if len(link) < 4:
            return []
        # Two readings each: one alone may be disturbed.
        two = np.stack((link.value[:-1], link.value[1:]))
        rose = two.min(axis=0) - np.minimum.accumulate(two.max(axis=0))
        row, level = int(rose.argmax()), float(window.at(role, opened[0].after_ns).value[0])
        if not rose[row] > max(RISE * level, RISE_V, 6 * bench.u(role)):
            return []
        speeds = [unit.role("speed") for unit in bench.units]
        for speed in filter(bench.has, speeds):
            turns = window.back(speed, from_ns).known.between(from_ns, end_ns)
            if np.abs(turns.value).max(initial=0.0) >= STILL_RPM:
                return []
        lowest_ns = int(link.time_ns[two.max(axis=0)[: row + 1].argmin()])
        took_s = (int(link.time_ns[row]) - lowest_ns) / S
        return [
            margins(
                name,
                int(link.time_ns[row]),
                -took_s,
                measured=took_s,
                limit=0.0,
                start_ns=lowest_ns,
                code="fed-again",
                rose=float(rose[row]),
                volts=float(two[:, row].min()),
                safe_V=self.safe_V,
            )
        ]

    def _left(self, window: ClosedWindow, role: str, opened: Event) -> tuple[Event, float] | None:
        """When a link on another bus, whose clock may differ, left its level before the opening."""
        from_ns = opened.after_ns - clocks_ns(window.bench, role)
        samples = window.back(role, from_ns).between(from_ns, opened.after_ns + 1).known
        if not len(samples) or not samples.value[0] >= self.safe_V:
            return None
        full = np.flatnonzero(samples.value >= (1 - HELD) * samples.value[0])
        row = min(int(full[-1]), len(samples) - 2)
        after_ns, time_ns = (int(at) for at in samples.time_ns[row : row + 2])
        return replace(opened, after_ns=after_ns, time_ns=time_ns), float(samples.value[row])

    def _fell(
        self,
        window: ClosedWindow,
        name: str,
        role: str,
        opened: Event,
        samples: Samples,
        last: int,
        fit: Exponential | None,
    ) -> Outcome:
        """It fell below ``safe_V`` between the samples ``last`` and ``last`` + 1, for good."""
        below_ns = int(samples.time_ns[last + 1])
        above_ns = int(samples.time_ns[last]) if last >= 0 else opened.after_ns
        between_s, opened_u = (below_ns - above_ns) / S, (opened.time_ns - opened.after_ns) / S / 2
        took_s = (below_ns - opened.time_ns) / S - between_s / 2 + opened_u
        u = between_s / 2 + opened_u
        if fit is not None:
            u += window.bench.u(role) * fit.tau_s / self.safe_V  # slope = V / tau
        return self._row(window.bench, name, opened, below_ns, max(took_s, 0.0), u, fit)

    def _stayed(
        self,
        window: ClosedWindow,
        name: str,
        role: str,
        opened: Event,
        samples: Samples,
        fit: Exponential | None,
    ) -> Outcome:
        """It was at or above ``safe_V`` as long as it was recorded."""
        seen_ns = int(samples.time_ns[-1]) if len(samples) else opened.after_ns
        seen_V = float(samples.value[-1]) if len(samples) else float("nan")
        stayed_s = (seen_ns - opened.time_ns) / S
        opened_u = (opened.time_ns - opened.after_ns) / S / 2
        if stayed_s + opened_u > self._limit_s(window.bench):
            took_s = stayed_s + opened_u
            return self._row(window.bench, name, opened, seen_ns, took_s, opened_u, fit)
        told = f"at {seen_V:.1f} V {stayed_s:.1f} s after opening"
        if np.isnan(window.at(role, window.until_ns - 1).value[0]):
            reason = absence_at(window, role, window.until_ns - 1)
            text = f"the link was last seen {told}: keep the 12 V on until the link is below "
            text += f"{self.safe_V:g} V; {MEASURE}"
            return Doubt(name, reason, text, seen_ns, measured=stayed_s, code=LIVE)
        if window.span.complete:
            text = f"a contactor closed again with the link {told}; {MEASURE}"
            return unjudged(name, "not-exercised", text, seen_ns)
        text = f"the recording ended with the link {told}, before the limit: keep recording until "
        text += f"the link is below {self.safe_V:g} V{_foretold(fit, self.safe_V)}; {MEASURE}"
        return Doubt(name, "not-exercised", text, seen_ns, measured=stayed_s, code=LIVE)

    def _limit_s(self, bench: Bench) -> float:
        # If the plan does not say, the stricter limit holds, which is the standard's.
        return self.passive_s if bench.bleed in ("passive", "none") else self.active_s

    def _row(
        self,
        bench: Bench,
        name: str,
        opened: Event,
        time_ns: int,
        took_s: float,
        u: float,
        fit: Exponential | None,
    ) -> Margins:
        limit_s = self._limit_s(bench)
        decay = "" if fit is None else f", tau {fit.tau_s:.2f} s{_foretold(fit, self.safe_V)}"
        return margins(
            name,
            time_ns,
            limit_s - took_s,
            measured=took_s,
            limit=limit_s,
            uncertainty=u + bench.clock_s,
            start_ns=opened.after_ns,
            safe_V=self.safe_V,
            bleed=_bleed(bench),
            decay=decay,
            **({"tau_s": fit.tau_s, "r2": fit.r2} if fit else {}),
        )


def _bleed(bench: Bench) -> str:
    words = {"active": "active bleed", "passive": "passive bleed", "none": "no bleed"}
    return words.get(bench.bleed or "", "the plan names no bleed, active assumed")


def _fell_too(piece: Piece, at_ns: int) -> bool:
    """Whether the pack had fallen, far below what it mostly read in the minute before."""
    pack = piece.back("pack.voltage", at_ns - BEFORE_NS).known.between(at_ns - BEFORE_NS, at_ns + 1)
    return len(pack) > 0 and bool(pack.value[-1] < FELL * median(pack.value))


def _late_ns(bench: Bench, role: str) -> int:
    """By which the contactors may be seen closed later than a link rises."""
    return max(LATE_NS, clocks_ns(bench, role))


def _left_closed(piece: Piece) -> list[Doubt]:
    """A doubt for each link where one main contactor reads closed to the last and one does not."""
    if not piece.bench.has(*MAIN_ROLES):
        return []
    last = {role: piece.last(role, piece.until_ns) for role in MAIN_ROLES}
    closed = [role for role, states in last.items() if len(states) and states.value[0] == 1]
    if len(closed) != 1:
        return []
    key = piece.bench.bindings[closed[0]].key
    text = f"{key} still read closed when the recording ended, though the other main contactor "
    text += f"had opened: nobody saw it open; {MEASURE}"
    at_ns = int(last[closed[0]].time_ns[0])
    return [Doubt(name, "not-exercised", text, at_ns) for name, _ in links(piece.bench)]


def _precharging(piece: Piece, times_ns: Int64s, late_ns: int) -> Bools:
    """Where pre-charge reads closed, or will within the time by which states may be late."""
    states = piece.history.samples("contactors.precharge").known
    near = states.between(int(times_ns[0]), int(times_ns[-1]) + late_ns + 1)
    shut_ns = near.time_ns[near.value == 1]
    first = shut_ns.searchsorted(times_ns)
    return np.asarray(first < shut_ns.searchsorted(times_ns + late_ns, "right"))


def _decay(samples: Samples, opened: Event, last: int) -> Exponential | None:
    """The decay from the opening until the link is safe (or the readings end)."""
    first = int(np.searchsorted(samples.time_ns, opened.time_ns))
    part = samples[first : last + 2]
    fit = exponential(seconds_since(part.time_ns, opened.time_ns), part.value, level=0.0)
    return fit if fit is not None and fit.swing > 0 and fit.r2 >= LIKE_A_DECAY else None


def _foretold(fit: Exponential | None, safe_V: float) -> str:
    if fit is None or np.isnan(fit.when(safe_V)):
        return ""
    return f", {safe_V:g} V foretold {fit.when(safe_V):.1f} s after opening"


def _unseen_s(bench: Bench) -> float:
    """How long a link may be live with the poles reading open, because it may be pre-charging.

    Not at all, unless one signal tells of both poles and none of pre-charge.
    """
    unseen = bench.poles_as_one and not bench.has("contactors.precharge")
    return UNSEEN_S if unseen else 0.0
