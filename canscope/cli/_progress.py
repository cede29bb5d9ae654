"""A progress bar while a capture is read."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.progress import Progress, Task

    from canscope.model.tables import Frames


def shown(capture: Any) -> Iterator[Frames]:
    """Pass the chunks of an opened capture on; on a terminal, with a bar on standard error.

    The bar shows the share that has been read (not known of standard input), frames, frames a
    second and the time left.
    """
    if not sys.stderr.isatty():
        yield from capture
        return
    frames = 0
    with _bar() as bar:
        task = bar.add_task("reading", total=capture.bytes_total)
        for chunk in capture:
            frames += len(chunk)
            bar.update(task, completed=capture.bytes_read, frames=frames)
            yield chunk


def _bar() -> Progress:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, ProgressColumn, TextColumn, TimeRemainingColumn
    from rich.text import Text

    class Speed(ProgressColumn):
        """Frames so far, and how many a second."""

        def render(self, task: Task) -> Text:
            frames, elapsed_s = task.fields.get("frames", 0), task.elapsed
            speed = f", {frames / elapsed_s:,.0f} frames/s" if elapsed_s else ""
            return Text(f"{frames:,} frames{speed}")

    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        Speed(),
        TextColumn("left"),
        TimeRemainingColumn(compact=True),
        console=Console(stderr=True),
        transient=True,
    )
