"""Which adapter class serves which kind of address; a new kind is one more row here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from canscope.live.adapters.adapter import Adapter
from canscope.live.adapters.address import Address
from canscope.live.adapters.python_can import PythonCan
from canscope.live.adapters.replay import Replay
from canscope.live.adapters.slcan import Slcan

KINDS: Mapping[str, type[Slcan] | type[Replay]] = {"slcan": Slcan, "replay": Replay}


def _kind_of(address: Address) -> type[Slcan] | type[Replay] | type[PythonCan]:
    """Every other kind is the name of a python-can interface."""
    return KINDS.get(address.kind, PythonCan)


def adapter_of(address: Address) -> Adapter:
    """The adapter that an address names, not yet opened."""
    return _kind_of(address)(address)


def stamp_uncertainty_ms(addresses: Iterable[Address]) -> float:
    """How late a stamp may be, as a recording states it when it starts; 0 for a replayed file."""
    return max((_kind_of(address).stamp_late_ms for address in addresses), default=0.0)
