"""The key of an entry changes with every source, version and content that it rests on."""

import shutil

import pytest

from canscope.cache import store
from canscope.decoding import cache as definitions
from canscope.plan import cache as plans


@pytest.mark.parametrize("sources", [definitions.SOURCES, plans.SOURCES], ids=["dbc", "plan"])
def test_a_change_of_any_source_changes_the_digest(tmp_path, sources):
    package = tmp_path / "canscope"
    shutil.copytree(store.PACKAGE, package, ignore=shutil.ignore_patterns("__pycache__"))
    seen = {store.digest_of(sources, package)}
    assert seen == {store.digest_of(sources)}
    files = [
        file
        for name in sources
        for file in ([package / name] if name.endswith(".py") else (package / name).rglob("*.py"))
    ]
    for file in files:
        file.write_text(file.read_text("utf-8") + "# mended\n", "utf-8")
        seen.add(store.digest_of(sources, package))
    assert len(seen) == 1 + len(files) > 3


def test_the_sources_that_decide_what_a_definition_means_are_among_them():
    assert {"decoding", "trust/samples/no_value_codes.py", "model/definition.py"} <= {
        *definitions.SOURCES
    }


def test_another_library_content_or_kind_is_another_entry(monkeypatch):
    def key(kind="definitions", library="numpy", data=b"x"):
        return store.entry(kind, ("cache",), library, data)

    seen = {key(), key(kind="plans"), key(library="pandas"), key(data=b"y")}
    monkeypatch.setattr(store, "__version__", "99.0")
    seen.add(key())
    assert len(seen) == 5
