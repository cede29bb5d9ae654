"""Compiled templates, kept in the user's cache folder: compiling takes as long as half a page.

An entry that is missing, damaged or of other sources counts as none; a folder that cannot be
written to is no error.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from jinja2 import FileSystemBytecodeCache, compiler
from jinja2.bccache import Bucket


class TemplateCache(FileSystemBytecodeCache):
    """Compiled templates that hold for these settings of the engine and this release of it."""

    def __init__(self, settings: str) -> None:
        """``settings`` is any text that changes whenever the templates are to be compiled anew."""
        super().__init__(str(folder()))
        release = os.stat(compiler.__file__)
        self._compiled_by = f"{settings} {release.st_size} {release.st_mtime_ns}"

    def get_source_checksum(self, source: str) -> str:
        """What an entry must have been made from."""
        return super().get_source_checksum(source + self._compiled_by)

    def load_bytecode(self, bucket: Bucket) -> None:
        """Read an entry, if there is one."""
        with suppress(OSError):
            super().load_bytecode(bucket)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Write an entry, if the folder takes it."""
        with suppress(OSError):
            Path(self.directory).mkdir(parents=True, exist_ok=True)
            super().dump_bytecode(bucket)


def folder() -> Path:
    """``XDG_CACHE_HOME`` or ``~/.cache`` (XDG Base Directory 0.8), a folder of our own in it."""
    base = os.environ.get("XDG_CACHE_HOME", "")
    root = Path(base) if os.path.isabs(base) else Path(os.path.expanduser("~/.cache"))
    return root / "canscope" / "templates"
