"""Definitions kept compiled: what comes back is what was read, and harm to the cache does none.

The oracle is the same file read through cantools.
"""

import hashlib
import math
import os
import subprocess
import sys
import threading
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


def test_a_cut_or_damaged_entry_is_made_again(home, file):
    fresh = read_file(file)
    (entry,) = home.iterdir()
    whole = entry.read_bytes()
    at = whole.index(b"-273.15")
    flipped = whole[:at] + b"-273.25" + whole[at + 7 :]
    for harm in (b"", b"\n", whole[:40], whole[:-1], whole + b" ", b"\xff" * 200, flipped):
        entry.write_bytes(harm)
        assert read_file(file) == fresh
        assert entry.read_bytes() == whole


def test_an_entry_of_another_shape_is_made_again(home, file):
    """As if the digest were right and the rest from a program that wrote something else."""
    fresh = read_file(file)
    (entry,) = home.iterdir()
    for content in (b"[]", b'{"messages": [[1, {}]], "warnings": []}', b'{"messages": [3]}'):
        digest = hashlib.sha256(content).hexdigest().encode()
        entry.write_bytes(digest + b"\n" + content)
        assert read_file(file) == fresh


def test_a_folder_that_is_not_to_be_written_to_is_no_error(tmp_path, file, monkeypatch):
    blocked = tmp_path / "a_file"
    blocked.write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(blocked))
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


@pytest.mark.parametrize("place", ["entry", "kind", "canscope", "linked"])
def test_what_others_can_write_is_not_used_and_that_is_told_once(
    home, file, place, monkeypatch, tmp_path
):
    """With rights for the user alone the altered entry counts: the digest is no seal."""
    fresh = read_file(file)
    (entry,) = home.iterdir()
    altered(entry)
    assert read_file(file) != fresh
    told = []
    monkeypatch.setattr(store.engine, "announce", told.append)
    monkeypatch.setattr(store, "_told", set())
    if place == "linked":
        elsewhere = tmp_path / "elsewhere"
        home.parent.rename(elsewhere)
        elsewhere.chmod(0o777)
        home.parent.symlink_to(elsewhere)
    else:
        {"entry": entry, "kind": home, "canscope": home.parent}[place].chmod(0o777)
    for _ in range(2):
        assert read_file(file) == fresh
    assert len(told) == (0 if place == "entry" else 1)
    assert all("other users" in text for text in told)


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


@pytest.mark.parametrize("harm", ["fifo", "device", "folder", "link"])
def test_an_entry_that_is_no_plain_file_is_not_waited_for_nor_read(home, file, harm, tmp_path):
    fresh = read_file(file)
    (entry,) = home.iterdir()
    if harm == "link":
        altered(entry)
        entry.rename(tmp_path / "entry")
        entry.symlink_to(tmp_path / "entry")
    else:
        entry.unlink()
    if harm == "fifo":
        os.mkfifo(entry)
    elif harm == "device":
        entry.symlink_to("/dev/zero")
    elif harm == "folder":
        (entry / "full").mkdir(parents=True)
    assert read_file(file) == fresh
    assert read_file(file) == fresh


def test_readers_beside_writers_get_what_the_file_says(home, file):
    fresh = read_file(file)
    (entry,) = home.iterdir()
    harms = iter(range(10**6))

    def harm():
        for _ in range(200):
            entry.with_suffix(f".{next(harms)}").write_bytes(b"half")
            os.replace(sorted(home.glob("*.[0-9]*"))[0], entry)

    writer = threading.Thread(target=harm)
    writer.start()
    assert all(read_file(file) == fresh for _ in range(20))
    writer.join()
    assert read_file(file) == fresh
