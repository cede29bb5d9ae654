"""What a rule is. Every rule is one file in ``rules/`` with its limits and its margins."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from enum import Enum, auto
from typing import Any, ClassVar

from canscope.model.bench import STAGES, Bench
from canscope.model.events import Window
from canscope.model.findings import COMMON_PRACTICE, Verdict
from canscope.model.outcome import Doubt, Outcome, Subject
from canscope.model.piece import ClosedWindow, Piece

SPINNING = frozenset({"dry-spin", "wet-spin", "rolling"})
ALL_STAGES = frozenset(STAGES)


# What a rule that needs a turning unit advises in the stage in which nothing turns.
AT_REST = "nothing turns in this stage; a later stage, in which axles are spun, can prove it"
FAILED_AT_REST = "open the contactors and find out why a unit moved in a stage in which none may"


class CardStep(Enum):
    """A step of the plan's card: what is done at the vehicle, in the order of a run."""

    BEFORE_POWER = auto()
    POWER_UP = auto()
    OPEN_ONE_POLE = auto()  # with the other one still closed
    EMERGENCY_STOP = auto()
    COOLANT = auto()  # pump running, before anything turns
    SPIN = auto()  # one axle, or the whole vehicle, in both directions
    SPIN_TOGETHER = auto()
    WATCH_HEAT = auto()  # after the last stop
    OPEN = auto()
    CLOSE = auto()  # the recorder is stopped


def limit(
    default: Any,
    unit: str = "",
    source: str = COMMON_PRACTICE,
    *,
    low: float = 0.0,
    high: float = float("inf"),
    note: str = "",
    example: Any = None,
    also: str = "",
    looser: str = "",
) -> Any:
    """A parameter of a rule; the manual page and the plan's checks are made from it.

    ``source`` is where the default comes from, ``low`` and ``high`` the range allowed, ``note``
    what the manual page says after the unit. ``looser`` is the direction in which the rule lets
    more pass: ``higher`` or ``lower`` (than the default, or else than the example); empty where
    neither does. Without a default (None, or an
    empty table) the rule does not judge; the page then shows ``example``. ``also`` is the key of
    the plan's [limits] that sets the same parameter.

    Raises ``ValueError`` if neither a default nor an example is given.
    """
    if default is None and example is None:
        raise ValueError("a limit without a default needs an example for the manual page")
    facts = {
        "unit": unit,
        "source": source,
        "low": low,
        "high": high,
        "note": note,
        "example": example,
        "also": also,
        "looser": looser,
    }
    if isinstance(default, Mapping):
        return field(default_factory=lambda: dict(default), metadata=facts)
    return field(default=default, metadata=facts)


@dataclass(frozen=True)
class Worst:
    """The instant that decides a finding, for its sentence."""

    subject: str
    time_ns: int
    at_s: float
    margin: float
    uncertainty: float
    measured: float
    limit: float
    start_ns: int
    end_ns: int
    facts: Mapping[str, Any]
    code: str = ""  # what it means if it fails; one of the rule's ``codes``


