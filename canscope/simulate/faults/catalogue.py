"""All faults by name; a new family of faults is one more import here."""

from __future__ import annotations

from canscope.model.errors import UnknownNameError
from canscope.simulate.faults import bus, driving, heat, power  # noqa: F401 (they enter themselves)
from canscope.simulate.faults.fault import FAULTS, Fault


def find_fault(name: str, *, severity: float = 1.0) -> Fault:
    """The fault of that name.

    Raises:
        UnknownNameError: there is none of that name.
    """
    if name not in FAULTS:
        raise UnknownNameError("fault", name, FAULTS)
    return FAULTS[name](severity=severity)


def fault_names() -> tuple[str, ...]:
    """The names of all faults, in alphabetical order."""
    return tuple(sorted(FAULTS))
