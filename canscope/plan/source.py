"""The plan's text: the file itself and what it includes, merged, with the line of every key."""

from __future__ import annotations

import hashlib
import re
import stat
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from canscope.capture.input.detect import detect
from canscope.model.errors import CanscopeError, CaptureError, Where
from canscope.model.report import Input
from canscope.plan.lines import KeyPath, key_lines, line_of
from canscope.plan.mistakes import Mistakes, quoted

DETECT_BYTES = 1 << 16
DECIMAL_COMMA = re.compile(r"=\s*([-+]?\d+),(\d+)")
DEEPEST = 20  # levels of tables and lists; a plan needs six
LARGEST = 512 << 10  # bytes; a plan that uses everything there is takes a tenth
CHAIN = re.compile(r"""(?<![\w"'-])(?:[\w"'-]++[ \t]*+\.[ \t]*+){200}""")


@dataclass(frozen=True)
class Layer:
    """One TOML file of a plan, parsed."""

    path: Path
    text: str
    data: Mapping[str, Any]
    lines: dict[KeyPath, int]


@dataclass
class Source:
    """A plan as read. ``layers`` starts with the file whose keys win."""

    path: Path
    layers: list[Layer] = field(default_factory=list)
    inputs: list[Input] = field(default_factory=list)
    files: dict[str, Path] = field(default_factory=dict)  # input's name -> where it lies
    data: dict[str, Any] = field(default_factory=dict)
    whole: bool = True  # False if the plan or a file that it includes could not be read

    @property
    def text(self) -> str:
        """The plan's own text, then each included file under its name."""
        parts = [layer.text for layer in self.layers[:1]]
        parts += [f"# ---- {layer.path.name} ----\n{layer.text}" for layer in self.layers[1:]]
        return "\n".join(parts)

    def layer(self, path: KeyPath) -> Layer | None:
        """The file that has a key path, else the one that has the nearest table above it."""
        for depth in range(len(path), 0, -1):
            for layer in self.layers:
                if _has(layer.data, path[:depth]):
                    return layer
        return self.layers[0] if self.layers else None

    def where(self, path: KeyPath) -> Where:
        """File and line of a key path."""
        layer = self.layer(path)
        if layer is None:
            return Where(str(self.path))
        return Where(str(layer.path), line_of(path, layer.lines))

    def find(self, path: KeyPath, name: str) -> Path:
        """The file that a key names: beside the file that has the key, else beside the plan."""
        layer = self.layer(path)
        beside = (layer.path if layer else self.path).parent / name
        return beside if beside.exists() else self.path.parent / name

    def add_input(self, kind: str, name: str, path: Path, content: bytes) -> None:
        """Remember a file that the plan rests on, with the hash of its content; each once."""
        digest = hashlib.sha256(content).hexdigest()
        entry = Input(kind, name, digest, len(content))
        if entry not in self.inputs:
            self.inputs.append(entry)
            self.files[name] = path


def read_source(path: Path, mistakes: Mistakes) -> Source:
    """Read a plan and its includes; a file that cannot be read is a mistake."""
    source = Source(path)
    source.data = _load(source, path, path.name, (), mistakes)
    source.data.pop("include", None)
    return source


def read_bytes(path: Path, most: int | None = None) -> bytes | str:
    """A file's content of at most so many bytes, or in words why it cannot be read."""
    try:
        mode = path.stat().st_mode
        if not stat.S_ISREG(mode) and not stat.S_ISDIR(mode):
            return "not a plain file"  # a pipe would be waited for, a device has no end
        with path.open("rb") as file:
            return file.read() if most is None else file.read(most)
    except OSError as error:
        return error.strerror or str(error)
    except ValueError:  # a name that no file can have, with a zero byte in it
        return "no file can have that name"


def read_text(path: Path, content: bytes) -> str | CanscopeError:
    """UTF-8 text, without byte order mark and carriage returns; or the error to report."""
    try:
        return content.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        return CanscopeError(
            f"not UTF-8 text: byte 0x{content[error.start]:02X} cannot be read",
            where=Where(str(path), line),
            hint="a bench plan is a text file in the encoding UTF-8",
        )


