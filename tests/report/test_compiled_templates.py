"""Compiled templates are taken only for what they were compiled from, and are never needed."""

import sys

import pytest
from jinja2 import DictLoader, Environment

from canscope.report._compiled_templates import CompiledTemplates


class Counting(Environment):
    compiled = 0

    def compile(self, *args, **kwargs):
        self.compiled += 1
        return super().compile(*args, **kwargs)


def compiled(folder, source="{{ 1 + 1 }}", options="", says="2"):
    """How many templates a process compiles."""
    cache = CompiledTemplates(folder, options)
    environment = Counting(loader=DictLoader({"page": source}), bytecode_cache=cache)
    assert environment.get_template("page").render() == says
    return environment.compiled


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    return tmp_path / "__pycache__"


def test_a_template_is_compiled_once_and_again_when_it_or_an_option_changed(folder):
    assert [compiled(folder) for _ in range(2)] == [1, 0]
    assert compiled(folder, source="{{ 1 + 2 }}", says="3") == 1
    assert [compiled(folder, options="trimmed") for _ in range(2)] == [1, 0]


@pytest.mark.parametrize("content", [b"", b"j2", b"\x80\x05garbage"])
def test_a_damaged_file_is_compiled_anew(folder, content):
    compiled(folder)
    (kept,) = folder.iterdir()
    kept.write_bytes(kept.read_bytes()[:12] + content if content else b"")
    assert [compiled(folder) for _ in range(2)] == [1, 0]


def test_nothing_is_kept_where_python_keeps_no_bytecode(folder, monkeypatch):
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert [compiled(folder) for _ in range(2)] == [1, 1]
    assert not folder.exists()


def test_a_package_that_cannot_be_written_to_works_without(folder):
    folder.write_text("in the way")
    assert [compiled(folder) for _ in range(2)] == [1, 1]
