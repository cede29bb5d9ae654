"""Whoever keeps the columns of every chunk finds in them what each chunk held when it came.

The file counts up in its stamps and in its payloads, so every expected number is arithmetic.
"""

import numpy as np
import pytest

import canscope
from canscope.model.engine import VARIABLE

LINES = 400_000  # several blocks, more than anything could hold at a time
DEFINITION = """VERSION ""
NS_ :
BS_:
BU_: Node
BO_ 291 Counting: 8 Node
 SG_ Number : 0|32@1+ (1,0) [0|4294967295] "" Node
 SG_ Same : 32|32@1- (0.5,0) [0|0] "" Node
"""


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("counting")
    lines = (
        f"(1700000000.{number:06d}) can0 123#{number.to_bytes(4, 'little').hex()}"
        f"{number.to_bytes(4, 'little').hex()}\n"
        for number in range(LINES)
    )
    (folder / "counting.log").write_text("".join(lines))
    (folder / "counting.dbc").write_text(DEFINITION)
    return folder


@pytest.fixture(params=["numpy", "numba"])
def engine(request, monkeypatch):
    if request.param == "numba":
        pytest.importorskip("numba")
    monkeypatch.setenv(VARIABLE, request.param)


@pytest.mark.usefixtures("engine")
def test_columns_of_frames_that_are_kept_stay_as_they_were(written):
    kept = [frames.time_ns for frames in canscope.read_capture(written / "counting.log")]
    assert len(kept) > 3
    expected = 1_700_000_000 * 10**9 + 1000 * np.arange(LINES)
    np.testing.assert_array_equal(np.concatenate(kept), expected)


@pytest.mark.usefixtures("engine")
def test_values_of_signals_that_are_kept_stay_as_they_were(written):
    definitions = canscope.read_definitions(written / "counting.dbc")
    frames = canscope.read_capture(written / "counting.log")
    kept = [
        [signals.series[f"can0:Counting.{name}"] for name in ("Number", "Same")]
        for signals in canscope.decode(frames, definitions)
    ]
    assert len(kept) > 3
    for place, factor in enumerate((1.0, 0.5)):
        values = np.concatenate([series[place].value for series in kept])
        np.testing.assert_array_equal(values, factor * np.arange(LINES))
