"""The voltages that give way under load: that of the pack and that of each link."""

from __future__ import annotations

from canscope.model.bench import Bench
from canscope.model.outcome import Subject
from canscope.rules.shared.links import links
from canscope.rules.shared.poles import MAIN_ROLES

CURRENT = "pack.current"


def voltage_subjects(bench: Bench) -> list[Subject]:
    """The pack and the link of every unit, bound or not, each with the pack current."""
    poles = MAIN_ROLES if bench.has(*MAIN_ROLES) else ()
    roles = {"pack": "pack.voltage"}
    roles |= {f"{unit.name} link": unit.role("link_voltage") for unit in bench.units}
    return [Subject(name, (role, CURRENT, *poles), (role, CURRENT)) for name, role in roles.items()]


def voltages(bench: Bench) -> dict[str, str]:
    """Subject -> role of every bound voltage."""
    roles = {"pack": "pack.voltage"} if bench.has("pack.voltage") else {}
    return roles | dict(links(bench))
