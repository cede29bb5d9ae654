"""What of this computer can be listened to."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

CAN_LINK = "280"  # ARPHRD_CAN of linux/if_arp.h


def adapters() -> list[tuple[str, str]]:
    """Each as an address and what it is."""
    return [*_links(), *_serial_ports()]


def _links() -> Iterator[tuple[str, str]]:
    """CAN links of Linux."""
    for link in sorted(Path("/sys/class/net").glob("*/type")):
        try:
            if link.read_text().strip() == CAN_LINK:
                yield f"socketcan:{link.parent.name}", "CAN link of this computer"
        except OSError:
            continue


def _serial_ports() -> Iterator[tuple[str, str]]:
    """Serial ports of USB devices; which of them are adapters nobody knows."""
    try:
        from serial.tools import list_ports
    except ImportError:
        return
    for port in sorted(list_ports.comports()):
        if port.vid is not None:
            yield f"slcan:{port.device}", str(port.description)
