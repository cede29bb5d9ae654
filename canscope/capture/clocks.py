"""Whether several files of one run were stamped by one clock.

Stamps that carry a date come from a computer's clock, and recorders of one computer share it.
Stamps that count from a recording's own zero compare with no other file's, unless somebody says by
how much they differ.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from canscope.model.errors import CaptureError, Where
from canscope.model.tables import SECOND_NS

YEAR_2001_NS = 978_307_200 * SECOND_NS  # stamps before are taken as relative
CONTINUES_NS = SECOND_NS  # a rotated log goes on within that time; common practice, no source


@dataclass(frozen=True)
class Survey:
    """What a first reading of a file found; ``aligned`` if its offset was given."""

    name: str
    format: str
    channels: frozenset[str]
    first_ns: int
    last_ns: int
    stepped: bool
    aligned: bool

    @property
    def relative(self) -> bool:
        """Whether its stamps count from its own zero."""
        return self.first_ns < YEAR_2001_NS

    def shares_clock(self, other: Survey) -> bool:
        """Whether the stamps of both can be compared without anybody's word.

        So it is if one goes on where the other ended, as rotated logs do; if both have dates and
        were written in one format; or if both have dates and do not overlap.
        """
        early, late = sorted((self, other), key=lambda survey: survey.first_ns)
        gap_ns = late.first_ns - early.last_ns
        if self.relative or other.relative:
            goes_on = 0 <= gap_ns <= CONTINUES_NS and bool(self.channels & other.channels)
            return goes_on and self.format == other.format
        return self.format == other.format or gap_ns >= 0


def by_clock(surveys: Sequence[Survey]) -> list[list[Survey]]:
    """The files by clock. Those with an offset are on the clock of the first one without.

    Raises ``CaptureError`` where two clocks tell of the same bus.
    """
    groups: list[list[Survey]] = []
    for survey in sorted(surveys, key=lambda survey: (survey.aligned, survey.first_ns)):
        if survey.aligned and groups:
            # the first file as given that has no offset, or any of those that have
            reference = next((s for s in surveys if not s.aligned), surveys[0])
            mine = [group for group in groups if reference in group or reference == survey]
        else:
            mine = [g for g in groups if any(survey.shares_clock(other) for other in g)]
        groups = [group for group in groups if group not in mine]
        groups.append([*(other for group in mine for other in group), survey])
    for one, other in combinations(groups, 2):
        _check_buses_differ(one, other)
    return groups


def note(groups: Sequence[Sequence[Survey]]) -> str:
    """What the report says of files that share no clock."""
    names = ["; ".join(sorted(survey.name for survey in group)) for group in groups]
    return (
        f"the recordings share no clock ({' | '.join(names)}): what needs the order of events "
        "across them is unproven; say how they lie with --offset FILE=SECONDS"
    )


def _check_buses_differ(one: Sequence[Survey], other: Sequence[Survey]) -> None:
    for mine in one:
        for theirs in other:
            if both := sorted(mine.channels & theirs.channels):
                raise CaptureError(
                    f"this file and {mine.name} both tell of {both[0]}, and nothing says how their "
                    "stamps lie to each other",
                    where=Where(theirs.name),
                    hint="check them one by one; or, if two recorders named two buses alike, give "
                    "--channel once for each file; or say how they lie with --offset FILE=SECONDS",
                )
