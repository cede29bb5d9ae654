"""Writing the little TOML that a run folder needs."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any


def toml_text(data: Mapping[str, Any]) -> str:
    """Tables of plain values, tables, lists and lists of tables; None is left out."""
    return "\n".join(_table(data, ())) + "\n"


def _table(data: Mapping[str, Any], path: tuple[str, ...]) -> list[str]:
    lines, below = [], []
    for key, value in data.items():
        here = (*path, key)
        name = ".".join(_key(part) for part in here)
        if isinstance(value, Mapping):
            below += ["", f"[{name}]", *_table(value, here)]
        elif isinstance(value, list | tuple) and value and isinstance(value[0], Mapping):
            for row in value:
                below += ["", f"[[{name}]]", *_table(row, here)]
        elif value is not None:
            lines.append(f"{_key(key)} = {_value(value)}")
    return lines + below


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _quoted(key)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, int | float):
        return repr(value)
    return _quoted(str(value))


def _quoted(text: str) -> str:
    r"""A TOML string; bytes that are not UTF-8, as names of files may hold, become ``\udcff``."""
    text = text.encode("utf-8", "backslashreplace").decode()
    # JSON's escapes are TOML's, except that TOML also wants DEL escaped
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def replace_file(path: Path, text: str) -> None:
    """Replace a file at once: a reader sees the old one or the new one, whole."""
    beside = path.with_name(f".{path.name}.new")
    with open(beside, "w", encoding="utf-8", newline="\n") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    os.replace(beside, path)
