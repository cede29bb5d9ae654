"""Any interface that python-can knows, opened listen-only where it offers that.

Source: the constructors of python-can 4.6.1's interfaces. Only a state that reads back counts as
confirmed; everything else needs the person's signature.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from typing import Any, ClassVar

from canscope.live.adapters.adapter import NOTHING, WAIT_S, AdapterError, Batch, Opened
from canscope.live.adapters.address import Address
from canscope.live.adapters.candump_lines import body
from canscope.model.tables import Flag

MOST = 2000  # frames taken in one read
NO_WIRE = ("virtual", "udp_multicast")  # no bus behind it on which anything could be disturbed
# What asks an interface's constructor for listen-only.
LISTEN_ONLY: dict[str, dict[str, Any]] = {
    "pcan": {"state": "PASSIVE"},
    "systec": {"state": "PASSIVE"},
    "kvaser": {"driver_mode": False},
    "vector": {"listen_only": True},
    "nixnet": {"listen_only": True},
    "cantact": {"monitor": True},
    "seeedstudio": {"operation_mode": "silent"},
}
READ_BACK = ("pcan", "systec")  # of these, interfaces whose state is then the device's own


class PythonCan:
    """One bus of one python-can interface."""

    stamp_late_ms: ClassVar[float] = 5.0  # common practice, no source
    period_ns = 0

    def __init__(self, address: Address) -> None:
        self._address = address
        self._bus: Any = None

    @property
    def never_silent(self) -> str:
        """Why nothing of this kind can be known to listen only."""
        from can.interfaces import VALID_INTERFACES

        kind = self._address.kind
        if kind not in VALID_INTERFACES or kind in ("socketcan", *NO_WIRE, *READ_BACK):
            return ""
        if kind in LISTEN_ONLY:
            return f"the interface {kind} does not read back whether it listens only"
        return f"the interface {kind} has no way to ask for listen-only"

    def open(self) -> Opened:
        """Open it and find out whether it is silent."""
        import can

        kind = self._address.kind
        link = _socketcan_link(self._address.address) if kind == "socketcan" else None
        options = dict(LISTEN_ONLY.get(kind, {}))
        if "state" in options:
            options["state"] = can.BusState.PASSIVE
        if self._address.bitrate and kind not in ("socketcan", *NO_WIRE):
            options["bitrate"] = self._address.bitrate
        try:
            self._bus = can.Bus(self._address.address, interface=kind, **options)
        except (can.CanError, OSError, ImportError, TypeError, ValueError) as error:
            hint = "is it plugged in and up, its driver installed, and the name right?"
            raise AdapterError(f"{self._address}: cannot be opened: {error}", hint=hint) from error
        silent, how = self._listen_only(link)
        errors = "recorded" if kind == "socketcan" else "unknown"
        rate = (link or {}).get("bitrate") or self._address.bitrate
        return Opened(f"python-can interface {kind} opened", silent, how, errors, rate)

    def _listen_only(self, link: dict[str, Any] | None) -> tuple[bool, str]:
        import can

        kind = self._address.kind
        if kind in NO_WIRE:
            return True, "there is no wire behind this interface"
        if kind == "socketcan":
            return socketcan_silence(link)
        if kind in READ_BACK and self._bus.state is can.BusState.PASSIVE:
            return True, "asked for listen-only, and the device's state reads back passive"
        if kind in READ_BACK:
            return False, "asked for listen-only, but the device's state does not read back so"
        return False, self.never_silent

    def flush(self) -> None:
        """Discard what waits, ``MOST`` frames at most."""
        for _ in range(MOST):
            if self._bus.recv(0) is None:
                return

    def read(self) -> Batch:
        """Up to ``MOST`` frames that have come."""
        message = self._bus.recv(WAIT_S)
        if message is None:
            return NOTHING
        frames, errors, last = [], 0, message
        while message is not None:
            last = message
            errors += bool(message.is_error_frame)
            frames.append(_body(message))
            message = self._bus.recv(0) if len(frames) < MOST else None
        stamp = round(last.timestamp * 1e9) if last.timestamp else None
        return Batch(frames, 0, errors, stamp)

    def close(self) -> None:
        """Shut the interface down."""
        if self._bus is not None:
            bus, self._bus = self._bus, None
            bus.shutdown()


def _body(message: Any) -> bytes:
    flags = (
        (Flag.EXTENDED if message.is_extended_id else 0)
        | (Flag.REMOTE if message.is_remote_frame else 0)
        | (Flag.FD if message.is_fd else 0)
        | (Flag.BRS if message.bitrate_switch else 0)
        | (Flag.ESI if message.error_state_indicator else 0)
    )
    if message.is_error_frame:
        flags = Flag.ERROR
    return body(message.arbitration_id, flags, message.dlc, bytes(message.data))


def _socketcan_link(name: str) -> dict[str, Any] | None:
    """Kind, modes and bit rate of a SocketCAN link by the command ``ip``; None: not known.

    Source of the keys: iproute2, ip/iplink_can.c; from memory.
    """
    command = shutil.which("ip")
    if command is None:
        return None
    words = [command, "-details", "-json", "link", "show", "dev", name]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=5)
    try:
        info = json.loads(done.stdout)[0]["linkinfo"]
    except (ValueError, LookupError, TypeError):
        return None
    data = info.get("info_data") or {}
    return {
        "kind": info.get("info_kind"),
        "modes": tuple(data.get("ctrlmode") or ()),
        "bitrate": (data.get("bittiming") or {}).get("bitrate"),
    }


def socketcan_silence(link: dict[str, Any] | None) -> tuple[bool, str]:
    """Whether a SocketCAN link is listen-only, and how that is known."""
    if link is None:
        return False, "the command ip, which tells the link's mode, is missing or said nothing"
    if link["kind"] == "vcan":
        return True, "a virtual link has no wire"
    if "LISTEN-ONLY" in link["modes"]:
        return True, "the link's mode reads back LISTEN-ONLY"
    return False, (
        "the link is not in listen-only mode; set it down, then "
        "'ip link set NAME up type can bitrate RATE listen-only on'"
    )
