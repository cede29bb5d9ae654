"""Whether a recording and a plan belong together at all; else a hundred findings would say it."""

from __future__ import annotations

from collections.abc import Iterator

from canscope.model.bench import Bench
from canscope.model.report import CaptureFacts


def misfits(bench: Bench, capture: CaptureFacts) -> Iterator[str]:
    """A sentence for each bus of the plan that the recording lacks or whose frames it cannot read.

    A bus on which nothing was recorded yet is left to message-presence if another one fits.
    """
    expected = sorted({binding.key.partition(":")[0] for binding in bench.bindings.values()})
    recorded = sorted(channel for channel, frames in capture.channels.items() if frames)
    if not recorded or not expected:
        return
    if not set(expected) & set(recorded):
        yield (
            f"The recording has {_listed(recorded)}, the plan expects {_listed(expected)}: name the"
            " buses in the plan as the recording does, or rename them with --channel."
        )
        return
    for channel in sorted(set(expected) & set(recorded)):
        frames = capture.channels[channel]
        known = frames - capture.undefined_ids.get(channel, 0)
        known -= capture.error_frames.get(channel, 0)
        if known <= 0:
            yield (
                f"None of the {frames} frames on {channel} is in the definitions that the plan"
                " gives this bus: look whether two buses are exchanged, or the file is another's."
            )


def _listed(names: list[str]) -> str:
    return ", ".join(names)
