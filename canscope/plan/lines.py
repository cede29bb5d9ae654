"""Which line of a TOML file a key stands on; the standard parser does not say.

``tomllib`` has accepted the text before, so this only needs to find where statements begin and end:
strings, comments and brackets are skipped as wholes.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from typing import Any

KeyPath = tuple[str | int, ...]

TOKEN = re.compile(
    r'"""(?:\\[\s\S]|[^\\])*?"""{1,3}'
    r"|'''[\s\S]*?'''{1,3}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|\#[^\n]*|[\[\]{}=\n]"
    r"|[^\"'#\[\]{}=\n]+"
)

BARE = re.compile(r"[A-Za-z0-9_-]+")


def key_lines(text: str) -> dict[KeyPath, int]:
    """Line of every key path, counted from 1; entries of ``[[array]]`` tables count from 0.

    Keys inside an inline table or an array stand on the line of the key that holds them.
    """
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    section: KeyPath = ()
    for line, tokens in _statements(text):
        if tokens[:2] == ["[", "["]:
            names = _numbered(_names("".join(tokens[2:-2])), counts, last=False)
            counts[names] = counts.get(names, -1) + 1
            section = (*names, counts[names])
            lines[section] = line
            lines.setdefault(names, line)
        elif tokens[0] == "[":
            section = _numbered(_names("".join(tokens[1:-1])), counts, last=True)
            for depth in range(1, len(section)):
                lines.setdefault(section[:depth], line)  # until it has a header of its own
            lines[section] = line
        elif "=" in tokens:
            names = _names("".join(tokens[: tokens.index("=")]))
            for depth in range(1, len(names) + 1):
                lines.setdefault((*section, *names[:depth]), line)
    return lines


def _statements(text: str) -> Iterator[tuple[int, list[str]]]:
    """Line and tokens of each statement; comments and blanks around it are left out."""
    line, begun, depth = 1, 1, 0
    tokens: list[str] = []
    for token in TOKEN.findall(text):
        if token == "\n" and depth <= 0 and tokens:
            yield begun, tokens
            tokens = []
        elif token[0] != "#" and token.strip():
            begun = begun if tokens else line
            tokens.append(token.strip())
            depth += (token in "[{") - (token in "]}")
        line += token.count("\n")
    if tokens:
        yield begun, tokens


def _names(key: str) -> tuple[str, ...]:
    """The parts of a dotted key, quotes resolved by the parser itself."""
    if BARE.fullmatch(key):  # nearly all
        return (key,)
    names: list[str] = []
    found: Any = tomllib.loads(f"{key} = 0")
    while isinstance(found, dict):
        name, found = next(iter(found.items()))
        names.append(name)
    return tuple(names)


def _numbered(names: tuple[str, ...], counts: dict[KeyPath, int], *, last: bool) -> KeyPath:
    """A header's path with the entry number behind every part that is an array of tables."""
    path: KeyPath = ()
    for place, name in enumerate(names):
        path = (*path, name)
        if path in counts and (last or place < len(names) - 1):
            path = (*path, counts[path])
    return path


def line_of(path: KeyPath, lines: dict[KeyPath, int]) -> int | None:
    """The line of a key path, or of the nearest table that holds it."""
    for depth in range(len(path), 0, -1):
        if path[:depth] in lines:
            return lines[path[:depth]]
    return None
