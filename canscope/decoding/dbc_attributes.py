"""What DBC attributes say about messages: cycle, J1939, long names, what a survey found.

Source: cantools (dbc_loader.py) for the names of the attributes and the order of frame formats.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from canscope.decoding.dbc_statements import STRING, Statement, unquoted
from canscope.model.definition import INFERRED

CYCLE, FRAME_FORMAT = "GenMsgCycleTime", "VFrameFormat"
MESSAGE_NAME, SIGNAL_NAME = "SystemMessageLongSymbol", "SystemSignalLongSymbol"
FORMATS = ("StandardCAN", "ExtendedCAN", "reserved", "J1939PG")  # by number; later ones are CAN FD
J1939 = "J1939PG"
Target = tuple[int, str]  # (identifier as written, signal or empty)


@dataclass
class Attributes:
    """The attributes that matter, as written: definition, default, value by target."""

    choices: dict[str, tuple[str, ...] | None] = field(default_factory=dict)  # None: a number
    defaults: dict[str, str] = field(default_factory=dict)
    values: dict[str, dict[Target, str]] = field(default_factory=dict)

    def take(self, statement: Statement) -> None:
        """Note a BA_DEF_, BA_DEF_DEF_ or BA_ statement."""
        found = statement.found
        assert found is not None, "only whole statements are taken"
        name = unquoted(found["name"])
        if name not in (CYCLE, FRAME_FORMAT, MESSAGE_NAME, SIGNAL_NAME, INFERRED):
            return
        if statement.keyword == "BA_DEF_":
            enum = found["type"] == "ENUM"
            listed = tuple(unquoted(text) for text in re.findall(STRING, found["values"]))
            self.choices[name] = listed if enum else None
        elif statement.keyword == "BA_DEF_DEF_":
            self.defaults[name] = found["value"]
        elif found["id"] or found["signal_id"]:
            target = int(found["id"] or found["signal_id"]), found["signal"] or ""
            self.values.setdefault(name, {})[target] = found["value"]

    def long_name(self, dbc_id: int, signal: str = "") -> str:
        """The long name of a message or signal, empty if it has none."""
        name = SIGNAL_NAME if signal else MESSAGE_NAME
        value = self.values.get(name, {}).get((dbc_id, signal), '""')
        return unquoted(value) if value.startswith('"') else value

    def inferred(self, dbc_id: int, signal: str) -> str:
        """What a survey says of a signal that it found, empty of one that somebody defined."""
        value = self.values.get(INFERRED, {}).get((dbc_id, signal))
        if value is None:
            value = self.defaults.get(INFERRED, "")
        return unquoted(value) if value.startswith('"') else value

    def cycle_ms(self, dbc_id: int) -> float | None:
        """The cycle of a message; None if the file does not give one."""
        given = self.values.get(CYCLE, {}).get((dbc_id, ""), self.defaults.get(CYCLE, ""))
        try:
            cycle = float(given.strip('"') or 0)
        except ValueError:
            return None
        return cycle if 0 < cycle < 1e9 else None

    def j1939(self, dbc_id: int) -> bool:
        """Whether a message is a J1939 parameter group."""
        given = self.values.get(FRAME_FORMAT, {}).get((dbc_id, ""))
        if given is None and FRAME_FORMAT in self.choices:
            given = self.defaults.get(FRAME_FORMAT)
        named = (given or "").strip('"')
        if not named.isdecimal():
            return named == J1939
        choices = self.choices.get(FRAME_FORMAT) or FORMATS
        return int(named) < len(choices) and choices[int(named)] == J1939
