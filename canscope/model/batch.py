"""What came of each of many runs, as data for tables and the index page."""

from __future__ import annotations

from dataclasses import dataclass, field

from canscope.model.report import ReadAs

FAIL, UNPROVEN, NOT_JUDGED, PASS = "fail", "unproven", "not judged", "pass"
STATES = (FAIL, UNPROVEN, NOT_JUDGED, PASS)  # in the order in which they are told


@dataclass(frozen=True)
class Work:
    """What judging a run took, and where it was done; all of it differs from batch to batch."""

    worker: str = ""
    seconds: float = 0.0
    processor_s: float = 0.0
    peak_bytes: int | None = None  # of the worker's process since it began; None if not known
    earlier: bool = False  # judged by an earlier batch with the same inputs


@dataclass(frozen=True)
class BatchRun:
    """One run: what its report says, or why there is none."""

    name: str  # as it was found
    state: str  # one of STATES
    reason: str = ""  # why it was not judged
    headline: str = ""
    waived: int = 0
    wrong: str = ""  # in short what failed or is missing
    stage: str = ""
    vehicle: str = ""
    recorded_ns: int | None = None  # first frame, since 1970 UTC; None where no clock was set
    length_s: float | None = None
    frames: int | None = None
    sha256: str = ""  # of its capture
    result: str = ""  # its report without curves: a path below the batch's folder
    reports: tuple[str, ...] = ()  # further reports, likewise
    work: Work = field(default_factory=Work)


@dataclass(frozen=True)
class RuleCount:
    """In how many runs a rule failed, was unproven though required, or was accepted unproven."""

    rule: str
    failed: int
    unproven: int
    accepted: int


@dataclass(frozen=True)
class Batch:
    """All of it."""

    runs: tuple[BatchRun, ...]
    rules: tuple[RuleCount, ...]  # those that failed or were unproven in any run, worst first
    left_out: tuple[str, ...]  # files that were not taken for captures
    plan: str  # as given; empty where every run has its own
    read_as: ReadAs
    version: str
    written_at: str

    def count(self, state: str) -> int:
        """How many runs are in this state."""
        return sum(run.state == state for run in self.runs)

    @property
    def worst(self) -> str:
        """The state that stands for all: a run that was not judged may hide a fail."""
        worst_first = (FAIL, NOT_JUDGED, UNPROVEN)
        return next((state for state in worst_first if self.count(state)), PASS)

    @property
    def headline(self) -> str:
        """``fail 1, unproven 0, not judged 2, pass 7, of 10 runs``."""
        counts = ", ".join(f"{state} {self.count(state)}" for state in STATES)
        qualified = sum(run.state == PASS and run.headline != PASS for run in self.runs)
        not_plain = f" ({qualified} of them with something accepted, loosened or switched off)"
        runs = f"{len(self.runs)} run{'' if len(self.runs) == 1 else 's'}"
        return f"{counts}{not_plain if qualified else ''}, of {runs}"
