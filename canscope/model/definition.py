"""What a signal definition says, compiled: messages and signals, whatever file they came from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

# The attribute of a signal in a DBC file that says it was found in a capture, not defined by
# whoever made the node; its text says how sure that is. ``canscope survey --accept`` writes it.
INFERRED = "CanscopeInferred"


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
    inferred: str = ""  # from which capture and how surely, if nobody defined it

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
class Problem:
    """Something wrong in a definition file: what, at which line, and what to do about it.

    ``weight`` is ``unusable`` (it is not decoded; ``message`` and ``signal`` say what that is, an
    empty ``signal`` the whole message), ``doubt`` (read as written, which can hardly be meant),
    ``mended`` (read all the same, as the text says) or ``note``.
    """

    weight: str
    what: str
    hint: str = ""
    line: int | None = None
    message: str = ""
    signal: str = ""

    @property
    def name(self) -> str:
        """``Message.Signal``, or ``Message``."""
        return f"{self.message}.{self.signal}" if self.signal else self.message


@dataclass(frozen=True)
class Lost:
    """A message or signal of a channel that its definition describes and that is not decoded."""

    channel: str
    file: str
    problem: Problem

    @property
    def key(self) -> str:
        """``channel:Message.Signal``, or ``channel:Message`` for all of a message."""
        return f"{self.channel}:{self.problem.name}"

    @property
    def why(self) -> str:
        """``file:line: what``."""
        line = f":{self.problem.line}" if self.problem.line else ""
        return f"{self.file}{line}: {self.problem.what}"

    def covers(self, name: str) -> bool:
        """Whether a name of a signal, with or without its channel and message, means this."""
        problem = self.problem
        channel, colon, rest = name.partition(":")
        if colon and channel == self.channel:
            name = rest
        if not problem.signal:
            return name == problem.message or name.startswith(f"{problem.message}.")
        return name in (problem.name, problem.signal)


@dataclass(frozen=True)
class Definitions:
    """All messages, of all channels. The same identifier on two channels is two messages.

    ``lost`` is what the files describe and nobody can use, because of a mistake in them.
    """

    messages: tuple[MessageSpec, ...]
    files: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    lost: tuple[Lost, ...] = ()

    def __repr__(self) -> str:
        signals = sum(len(message.signals) for message in self.messages)
        files = ", ".join(self.files) or "no file"
        return f"<Definitions of {files}: {len(self.messages)} messages, {signals} signals>"

    def signals(self) -> dict[str, SignalSpec]:
        """Every signal by its key."""
        return {s.key: s for m in self.messages for s in m.signals}
