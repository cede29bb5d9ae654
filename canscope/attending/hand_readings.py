"""What a person's own instrument can read on a vehicle."""

from __future__ import annotations

from canscope.model.bench import Bench

READ_BY_HAND = ("voltage", "current", "link_voltage", "speed", "flow")  # and every temperature


def readable(bench: Bench) -> dict[str, str]:
    """The roles that can be read by hand, with their units."""
    return {
        role: binding.unit
        for role, binding in bench.bindings.items()
        if binding.unit and (role.split(".")[-1] in READ_BY_HAND or ".temperatures." in role)
    }


def named(role: str) -> str:
    """A role in words: ``front link voltage``."""
    words = role.removeprefix("units.").replace(".temperatures.", " ")
    return words.replace(".", " ").replace("_", " ")
