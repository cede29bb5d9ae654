"""What a witness says of one role."""

from __future__ import annotations

from dataclasses import dataclass

Links = tuple[str, ...]  # roles of the links whose clock is that of the other readings


@dataclass(frozen=True)
class Remark:
    """One thing that is wrong with a role's readings; ``text`` follows the signal's name.

    ``kind`` is "late state", "early state", "late", "late renewal", "silent", "stopped" or "wrong".
    ``late_ms`` is how late a state came at least.
    """

    role: str
    kind: str
    text: str
    at_ns: int
    late_ms: float = 0.0

    @property
    def reason(self) -> str:
        """Of the doubt: what comes late was no longer true, anything else is not believed."""
        return "stale" if self.kind.startswith("late") else "sensor-suspect"
