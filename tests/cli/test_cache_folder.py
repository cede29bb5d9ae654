"""Whatever somebody does to the cache folder, a check says what it says without one."""

import hashlib
import json
import os
import shutil
import threading

import pytest

from canscope.cache import store
from canscope.cli.main import main

LINES = 600  # lines of the capture, which is enough to find a factor or a limit in a report


def altered(entry):
    """The entry with another factor or limit in it, and the digest that belongs to that."""
    text = entry.read_bytes().partition(b"\n")[2]
    changed = text.replace(b'"factor":0.5', b'"factor":5.0').replace(b"1500", b"1600")
    assert changed != text
    entry.write_bytes(hashlib.sha256(changed).hexdigest().encode() + b"\n" + changed)


@pytest.fixture(scope="module")
def filled(healthy, tmp_path_factory):
    """A short run, the cache folder that a check of it leaves, and what that check found."""
    folder = tmp_path_factory.mktemp("filled")
    run = shutil.copytree(healthy, folder / "run")
    lines = (run / "capture.log").read_text().splitlines(keepends=True)
    (run / "capture.log").write_text("".join(lines[:LINES]))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(folder / "cache"))
        assert main([str(word) for word in words(run, folder)]) == 3
    return run, folder / "cache", json.loads((folder / "report.json").read_text())["findings"]


def words(run, folder):
    to = folder / "report.json"
    return "check", run / "capture.log", "--plan", run / "plan.toml", "--json", to, "--quiet"


@pytest.fixture
def checked(filled, canscope, tmp_path, monkeypatch):
    """(A copy of that folder, check the run again with it, the findings of the first check)."""
    run, cache, fresh = filled
    monkeypatch.setenv("XDG_CACHE_HOME", str(shutil.copytree(cache, tmp_path / "cache")))
    monkeypatch.setattr(store, "_told", set())

    def check():
        code, _, err = canscope(*words(run, tmp_path))
        assert code == 3, err
        findings = json.loads((tmp_path / "report.json").read_text())["findings"]
        (tmp_path / "report.json").unlink()
        return findings, err

    return tmp_path / "cache" / "canscope", check, fresh


def entries(home):
    found = [path for path in sorted(home.glob("*/*.json")) if path.is_file()]
    assert {path.parent.name for path in found} == {"definitions", "plans"}
    return found


def poison(home, tmp_path):
    for entry in entries(home):
        altered(entry)


def others_write_entries(home, tmp_path):
    poison(home, tmp_path)
    for entry in entries(home):
        entry.chmod(0o666)


def others_write_folders(home, tmp_path):
    poison(home, tmp_path)
    for kind in home.iterdir():
        kind.chmod(0o777)


def others_write_the_whole(home, tmp_path):
    poison(home, tmp_path)
    home.chmod(0o777)


def linked_elsewhere(home, tmp_path):
    others_write_the_whole(home, tmp_path)
    home.rename(tmp_path / "elsewhere")
    home.symlink_to(tmp_path / "elsewhere")


def links(home, tmp_path):
    poison(home, tmp_path)
    for number, entry in enumerate(entries(home)):
        entry.rename(tmp_path / str(number))
        entry.symlink_to(tmp_path / str(number))


def pipes(home, tmp_path):
    for entry in entries(home):
        entry.unlink()
        os.mkfifo(entry)


def devices(home, tmp_path):
    for entry in entries(home):
        entry.unlink()
        entry.symlink_to("/dev/zero")


def folders(home, tmp_path):
    for entry in entries(home):
        entry.unlink()
        (entry / "full").mkdir(parents=True)


def halves(home, tmp_path):
    """As a process that is killed while it writes would leave them, if it wrote in place."""
    for entry in entries(home):
        entry.write_bytes(entry.read_bytes()[:-100])
        entry.with_name("tmpabc.part").write_bytes(b"half")


def another_shape(home, tmp_path):
    """As a program that wrote something else would leave it."""
    for entry in entries(home):
        text = b"[]" if entry.parent.name == "plans" else b'{"messages": [[1, {}]], "problems": []}'
        entry.write_bytes(hashlib.sha256(text).hexdigest().encode() + b"\n" + text)


def a_file(home, tmp_path):
    for entry in entries(home):
        entry.unlink()
    for kind in home.iterdir():
        kind.rmdir()
    home.rmdir()
    home.write_text("no folder")


TOLD = (others_write_folders, others_write_the_whole, linked_elsewhere, a_file)
HARMS = (*TOLD, others_write_entries, links, pipes, devices, folders, halves, another_shape)


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="rights are not looked at on Windows")
@pytest.mark.parametrize("harm", HARMS, ids=lambda harm: harm.__name__)
def test_no_harm_to_the_cache_changes_a_finding(checked, harm, tmp_path):
    home, check, fresh = checked
    harm(home, tmp_path)
    findings, err = check()
    assert findings == fresh
    assert ("works without its cache" in err) == (harm in TOLD)


def test_an_entry_that_this_user_alone_could_change_is_believed(checked, tmp_path):
    """Its digest is no seal: otherwise the tests above would show nothing."""
    home, check, fresh = checked
    poison(home, tmp_path)
    assert check()[0] != fresh


def test_checks_beside_somebody_who_writes_say_the_same(checked):
    home, check, fresh = checked
    own, over = entries(home), threading.Event()

    def harm():
        while not over.wait(0.001):
            for entry in own:
                entry.with_suffix(".other").write_bytes(b"half")
                os.replace(entry.with_suffix(".other"), entry)

    writer = threading.Thread(target=harm)
    writer.start()
    try:
        assert [check()[0] == fresh for _ in range(2)] == [True] * 2
    finally:
        over.set()
        writer.join()
