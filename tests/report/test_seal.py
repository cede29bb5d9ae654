"""A written report is sealed: one altered byte is seen, wherever it lies."""

import json
import random
import xml.etree.ElementTree as ElementTree

import pytest

from canscope.report.seal import is_intact, sealed
from canscope.report.write import write_report
from tests.report import factory


@pytest.mark.parametrize("name", ["a.json", "a.html", "a.xml"])
def test_one_altered_byte_is_caught_wherever_it_lies(name, tmp_path):
    data = write_report(factory.failing(), tmp_path / name).read_bytes()
    assert is_intact(data)
    rng = random.Random(1)
    for at in [0, len(data) - 1, len(data) - 20, *(rng.randrange(len(data)) for _ in range(12))]:
        altered = data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]
        assert not is_intact(altered), at
    assert not is_intact(data[:-1])
    assert not is_intact(data.replace(b"front", b"fr0nt", 1))


def test_a_sealed_report_is_still_json_and_xml(tmp_path):
    plain = json.loads(write_report(factory.failing(), tmp_path / "a.json").read_text())
    assert plain["seal"].startswith("sha256:")
    assert plain["verdict"] == "fail"
    ElementTree.parse(write_report(factory.failing(), tmp_path / "a.xml"))


def test_a_text_of_another_kind_has_no_seal():
    assert sealed([b"dry-spin: pass\n"]) == [b"dry-spin: pass\n"]
    assert is_intact(b"dry-spin: pass\n") is None
