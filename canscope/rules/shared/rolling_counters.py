"""Rolling counters: how far they count before they begin again."""

from __future__ import annotations

from canscope.model.bench import Binding


def modulus_of(binding: Binding) -> int:
    """How many values a counter has: as the plan says, else all that its bits can hold."""
    given = binding.options.get("modulus")
    return given if isinstance(given, int) else 1 << min(binding.signal.length_bits, 32)
