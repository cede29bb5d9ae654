"""What the compiled kernels need: identifiers as hash tables, signals as rows of numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canscope.decoding.absent import ERROR_INDICATOR, _largest, _wrapped
from canscope.decoding.bits import _first_bit, _special, _whole_numbers, bytes_needed
from canscope.model.definition import SignalSpec
from canscope.model.engine import waking
from canscope.model.tables import Int64s


def kernels() -> Any:
    """The module of the kernels; the first time, they are loaded or compiled."""
    with waking():
        from canscope.decoding import _kernel
    return _kernel
