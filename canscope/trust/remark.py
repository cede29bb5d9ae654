"""What a witness says of one role."""

from __future__ import annotations

from dataclasses import dataclass

Links = tuple[str, ...]  # roles of the links whose clock is that of the other readings


@dataclass(frozen=True)
class Remark:
    """One thing that is wrong with a role's readings; ``text`` follows the signal's name.

    ``kind`` is "late state", "early state", "late", "late renewal", "silent", "stopped",
    "repeated" or "wrong"; "told" is for the report alone and lowers nothing.
    ``late_ms`` is how late a state, or a reading, came at least; 0 where that is not known.
    ``code`` says what exactly is doubted, where there is a check of its own for it
    (``findings.MENDS``).
    """

    role: str
    kind: str
    text: str
    at_ns: int
    late_ms: float = 0.0
    code: str = ""

    @property
    def reason(self) -> str:
        """Of the doubt: what comes late was no longer true, anything else is not believed."""
        return "stale" if self.kind.startswith("late") else "sensor-suspect"

    @property
    def doubt_code(self) -> str:
        """Of the doubt: what decides how it is checked."""
        if self.code:
            return self.code
        return "late" if self.reason == "stale" else suspect_code(self.role)


def suspect_code(role: str) -> str:
    """The code of a reading that cannot be believed: how such a one is checked."""
    if role.startswith("contactors."):
        return "suspect-state"
    if role.startswith("driver."):
        return "suspect-input"
    if role in ("pack.current", "pack.insulation"):
        return f"suspect-{role.removeprefix('pack.')}"
    if role == "pack.voltage" or role.endswith(".link_voltage"):
        return "suspect-high-voltage"
    return ""
