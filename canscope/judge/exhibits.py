"""The exhibits of a run: what only its report shows, in bounded memory. They change no verdict."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from canscope.judge.event_log import EventLog
from canscope.judge.ledger import Ledger
from canscope.judge.plots import (
    Excerpt,
    Overview,
    Picture,
    copied,
    excerpt,
    overview_plot,
    plot_of,
)
from canscope.model.bench import Kind
from canscope.model.findings import Finding, Key, Verdict
from canscope.model.history import History
from canscope.model.report import Burst, Plot
from canscope.model.rule import Worst
from canscope.model.signals import Samples

MOST_TRACES = 3  # in one finding's plot
COUNTING = ("alive", "checksum")
MOST_BURSTS = 2000  # that the report's table lists


class Exhibits:
    """Bursts, events, the course of every role, and the curves around worst instants."""

    def __init__(self) -> None:
        self.bursts: list[Burst] = []
        self.events = EventLog()
        self._more_bursts = 0  # that the table does not list; every rule judged them
        self._overviews: dict[str, Overview] = {}
        self._pictures: dict[Key, Picture] = {}
        self._excerpts: dict[Key, Excerpt] = {}  # to be copied once they have gone by
        self._shown: dict[Key, Worst] = {}  # the instant that each excerpt or picture shows

    def add_burst(self, burst: Burst) -> None:
        """Add a row to the table of bursts, unless it is full."""
        if len(self.bursts) < MOST_BURSTS:
            self.bursts.append(burst)
        else:
            self._more_bursts += 1

    def add_samples(self, new: Mapping[str, Samples], ledger: Ledger) -> None:
        """Add new samples to the course of their roles."""
        for role, samples in new.items():
            if role not in self._overviews:
                states = ledger.bench.bindings[role].kind is not Kind.NUMBER
                self._overviews[role] = Overview(ledger.origin, states=states)
            self._overviews[role].add(samples)

    def copy_curves(self, ledger: Ledger, history: History, forgotten_ns: int | None) -> None:
        """Copy what findings show before the history forgets it (None: it forgets everything).

        A later instant may be worse than a finding's worst so far, so nothing is copied sooner
        than it must be.
        """
        for name, subjects in ledger.subjects.items():
            for subject in subjects:
                key = (name, subject.name)
                worst = ledger.standings[key].worst
                if worst is not None and self._shown.get(key) is not worst:
                    self._shown[key] = worst
                    roles = [role for role in subject.shown if role in ledger.bench.bindings]
                    self._excerpts[key] = excerpt(worst, tuple(roles[:MOST_TRACES]))
        for key, stretch in list(self._excerpts.items()):
            if forgotten_ns is None or stretch.needed_ns < forgotten_ns:
                self._pictures[key] = copied(stretch, history, ledger.bench)
                del self._excerpts[key]

    def plots(
        self, findings: Sequence[Finding], ledger: Ledger, until_ns: int
    ) -> Iterator[tuple[str, Plot]]:
        """The plot of each finding that has one, by "rule|subject", once the run is closed.

        It shows the worst instant; of an unproven finding without one, the whole run.
        """
        for finding in findings:
            shown = self._pictures.get(finding.key)
            plot: Plot | None = None
            if shown is not None:
                plot = plot_of(shown, ledger.bench, ledger.origin, finding.unit)
            elif finding.verdict is Verdict.UNPROVEN:
                plot = overview_plot(
                    finding.roles, self._overviews, ledger.bench, ledger.origin, until_ns
                )
            if plot is not None and plot.traces:
                yield f"{finding.rule}|{finding.subject}", plot

    def course(self, ledger: Ledger, until_ns: int) -> Plot | None:
        """Every role over the whole run, but those that only number or check messages."""
        roles = [role for role in ledger.bench.bindings if role.rpartition(".")[2] not in COUNTING]
        return overview_plot(roles, self._overviews, ledger.bench, ledger.origin, until_ns)

    def unlisted(self) -> Iterator[str]:
        """Warnings on what the tables have no room for."""
        for count, what in ((self._more_bursts, "bursts"), (self.events.more, "events")):
            if count:
                yield f"{count} more {what} are not listed: a report has room for so many only"
