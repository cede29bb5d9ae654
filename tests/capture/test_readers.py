"""A reader is one folder: a new one is found by itself and leaves the others as they are."""

from pathlib import Path

import pytest

from tests.package_copy import copy_package, run

SAMPLES = Path(__file__).parents[2] / "sample_logs"
FORMATS = {
    "bramble_first_2s.log": "candump",
    "bramble_first_2s.mf4": "mf4",
    "bramble_first_2s.pcapng": "pcapng",
    "bramble_first_2s_can0.csv": "csv",
    "bramble_first_2s_can0.db": "sqlite",
    "bramble_first_2s_can0.pcap": "pcap",
}
READER = '''
from canscope.capture import READERS, Reader
from canscope.model.tables import FrameBuilder


@READERS.add("my-format")
class MyFormat(Reader):
    """One byte of payload behind MINE."""

    def read(self, stream, file):
        builder = FrameBuilder()
        builder.add(0, "can0", 0x123, 0, 1, stream.read()[4:5])
        yield builder.build()
'''
RECOGNISES = """
    def recognises(self, head):
        return head.startswith(b"MINE")
"""
DETECT_ALL = """
import sys
from pathlib import Path
from canscope.capture.input.detect import detect
for path in sys.argv[1:]:
    print(detect(Path(path).read_bytes()[:1 << 16], path))
"""
READ_IT = """
import sys
from canscope.capture.read import read_capture
[chunk] = [chunk for chunk in read_capture(sys.argv[1], format=sys.argv[2] or None) if len(chunk)]
print(chunk.can_id.tolist(), chunk.payload(0))
"""


@pytest.mark.parametrize("named", [False, True], ids=["recognised", "named by the user"])
def test_a_new_reader_is_one_file_and_the_others_recognise_what_they_did(tmp_path, named):
    """One that does not say how its files begin is read where the user names it."""
    package = copy_package(tmp_path)
    folder = package / "capture" / "my_format"
    folder.mkdir()
    (folder / "__init__.py").touch()
    (folder / "reader.py").write_text(READER if named else READER + RECOGNISES, "utf-8")
    samples = [SAMPLES / name for name in FORMATS]
    assert run(package, DETECT_ALL, *samples).split() == list(FORMATS.values())
    own = tmp_path / "capture"
    own.write_bytes(b"MINE\x2a")
    assert run(package, READ_IT, own, "my-format" if named else "") == "[291] b'*'\n"
