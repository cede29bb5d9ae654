"""Compiled templates, kept where Python keeps this package's own bytecode, and only if it does.

Whoever could change them there could change the package as well; from no other place may code run.
Compiling them takes a tenth of the check of a short run.
"""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path
from pickle import UnpicklingError

from jinja2 import FileSystemBytecodeCache
from jinja2.bccache import Bucket

from canscope.cache.store import version

# As the documentation of pickle lists them, and what is no text.
DAMAGED = (UnpicklingError, AttributeError, EOFError, ImportError, IndexError, ValueError)


class CompiledTemplates(FileSystemBytecodeCache):
    """Keeps what a template engine compiled in ``folder``.

    ``options`` is what the compiled code rests on besides the template and the engine's version.
    """

    def __init__(self, folder: Path, options: str) -> None:
        super().__init__(str(folder))
        self._folder, self._rests_on = folder, options + version("jinja2")

    def get_source_checksum(self, source: str) -> str:
        """Of everything that the code rests on."""
        return super().get_source_checksum(source + self._rests_on)

    def load_bytecode(self, bucket: Bucket) -> None:
        """Without a file, or with a damaged one, the template is compiled."""
        with suppress(OSError, *DAMAGED):
            super().load_bytecode(bucket)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Not where the package cannot be written to, nor where Python writes none either."""
        if not sys.dont_write_bytecode:
            with suppress(OSError):
                self._folder.mkdir(exist_ok=True)
                super().dump_bytecode(bucket)
