"""Definitions kept compiled: what comes back is what was read, and harm to the cache does none.

The oracle is the same file read through cantools.
"""

import hashlib
import math
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from canscope.cache import store
from canscope.decoding import cache
from canscope.decoding.database import read_definitions
from canscope.decoding.definition_file import read_file
from canscope.model.errors import DefinitionError

BODY = """\
BO_ 2147484001 Wide: 16 Node
 SG_ Mode M : 0|4@1+ (1,0) [0|0] "" Node
 SG_ Deep m1M : 4|4@1+ (1,0) [0|0] "" Node
 SG_ Cold m3 : 8|16@1- (0.1,-273.15) [-273.15|1e9] "degC" Node
 SG_ Big : 71|64@0+ (1,0) [0|0] "" Node

BO_ 291 Small: 8 Node
 SG_ Number : 0|32@1- (1,0) [0|0] "m\u00b2" Node
 SG_ State : 32|2@1+ (1,0) [0|3] "" Node

SG_MUL_VAL_ 2147484001 Deep Mode 1-1;
SG_MUL_VAL_ 2147484001 Cold Deep 3-3, 5-7;
SIG_VALTYPE_ 291 Number : 1;
VAL_ 291 State 3 "not available" 1 "on" 0 "off" ;
"""


@pytest.fixture
def home(tmp_path, monkeypatch):
    """An empty cache folder of its own."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return tmp_path / "cache" / "canscope" / "definitions"


@pytest.fixture
def file(dbc):
    return str(dbc(BODY))


def test_what_comes_back_is_what_was_read(home, file):
    fresh = read_file(file)
    (entry,) = home.iterdir()
    written = entry.stat().st_mtime_ns
    again = read_file(file)
    assert again == fresh
    assert [spec.labels for _, m in again.messages for spec in m.signals] == [
        spec.labels for _, m in fresh.messages for spec in m.signals
    ]
    assert entry.stat().st_mtime_ns == written
    cold = again.messages[0][1].signal("Cold")
    assert cold.multiplexer == (("Mode", (1,)), ("Deep", (3, 5, 6, 7)))
    assert math.isclose(cold.offset, -273.15, rel_tol=0)


def test_a_policy_is_applied_to_what_comes_back(home, file):
    for _ in range(2):
        state = read_definitions(file).signals()["*:Small.State"]
        assert state.absent.codes == (3,)
        loud = read_definitions({"can0": [file]}, {"can0": [1]}).signals()["can0:Small.State"]
        assert loud.absent.codes == (1,)


def test_the_same_content_under_another_name_knows_its_own_file(home, file, tmp_path):
    other = tmp_path / "other.dbc"
    other.write_bytes(Path(file).read_bytes())
    read_file(file)
    assert {message.file for _, message in read_file(str(other)).messages} == {str(other)}
    assert len(list(home.iterdir())) == 1


def test_a_changed_file_is_read_anew(home, file):
    read_file(file)
    text = Path(file).read_text("utf-8")
    Path(file).write_text(text.replace("-273.15)", "-300)"), "utf-8")
    assert read_file(file).messages[0][1].signal("Cold").offset == -300


def test_another_version_reads_anew(home, file, monkeypatch):
    read_file(file)
    monkeypatch.setattr(store, "__version__", "99.0")
    read_file(file)
    assert len(list(home.iterdir())) == 2


def test_a_mended_source_reads_anew(home, file, monkeypatch):
    """An entry that an older decoding made wrong is not used again."""
    read_file(file)
    (entry,) = home.iterdir()
    text = entry.read_bytes().partition(b"\n")[2].replace(b"-273.15", b"-272.15")
    entry.write_bytes(hashlib.sha256(text).hexdigest().encode() + b"\n" + text)
    assert read_file(file).messages[0][1].signal("Cold").offset == -272.15
    real = store.digest_of
    monkeypatch.setattr(store, "digest_of", lambda sources: real(sources) + "mended")
    assert read_file(file).messages[0][1].signal("Cold").offset == -273.15


def test_another_version_of_the_parser_reads_anew(home, file, monkeypatch):
    read_file(file)
    monkeypatch.setattr(store, "version", lambda library: f"{library} 99.0")
    read_file(file)
    read_file(file)
    assert len(list(home.iterdir())) == 2


def test_a_parser_whose_version_nobody_knows_is_no_error(home, file, monkeypatch):
    monkeypatch.setattr(cache, "PARSER", "no-such-distribution-of-canscope")
    assert len(read_file(file).messages) == 2


def test_a_user_without_a_home_is_no_error(file, monkeypatch):
    def nowhere():
        raise RuntimeError("no home")

    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.setattr(Path, "home", nowhere)
    assert store.folder("definitions") is None
    assert len(read_file(file).messages) == 2


def test_a_file_with_a_mistake_is_refused_each_time(home, dbc):
    broken = str(dbc("BO_ 291 Small: 8 Node\n SG_ Number : 0|32@7- (1,0)\n"))
    for _ in range(2):
        with pytest.raises(DefinitionError):
            read_file(broken)


def test_warnings_are_told_again(home, dbc):
    empty = str(dbc(""))
    assert read_file(empty).warnings == read_file(empty).warnings != ()


def test_a_second_run_imports_no_parser(home, file):
    code = (
        "import sys; from canscope.decoding.definition_file import read_file;"
        f"print(len(read_file({file!r}).messages), 'cantools' in sys.modules, 'can' in sys.modules)"
    )
    told = [
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=os.environ
        ).stdout.split()
        for _ in range(2)
    ]
    assert told == [["2", "True", "True"], ["2", "False", "False"]]


def test_the_entry_says_nothing_of_where_the_file_lies(home, file):
    read_file(file)
    (entry,) = home.iterdir()
    assert os.path.basename(file).encode() not in entry.read_bytes()
    assert replace(read_file(file), name="") != read_file(file)


def altered(entry):
    """The entry with another offset in it and the digest that belongs to that."""
    text = entry.read_bytes().partition(b"\n")[2].replace(b"-273.15", b"-272.15")
    entry.write_bytes(hashlib.sha256(text).hexdigest().encode() + b"\n" + text)


@pytest.mark.skipif(not hasattr(os, "getuid") or os.getuid() != 0, reason="only root gives away")
def test_a_folder_of_another_user_is_not_used(home, file):
    fresh = read_file(file)
    (entry,) = home.iterdir()
    altered(entry)
    os.chown(home, 12345, -1)
    assert read_file(file) == fresh


def test_new_folders_are_for_the_user_alone(home, file):
    before = os.umask(0)
    try:
        read_file(file)
    finally:
        os.umask(before)
    assert {path.stat().st_mode & 0o777 for path in (home, home.parent)} == {0o700}
