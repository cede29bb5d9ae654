"""The ledger of a run: all that its verdicts rest on, in bounded memory."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from canscope.judge.standing import Standing
from canscope.model.bench import Bench
from canscope.model.events import Event, Window
from canscope.model.findings import COMMON_PRACTICE
from canscope.model.outcome import Doubt, Outcome, Subject
from canscope.model.rule import Rule
from canscope.model.tables import SECOND_NS as S
from canscope.trust.feedback import Feedback
from canscope.trust.role_health import Health
from canscope.trust.samples.clock_alignment import Alignment, Lag, unordered
from canscope.trust.sources.echo import Echo
from canscope.trust.sources.identity import Senders, twin_doubts

MOST_RESTARTS = 8  # that the report's first pages name


class Ledger:
    """How every subject of every rule stands, and how every role fared.

    Only its own methods write in it. ``standings`` goes by rule and subject; ``healths`` has one
    entry a segment; ``cycles_ms`` is the cycle of each role, as stated or learned. ``origin_ns``
    is the stamp of the capture's first frame, None before it.
    """

    def __init__(self, bench: Bench, rules: Mapping[str, Rule]) -> None:
        self.bench = bench
        self.rules = {name: rule for name, rule in rules.items() if rule.applies(bench)}
        self.subjects = {name: tuple(rule.subjects(bench)) for name, rule in self.rules.items()}
        self.standings = {
            (name, subject.name): Standing(subject.name)
            for name, subjects in self.subjects.items()
            for subject in subjects
        }
        self.healths: list[Health] = []
        self.cycles_ms: dict[str, float] = {}
        self.origin_ns: int | None = None
        self.senders = Senders()
        # Role -> why it is no source of its own, in words and as a code.
        self.twins: dict[str, tuple[str, str]] = {}
        self.alignment = Alignment()
        self.clocks: dict[str, int] = {}  # channel -> its clock, where stamps have more than one
        self.echo = Echo(bench)
        self.feedback = Feedback(bench)
        self.restarts = 0
        self._restarts: list[str] = []

    @property
    def origin(self) -> int:
        """Stamp of the capture's first frame; 0 before it."""
        return self.origin_ns or 0

    def begin(self, origin_ns: int) -> None:
        """Note the stamp of the first frame."""
        self.origin_ns = origin_ns

    def take_clocks(self, clocks: Sequence[Sequence[str]]) -> None:
        """Note which channels were stamped by which clock, before anything is judged."""
        self.clocks |= {name: number for number, names in enumerate(clocks) for name in names}

    def begin_segment(self) -> Health:
        """The health of all roles over the segment that begins."""
        self.healths.append(Health(self.bench))
        return self.healths[-1]

    def add(self, rule: str, outcomes: Sequence[Outcome]) -> None:
        """Take in what a rule answered on the whole run."""
        for outcome in outcomes:
            standing = self.standings[rule, outcome.subject]
            if self.clocks and (apart := self._apart(rule, outcome.subject)) is not None:
                standing.add(apart, self.origin)
                continue
            standing.add(outcome, self.origin, self._differing(rule, outcome.subject))

    def add_window(
        self, rule: str, subject: str, outcomes: Sequence[Outcome], doubts: Sequence[Doubt]
    ) -> None:
        """Take in what a window rule answered of one subject in one window.

        ``doubts`` are those on the roles that the subject rests on, in that window.
        """
        if (apart := self._apart(rule, subject)) is not None:
            self.standings[rule, subject].add(apart, self.origin)
            return
        window = Standing(subject)
        for outcome in outcomes:
            if outcome.subject == subject:
                window.add(outcome, self.origin, self._differing(rule, subject))
        self.standings[rule, subject].merge(window, doubts)

    def add_cycles(self, cycles_ms: Mapping[str, float]) -> None:
        """Note the cycles of roles, as a segment knew them at its end."""
        self.cycles_ms |= cycles_ms

    def add_twins(self, roles: Mapping[str, str], code: str) -> None:
        """Note roles that turned out to be no source of their own, and why."""
        self.twins = {**{role: (text, code) for role, text in roles.items()}, **self.twins}

    def note_restart(self, event: Event) -> None:
        """Note a node that restarted at rest, of which the report tells."""
        self.restarts += 1
        if self.restarts <= MOST_RESTARTS:
            at_s = (event.time_ns - self.origin) / S
            silent_s = (event.time_ns - event.after_ns) / S
            self._restarts.append(
                f"{event.subject} restarted at {at_s:.3f} s, after {silent_s:.3f} s of silence,"
                " while nothing was live and nothing turned: what it sent in the second after that"
                f" does not count ({COMMON_PRACTICE})"
            )

    def close(self) -> None:
        """Note what is only known at the end of the run."""
        for name, subjects in self.subjects.items():
            for subject in subjects:
                self.add(name, self.senders.doubts(self.bench, subject))
                self.add(name, twin_doubts(self.twins, subject))
                self.add(name, self.echo.doubts(subject))
                worst = self.standings[name, subject.name].worst
                self.add(name, self.feedback.doubts(self.rules[name], subject, worst))
                self.add(name, self._clocks(name, subject))
                if (apart := self._apart(name, subject.name)) is not None:
                    self.standings[name, subject.name].add(apart, self.origin)

    def notes(self) -> tuple[str, ...]:
        """What the report says of restarts, contactor states and clocks, whatever rests on them."""
        more = self.restarts - len(self._restarts)
        rest = (f"{more} more restarts at rest are in the list of events",) if more else ()
        known = (*self.echo.notes(), *self.alignment.notes(), *self.feedback.notes())
        return (*self._restarts, *rest, *known)

    def _apart(self, name: str, subject: str) -> Doubt | None:
        """Why a subject cannot be judged at all, where it rests on clocks that nothing connects."""
        if not self.clocks:
            return None
        found = next(s for s in self.subjects[name] if s.name == subject)
        bindings = self.bench.bindings
        roles = {*found.needs, *found.shown} - self.rules[name].timeless
        own = {bindings[role].signal.channel for role in roles if role in bindings}
        if self.rules[name].whole_run:
            own |= {binding.signal.channel for binding in bindings.values()}
        clocks = {self.clocks[channel] for channel in own if channel in self.clocks}
        if len(clocks) < 2:
            return None
        buses = ", ".join(sorted(own))
        text = f"the recordings of {buses} share no clock, so nothing tells what came first on them"
        return Doubt(subject, "capture-damaged", text)

    def _differing(self, name: str, subject: str) -> Lag | None:
        """The lag between the buses of a subject, where that alone may look like a fail.

        What is judged in an attempt knows of it by itself.
        """
        rule = self.rules[name]
        if not self.alignment.lags or not (rule.order or rule.edges):
            return None
        if rule.window is Window.ATTEMPT:
            return None
        needs = next((s.needs for s in self.subjects[name] if s.name == subject), ())
        return self.alignment.first(self.bench, [r for r in needs if r not in rule.timeless])

    def _clocks(self, name: str, subject: Subject) -> list[Doubt]:
        """What the clocks of several adapters leave open: an order, or a time that is too short."""
        rule = self.rules[name]
        needs = [role for role in subject.needs if role not in rule.timeless]
        apart = self.alignment.between(self.bench, needs)
        if apart is None or not (rule.order or rule.timed):
            return []
        more_ms, lag = apart
        worst = self.standings[name, subject.name].worst
        more = more_ms if rule.unit == "ms" else more_ms / 1000
        if not rule.order and (worst is None or worst.margin >= worst.uncertainty + more):
            return []
        return [unordered(subject.name, lag)]