@dataclass(frozen=True, kw_only=True)
class Rule:
    """Base of every rule: a frozen dataclass whose fields are its parameters.

    A rule reads no clock, logs nothing, draws no verdict. A run rule (``window`` is RUN) folds a
    frozen, bounded state; a window rule is one pure function of a closed window (and with
    ``follows`` folds the run as well, for what lies between windows). In both an
    answer at an instant rests on what lies at or before that instant, never on how the run was
    cut. Its docstring is its manual page, to which ``canscope explain`` adds the parameters.
    """

    window: ClassVar[Window] = Window.RUN
    follows: ClassVar[bool] = False  # a window rule that folds the whole run besides
    unit: ClassVar[str] = ""  # of margin, uncertainty, measured and limit
    required_in: ClassVar[frozenset[str]] = frozenset()  # stages whose pass needs it
    absent_in: ClassVar[frozenset[str]] = frozenset()  # stages in which it does not apply
    stops: ClassVar[bool] = False  # live: STOP instead of a warning
    waivable: ClassVar[bool] = True
    timed: ClassVar[bool] = False  # its margin is a time: the clock is part of the uncertainty
    # It holds roles against each other at one instant: two buses must then have one clock.
    order: ClassVar[bool] = False
    # Roles that it rests on, and whose instants it compares with nothing.
    timeless: ClassVar[frozenset[str]] = frozenset()
    # Roles of which it judges highest or lowest levels: that they come 0.2 s late changes nothing.
    levels: ClassVar[frozenset[str]] = frozenset()
    peaks: ClassVar[bool] = False  # it judges the highest readings, which a low-pass hides
    # It rests on instants that none of its roles shows: of a person's look, of a shutdown.
    whole_run: ClassVar[bool] = False
    by_links: ClassVar[bool] = False  # without contactor signals it goes by links, and may fail
    edges: ClassVar[bool] = False  # it does not, but clocks that differ may look like a fail of it
    limit_parameter: ClassVar[str] = ""  # the field whose source is the limit's source
    limit_source: ClassVar[str] = ""  # set where the limit is no parameter
    card_steps: ClassVar[frozenset[CardStep]] = frozenset()  # that exercise it
    # Patterns of the roles that a pass holds against something independent of them. A state is held
    # against what the vehicle then does; two roles that one mistake can turn together do not count.
    cross_checks: ClassVar[tuple[str, ...]] = ()
    says: ClassVar[Mapping[str, str]] = {}  # "pass" / "fail" / "close" -> clause, {facts} allowed
    codes: ClassVar[tuple[str, ...]] = ()  # what a fail or a doubt may be, for the diagnosis
    missed: ClassVar[str] = ""  # what did not happen if nothing at all was judged
    exercise: ClassVar[str] = ""  # what to do at the vehicle so that it can be judged
    spins: ClassVar[bool] = False  # ``exercise`` or ``next`` has a unit turn
    at_rest: ClassVar[bool] = False  # it may also fail while nothing turns
    causes: ClassVar[tuple[str, ...]] = ()  # of a fail, most probable first
    next: ClassVar[str] = ""  # the next thing to check after a fail

    def applies(self, bench: Bench) -> bool:
        """Whether it judges anything on this vehicle in this stage."""
        return bench.stage not in self.absent_in

    def required(self, bench: Bench) -> bool:
        """Whether the whole run is unproven if this rule is."""
        return bench.stage in self.required_in

    def silent(self, bench: Bench) -> bool:
        """Whether it gives no finding unless something was judged (and is then required)."""
        return False

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """What it judges; every subject gets a finding, judged or not."""
        raise NotImplementedError

    def start(self, bench: Bench) -> Any:
        """The state before the first piece (run rules)."""
        return None

    def fold(self, state: Any, piece: Piece) -> tuple[Any, Sequence[Outcome]]:
        """Judge a piece: the next state and the outcomes of this piece (run rules)."""
        raise NotImplementedError

    def close(self, state: Any, piece: Piece) -> Sequence[Outcome]:
        """Facts about the whole run, given once at its end; ``piece`` is empty, at the end.

        Margins only where the end itself decides, else doubts.
        """
        return ()

    def margins(self, window: ClosedWindow) -> Sequence[Outcome]:
        """Judge one closed window (window rules)."""
        raise NotImplementedError

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """The part of the sentence before number, limit, time and signal."""
        facts = {"subject": worst.subject, **worst.facts}
        return self.says.get(str(verdict), "").format(**facts)

    def exercise_in(self, bench: Bench) -> str:
        """What to do at the vehicle in its stage; where nothing turns, nothing advises to spin."""
        return AT_REST if self.spins and bench.stage == "power-up" else self.exercise

    def next_in(self, bench: Bench) -> str:
        """The next thing to check after a fail in its stage, likewise."""
        moved = self.spins and not self.at_rest
        return FAILED_AT_REST if moved and bench.stage == "power-up" else self.next

    def source(self, given: frozenset[str]) -> str:
        """Where the limit comes from; ``given`` are the parameters that the plan sets."""
        if not self.limit_parameter:
            return self.limit_source
        if self.limit_parameter in given:
            return "plan"
        parameter = next(f for f in fields(self) if f.name == self.limit_parameter)
        return str(parameter.metadata.get("source", COMMON_PRACTICE))


def unjudged(subject: str, reason: str, text: str = "", at_ns: int | None = None) -> Doubt:
    """A doubt that explains why nothing was judged, and leaves alone what was."""
    return Doubt(subject, reason, text, at_ns, lowers=False)