def _load(
    source: Source, path: Path, name: str, chain: tuple[Path, ...], mistakes: Mistakes
) -> dict[str, Any]:
    """One file merged over what it includes; {} if it cannot be read."""
    content = read_bytes(path, LARGEST + 1)
    if isinstance(content, bytes) and len(content) > LARGEST:
        source.whole = False
        if _note_capture(path, content, mistakes):
            return {}
        content = f"it is larger than {LARGEST >> 10} KiB, and no bench plan is"
    if isinstance(content, str):
        source.whole = False
        mistakes.add(
            Where(str(path)), f"cannot be read: {content}", "give the path of a bench plan"
        )
        return {}
    source.add_input("plan", name, path, content)
    layer = _parse(path, content, mistakes)
    if layer is None:
        source.whole = False
        return {}
    source.layers.append(layer)
    merged: dict[str, Any] = {}
    for included in _includes(layer, mistakes):
        target = path.parent / included
        seen = (*chain, path.resolve())
        if target.resolve() in seen:
            where = Where(str(path), line_of(("include",), layer.lines))
            mistakes.add(where, f"include: {included!r} leads back to itself", "remove it here")
            source.whole = False
            continue
        merged = _merge(merged, _load(source, target, included, seen, mistakes))
    return _merge(merged, layer.data)


def _parse(path: Path, content: bytes, mistakes: Mistakes) -> Layer | None:
    text = read_text(path, content)
    if isinstance(text, CanscopeError):
        if not _note_capture(path, content, mistakes):
            mistakes.found.append(text)
        return None
    try:
        if CHAIN.search(text):  # whose reading would take minutes
            raise RecursionError("one key within the other, more than 200 deep")
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        if _note_capture(path, content, mistakes):
            return None
        what, _, place = str(error).partition(" (at ")
        found = re.match(r"line (\d+)", place)
        line = int(found[1]) if found else text.rstrip("\n").count("\n") + 1
        mistakes.add(Where(str(path), line), f"not valid TOML: {what}", _advice(text, line))
        return None
    if _too_deep(data):
        mistakes.add(Where(str(path)), f"tables within tables, more than {DEEPEST} deep")
        return None
    return Layer(path, text, data, key_lines(text))


def _note_capture(path: Path, content: bytes, mistakes: Mistakes) -> bool:
    """Whether these are the bytes of a capture, given where the plan belongs; then it is told."""
    try:
        kind = detect(content[:DETECT_BYTES], str(path))
    except CaptureError:
        return False
    hint = (
        "the capture comes first, then the plan: canscope check CAPTURE --plan PLAN; "
        "canscope plan new CAPTURE drafts one"
    )
    mistakes.add(Where(str(path)), f"this is a capture ({kind}), not a bench plan", hint)
    return True


def _advice(text: str, line: int) -> str:
    """What to do about a line that is no TOML."""
    comma = DECIMAL_COMMA.search(text.split("\n")[line - 1]) if text else None
    if comma:
        return f"a number has a decimal point: {comma[1]}.{comma[2]}"
    return "text stands in quotes, every key once, every bracket closed"


def _too_deep(data: Any) -> bool:
    level = [data]
    for _ in range(DEEPEST):
        tables = [list(item.values()) if isinstance(item, dict) else item for item in level]
        level = [inner for table in tables if isinstance(table, list) for inner in table]
    return any(isinstance(item, dict | list) for item in level)


def _includes(layer: Layer, mistakes: Mistakes) -> list[str]:
    include = layer.data.get("include", [])
    names = include if isinstance(include, list) else [include]
    if all(isinstance(name, str) and name and "\0" not in name for name in names):
        return names
    where = Where(str(layer.path), line_of(("include",), layer.lines))
    mistakes.add(where, f"include: expected file names, got {quoted(include)}")
    return []


def _merge(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """Tables merge key by key; any other value of ``above`` replaces that below."""
    merged = dict(below)
    for key, value in above.items():
        under = merged.get(key)
        both = isinstance(value, dict) and isinstance(under, dict)
        merged[key] = _merge(under, value) if both and under else value
    return merged


def _has(data: Any, path: KeyPath) -> bool:
    for part in path:
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            return False
    return True
