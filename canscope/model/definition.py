"""What a signal definition says, compiled: messages and signals, whatever file they came from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Absent:
    """Which raw codes mean "no value" (design: not available).

    ``kind`` is ``none``, ``j1939``, ``maximum`` or ``codes``; ``codes`` lists raw values for the
    last. Raw codes from the definition's own value table are in ``codes`` as well.
    """

    kind: str = "none"
    codes: tuple[int, ...] = ()


@dataclass(frozen=True)
class SignalSpec:
    """One signal of one message on one channel."""

    channel: str
    message: str
    name: str
    start_bit: int  # as in a DBC file: Motorola: number of the most significant bit
    length_bits: int
    big_endian: bool = False
    signed: bool = False
    is_float: bool = False
    factor: float = 1.0
    offset: float = 0.0
    minimum: float | None = None  # declared range, only if minimum < maximum
    maximum: float | None = None
    unit: str = ""
    labels: Mapping[int, str] = field(default_factory=dict, hash=False)
    # Path of multiplexers from the outermost to the nearest one: (selector's name, its raw values)
    multiplexer: tuple[tuple[str, tuple[int, ...]], ...] = ()
    absent: Absent = Absent()

    @property
    def key(self) -> str:
        """``channel:Message.Signal``, the name by which everything else calls it."""
        return f"{self.channel}:{self.message}.{self.name}"

    @property
    def message_key(self) -> str:
        """``channel:Message``."""
        return f"{self.channel}:{self.message}"


@dataclass(frozen=True)
class MessageSpec:
    """One message of one channel and its signals."""

    channel: str
    name: str
    can_id: int
    extended: bool
    length: int  # bytes
    signals: tuple[SignalSpec, ...]
    cycle_ns: int | None = None  # as the definition says, None if it says nothing
    j1939: bool = False  # matched by parameter group instead of by the whole identifier
    file: str = ""

    @property
    def key(self) -> str:
        """``channel:Message``."""
        return f"{self.channel}:{self.name}"

    def signal(self, name: str) -> SignalSpec | None:
        """The signal of that name, if there is one."""
        return next((s for s in self.signals if s.name == name), None)


@dataclass(frozen=True)
class Definitions:
    """All messages, of all channels. The same identifier on two channels is two messages."""

    messages: tuple[MessageSpec, ...]
    files: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    def signals(self) -> dict[str, SignalSpec]:
        """Every signal by its key."""
        return {s.key: s for m in self.messages for s in m.signals}
