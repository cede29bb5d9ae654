"""Report: everything a renderer needs, as data; renderers never see a capture or a definition."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from canscope.model.findings import Finding

if TYPE_CHECKING:
    from canscope.model.dataframes import DataFrame

ANCHOR = "hand-reading"  # the rule that ties a role's scale to a person's instrument
EARLIER_ANCHOR = f"{ANCHOR} in run "  # and the run's name


@dataclass(frozen=True)
class Trace:
    """One signal over a stretch of time, thinned so that no spike is lost; a None is a gap."""

    role: str
    signal: str
    unit: str
    at_s: tuple[float, ...]
    value: tuple[float | None, ...]
    states: bool = False  # draw as steps


@dataclass(frozen=True)
class Plot:
    """What shows one finding: its traces, the limit, the worst instant and its window."""

    traces: tuple[Trace, ...]
    from_s: float
    until_s: float
    worst_s: float | None = None
    limit: float | None = None  # only where it is in the first trace's own unit
    window_s: tuple[float, float] | None = None
    judged: tuple[float, float | None] | None = None  # the first trace's sample at worst_s


@dataclass(frozen=True)
class Burst:
    """One stretch in which a unit turned."""

    unit: str
    number: int
    start_s: float
    length_s: float
    requested: str  # forward, reverse, neutral, unknown
    peak_speed_rpm: float | None
    peak_current_A: float | None
    lowest_voltage_V: float | None
    heat_gained_K: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class RunEvent:
    """Something that happened between ``since_s`` and ``at_s``, and what shows it.

    ``since_s`` is None where nothing was recorded before it. ``by_hand`` names the unit that was
    turned though nothing could drive it.
    """

    since_s: float | None
    at_s: float
    what: str
    source: str
    by_hand: str = ""


@dataclass(frozen=True)
class Input:
    """A file that the report rests on."""

    kind: str  # capture, plan, definition, marks
    name: str
    sha256: str
    size: int


@dataclass(frozen=True)
class CaptureFacts:
    """How good the recording is."""

    frames: int = 0
    lines: int = 0
    skipped: int = 0
    skipped_examples: tuple[str, ...] = ()
    dropped: int = 0
    cut_end: bool = False
    first_ns: int | None = None
    last_ns: int | None = None
    relative_time: bool = False  # stamps before 2001
    segments: int = 1
    channels: Mapping[str, int] = field(default_factory=dict)  # channel -> frames
    error_frames: Mapping[str, int] = field(default_factory=dict)  # channel -> frames
    short_frames: Mapping[str, int] = field(default_factory=dict)
    undefined_multiplexer: Mapping[str, int] = field(default_factory=dict)
    undefined_ids: Mapping[str, int] = field(default_factory=dict)
    sha256: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class ReadAs:
    """What was said of the captures beside their names, as given to ``canscope check``."""

    format: str | None = None
    channels: tuple[str, ...] = ()
    offsets: Mapping[str, float] = field(default_factory=dict)  # capture as named -> seconds
    columns: Mapping[str, str] = field(default_factory=dict)  # meaning -> heading

    @property
    def options(self) -> tuple[str, ...]:
        """It in the words of the command line; empty where nothing was said."""
        columns = ",".join(f"{meaning}={heading}" for meaning, heading in self.columns.items())
        return (
            *([f"--format {self.format}"] if self.format else []),
            *(f"--channel {name}" for name in self.channels),
            *(f"--offset {name}={seconds!r}" for name, seconds in self.offsets.items()),
            *([f"--columns {columns}"] if columns else []),
        )


@dataclass(frozen=True)
class RoleFacts:
    """What a role was bound to and how it fared."""

    role: str
    signal: str
    unit: str
    samples: int
    lowest: float | None
    highest: float | None
    cycle_ms: float | None
    not_available: int
    out_of_range: int
    uncertainty: float
    checked_by: tuple[str, ...] = ()  # rules that held it against something independent, and passed
    checkable_by: tuple[str, ...] = ()  # rules that could have
    # What tied its scale to a person's instrument: rules of this run, or a reading of an earlier
    # one: "hand-reading in run NAME".
    anchored_by: tuple[str, ...] = ()

    @property
    def anchored_here(self) -> bool:
        """Whether a reading of this very run anchors it."""
        return any(EARLIER_ANCHOR not in anchor for anchor in self.anchored_by)


@dataclass(frozen=True)
class RuleFacts:
    """How a rule was applied: its parameters with unit and source."""

    rule: str
    summary: str
    parameters: tuple[tuple[str, Any, str, str], ...]  # name, value, unit, source
    off: str = ""


@dataclass(frozen=True)
class Looser:
    """A parameter that the plan sets looser than its default."""

    rule: str
    parameter: str
    value: float
    usual: float
    unit: str = ""

    @property
    def text(self) -> str:
        """In words, with both values."""
        unit = f" {self.unit}" if self.unit else ""
        return f"{self.rule}: {self.parameter} = {self.value:g}{unit}, usually {self.usual:g}{unit}"


@dataclass(frozen=True)
class HandCheck:
    """A role that no bus of this vehicle carries, and what a person does instead."""

    role: str
    reason: str
    by: str
    check: str
    findings: tuple[str, ...] = ()  # "rule, subject" that stay unproven for want of it
    looks_like: str = ""  # a free signal of the definitions that looks like it


@dataclass(frozen=True)
class Cause:
    """A probable cause, the check that decides whether it is it, and the findings it explains."""

    cause: str
    check: str
    findings: tuple[str, ...] = ()  # "rule, subject"


@dataclass(frozen=True)
class Report:
    """The whole answer to one check."""

    verdict: str  # pass | fail | unproven
    headline: str  # "pass, 2 items accepted by A. Tester"; "fail: 1 finding failed"
    waived: int
    stage: str
    vehicle: str
    findings: tuple[Finding, ...]
    not_applicable: tuple[str, ...]
    bursts: tuple[Burst, ...]
    capture: CaptureFacts
    inputs: tuple[Input, ...]
    version: str
    job: Mapping[str, Any] = field(default_factory=dict)  # tester, witness, notes ...
    conditions: Mapping[str, Any] = field(default_factory=dict)  # coolant, oil, ambient ...
    look_first: tuple[str, ...] = ()  # at most three plain sentences
    misfits: tuple[str, ...] = ()  # why recording and plan do not belong together
    diagnosis: tuple[Cause, ...] = ()  # at most three, the likeliest first
    events: tuple[RunEvent, ...] = ()
    roles: tuple[RoleFacts, ...] = ()
    rules: tuple[RuleFacts, ...] = ()
    topics: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # title -> its rules
    plots: Mapping[str, Plot] = field(default_factory=dict)  # "rule|subject" -> Plot
    course: Plot | None = None  # every bound role over the whole run
    marks: tuple[Mapping[str, Any], ...] = ()
    cautions: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()  # of plan and definitions: missing units and the like
    plan_text: str = ""
    number: int | None = None  # within a run folder
    written_at: str = ""  # passed in, never read from a clock here
    unique_id: str = ""
    mounting: tuple[Mapping[str, Any], ...] = ()
    looser: tuple[Looser, ...] = ()  # limits that the plan sets looser than usual
    switched_off: Mapping[str, str] = field(default_factory=dict)  # rule -> reason
    off_failed: tuple[str, ...] = ()  # rules that are switched off and would have failed
    unanchored: tuple[str, ...] = ()  # roles whose scale nothing ties to an instrument
    not_on_vehicle: tuple[HandCheck, ...] = ()
    read_as: ReadAs = field(default_factory=ReadAs)

    def __repr__(self) -> str:
        kinds = [str(finding.verdict) for finding in self.findings]
        counts = ", ".join(f"{kinds.count(v)} {v}" for v in ("fail", "unproven", "pass"))
        return f"<Report on {self.vehicle!r}, {self.stage}: {self.headline}; findings: {counts}>"

    def findings_frame(self) -> DataFrame:
        """One row a finding in the report's order, one column a field of ``Finding``, for pandas.

        ``rule``, ``verdict`` and the like are categoricals. Where there is no number it is NaN.
        """
        from canscope.model.dataframes import findings_frame

        return findings_frame(self.findings)

    def bursts_frame(self) -> DataFrame:
        """One row a burst in time order, one column a field of ``Burst``, for pandas.

        ``attrs["units"]`` has the unit of each column that has one.
        """
        from canscope.model.dataframes import bursts_frame

        return bursts_frame(self.bursts)

    def lead(self, text: str) -> Finding | None:
        """The finding that an entry of ``look_first`` is about: the entry begins with its sentence.

        None if it is about none of this report.
        """
        found = (f for f in self.findings if f.sentence and text.startswith(f.sentence))
        return max(found, key=lambda finding: len(finding.sentence), default=None)
