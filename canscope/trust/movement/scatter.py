"""Does a reading scatter in a burst as nothing does that it measures?

Pack, links and 12 V hang on capacitors, and a pack current on the mass that turns: from reading to
reading they change little. One that leaps to and fro by far more than at rest has a loose contact,
or is not what it is called.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from canscope.model.median import median
from canscope.model.piece import ClosedWindow
from canscope.model.tables import SECOND_NS, Floats
from canscope.trust.remark import Links, Remark

PACK, CURRENT, SUPPLY = "pack.voltage", "pack.current", "supply.voltage"
# All common practice, no source.
MOST_A, MOST_V, SHARE = 5.0, 0.8, 0.02  # of noise: of a current, of 12 V, of a high voltage
TIMES = 5.0  # as much as at rest before the burst
REST_NS, FEWEST = 2 * SECOND_NS, 20  # readings


def scatters(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """Readings whose noise in a burst is far more than before it."""
    start_ns, end_ns = window.span.start_ns, window.span.end_ns
    for role in (PACK, CURRENT, SUPPLY, *links):
        if not window.bench.has(role):
            continue
        every = window.back(role, start_ns - REST_NS).known
        rest, burst = every.between(0, start_ns), every.between(start_ns, end_ns)
        if min(len(rest), len(burst)) < FEWEST:
            continue
        most = {CURRENT: MOST_A, SUPPLY: MOST_V}.get(role, SHARE * median(rest.value))
        calm, rough = _noise(rest.value), _noise(burst.value)
        if rough > max(most, TIMES * calm):
            unit = window.bench.bindings[role].unit
            text = f"scattered by +-{rough:.2g} {unit} from reading to reading in a burst, by "
            text += f"+-{calm:.2g} {unit} before it: nothing that it measures does"
            yield Remark(role, "wrong", text, start_ns)


def _noise(values: Floats) -> float:
    """How far a reading lies from the line through its neighbours, about; a load is no noise."""
    return 1.5 * median(np.abs(np.diff(values, 2))) / 3**0.5
