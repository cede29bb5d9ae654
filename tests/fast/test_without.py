"""Nothing needs ``canscope/fast``: without that folder all is read and decoded as with it."""

import importlib.util
from pathlib import Path

import pytest

import canscope
from tests.package_copy import copy_package, run

ROOT = Path(__file__).parents[2]
# ``LARGE`` is set so low that the whole sample counts as a large capture.
DECODE = """
import hashlib, sys
from canscope.capture.read import read_capture
from canscope.decoding.columns import decode
from canscope.decoding.database import read_definitions
from canscope.capture.order import gathered
from canscope.model import engine

engine.LARGE = engine.SMALL = 1
digest, values = hashlib.sha256(), 0
for chunk in decode(gathered(read_capture(sys.argv[1])), read_definitions(sys.argv[2:])):
    for key, series in sorted(chunk.series.items()):
        digest.update(key.encode())
        for column in (series.time_ns, series.value, series.raw, series.status, series.row):
            digest.update(column.tobytes())
        values += len(series.value)
print("canscope.fast" in sys.modules, values, digest.hexdigest())
"""


def test_a_package_without_this_folder_decodes_to_the_same_values(tmp_path):
    sample = ROOT / "sample_logs" / "bramble_first_2s.log"
    files = sorted((ROOT / "dbc_examples" / "bramble").glob("*.dbc"))
    without = copy_package(tmp_path / "without", without="fast")
    assert not (without / "fast").exists()
    asked = {"CANSCOPE_ENGINE": ""}
    was_fast, *values = run(Path(canscope.__file__).parent, DECODE, sample, *files, **asked).split()
    assert was_fast == str(importlib.util.find_spec("numba") is not None)
    assert int(values[0]) > 1000
    assert run(without, DECODE, sample, *files, **asked).split() == ["False", *values]


def test_a_package_without_this_folder_says_that_numba_cannot_be_used(tmp_path):
    without = copy_package(tmp_path, without="fast")
    code = (
        "from canscope.model.engine import is_compiled\n"
        "from canscope.model.errors import CanscopeError\n"
        "try:\n    is_compiled(0)\nexcept CanscopeError as error:\n    print(error)"
    )
    pytest.importorskip("numba")
    assert "asks for numba" in run(without, code, CANSCOPE_ENGINE="numba")
