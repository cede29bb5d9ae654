"""The seal of a written report: the SHA-256 of all that stands before it, in its last line.

It shows that a byte was altered by accident or in passing. Whoever wants to deceive can seal a
report anew; what then still speaks are the hashes of its inputs and the findings recomputed
(``canscope verify``).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from hashlib import sha256

_SEAL = re.compile(
    rb'(?:,\n "seal": "sha256:([0-9a-f]{64})"}|<!-- seal sha256:([0-9a-f]{64}) -->)\n\Z'
)
_LONGEST = 120  # bytes of a seal


def sealed(parts: Iterable[bytes]) -> list[bytes]:
    """The parts of a report and its seal; a kind that is neither JSON nor markup has none."""
    parts = [part for part in parts if part]
    head, last = (parts[0], parts[-1]) if parts else (b"", b"")
    if head.startswith(b"{") and last.endswith(b"}\n"):
        parts[-1] = last[:-2]
        return [*parts, b',\n "seal": "sha256:%s"}\n' % _digest(parts)]
    if head.startswith(b"<"):
        return [*parts, b"<!-- seal sha256:%s -->\n" % _digest(parts)]
    return parts


def is_intact(report: bytes) -> bool | None:
    """Whether a report is as it was sealed; None if it has no seal."""
    found = _SEAL.search(report, max(0, len(report) - _LONGEST))
    if found is None:
        return None
    return _digest([report[: found.start()]]) == (found[1] or found[2])


def _digest(parts: Iterable[bytes]) -> bytes:
    digest = sha256()
    for part in parts:
        digest.update(part)
    return digest.hexdigest().encode()
