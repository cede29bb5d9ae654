"""The base of all faults: what each changes, and which rules must or may then fail.

Rule names are plain strings here, because the simulator imports no rule.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar, TypeVar

from canscope.simulate.physics import Truth
from canscope.simulate.recording import Recording
from canscope.simulate.script import Floats, Script
from canscope.simulate.sensors import Readings
from canscope.simulate.vehicle import Vehicle

OF_TWO = frozenset({"axle-agreement", "units-fighting"})  # rules that compare two units


@dataclass(frozen=True, kw_only=True)
class Fault:
    """Base of every fault; each overrides the hooks it needs.

    ``severity`` 1 is clearly beyond the limit, more is worse, well below 1 may stay within it.

    ``must`` are the rules that have to fail, ``may`` those that are allowed to as a consequence,
    ``unproven`` those that must be left without a pass. No rule besides may fail.
    """

    severity: float = 1.0

    name: ClassVar[str] = ""
    stages: ClassVar[tuple[str, ...]] = ("dry-spin",)  # in whose story it can happen
    must: ClassVar[frozenset[str]] = frozenset()
    may: ClassVar[frozenset[str]] = frozenset()
    unproven: ClassVar[frozenset[str]] = frozenset()

    @property
    def says(self) -> str:
        """What is wrong, in one sentence."""
        return (self.__doc__ or "").strip().splitlines()[0]

    def must_in(self, vehicle: Vehicle) -> frozenset[str]:
        """The rules that have to fail on that vehicle."""
        return self.must if len(vehicle.units) > 1 else self.must - OF_TWO

    @property
    def expected(self) -> str:
        """The verdict that the run has to end in."""
        return "fail" if self.must else "unproven"

    def suits(self, vehicle: Vehicle) -> bool:
        """Whether that vehicle can have it, and whether its nodes speak often enough to show it."""
        return True

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        """The vehicle with the fault built in."""
        return vehicle

    def story(self, story: Any) -> Any:
        """What the driver does instead; the story is one of ``stages``."""
        return story

    def load_W(self, time_s: Floats, script: Script, vehicle: Vehicle) -> Floats | None:
        """Something else that draws power from the link, a row a millisecond."""
        return None

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        """Make sensors and nodes lie: replace columns of ``seen``, never write into one."""

    def damage(self, recording: Recording, script: Script, vehicle: Vehicle) -> Recording:
        """Damage frames, or their recording."""
        return recording

    def spoil(self, text: str) -> str:
        """Damage the capture's text."""
        return text


FAULTS: dict[str, type[Fault]] = {}
Kind = TypeVar("Kind", bound=type[Fault])


def fault(
    name: str, *, must: str = "", may: str = "", unproven: str = "", stages: str = "dry-spin"
) -> Callable[[Kind], Kind]:
    """Enter a fault under its name; the rule names are written in one string, with spaces."""

    def enter(kind: Kind) -> Kind:
        kind.name = name
        kind.must, kind.may = frozenset(must.split()), frozenset(may.split())
        kind.unproven, kind.stages = frozenset(unproven.split()), tuple(stages.split())
        FAULTS[name] = kind
        return kind

    return enter
