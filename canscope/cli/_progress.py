"""A progress bar while a capture is read, or while many runs are judged."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.progress import Progress, ProgressColumn, Task

    from canscope.model.batch import BatchRun
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
    with _bar(_frames_column()) as bar:
        task = bar.add_task("reading", total=capture.bytes_total)
        for chunk in capture:
            frames += len(chunk)
            bar.update(task, completed=capture.bytes_read, frames=frames)
            yield chunk


def shown_runs(answers: Iterable[BatchRun], total: int) -> Iterator[BatchRun]:
    """Pass the answers of a batch on; on a terminal, with a bar on standard error.

    The bar shows how many runs are done, how many are in which state, and the time left.
    """
    if not sys.stderr.isatty():
        yield from answers
        return
    from rich.progress import TextColumn

    from canscope.model.batch import STATES

    states = dict.fromkeys(STATES, 0)
    counts = TextColumn("{task.completed} of {task.total} runs, {task.fields[counts]}")
    with _bar(counts) as bar:
        task = bar.add_task("judging", total=total, counts="none done yet")
        for answer in answers:
            states[answer.state] += 1
            told = ", ".join(f"{state} {count}" for state, count in states.items())
            bar.update(task, advance=1, counts=told)
            yield answer


def _frames_column() -> ProgressColumn:
    from rich.progress import ProgressColumn
    from rich.text import Text

    class Speed(ProgressColumn):
        """Frames so far, and how many a second."""

        def render(self, task: Task) -> Text:
            frames, elapsed_s = task.fields.get("frames", 0), task.elapsed
            speed = f", {frames / elapsed_s:,.0f} frames/s" if elapsed_s else ""
            return Text(f"{frames:,} frames{speed}")

    return Speed()


def _bar(column: ProgressColumn) -> Progress:
    """A bar with a column of its own."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        column,
        TextColumn("left"),
        TimeRemainingColumn(compact=True),
        console=Console(stderr=True),
        transient=True,
    )
