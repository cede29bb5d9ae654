"""The table of the diagnosis: from patterns of findings to probable causes, a chapter a file.

Rows are ordered by what must be reported first, and so are the chapters: what a row explains is
not explained again by a later one. Causes and checks: common practice, no source.
"""

from __future__ import annotations

from canscope.judge.causes import (
    bus,
    direction,
    driver,
    electrical,
    heat,
    power_up,
    readings,
    recording,
    shutdown,
)
from canscope.judge.causes.pattern import Row

TABLE: tuple[Row, ...] = (
    *recording.ROWS,
    *readings.ROWS,
    *direction.ROWS,
    *shutdown.ROWS,
    *power_up.ROWS,
    *bus.ROWS,
    *electrical.ROWS,
    *heat.ROWS,
    *bus.AFTER_HEAT,
    *driver.ROWS,
)
