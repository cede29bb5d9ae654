"""How far the reading of a capture has come, shown while its chunks pass through."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import Any

from canscope.model.tables import Frames


def shown(capture: Any) -> Iterator[Frames]:
    """Pass the chunks of an opened capture on; on a terminal, with a bar on standard error."""
    if not sys.stderr.isatty():
        yield from capture
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("reading", total=capture.bytes_total)
        for chunk in capture:
            bar.update(task, completed=capture.bytes_read)
            yield chunk
