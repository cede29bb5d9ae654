"""Compiled templates are kept between runs; whatever the folder is like, the page is whole."""

import pytest
from jinja2 import Environment

from canscope.report import html
from canscope.report._template_cache import TemplateCache
from tests.report import factory


@pytest.fixture
def fresh_page(monkeypatch, tmp_path):
    """Render with a template engine of its own, as the next process would."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))

    def render():
        html._templates.cache_clear()
        return html.page(factory.failing(), "/* plotly */")

    yield render
    html._templates.cache_clear()


def entries(folder):
    return sorted((folder / "canscope" / "templates").iterdir())


def compiled(monkeypatch):
    """The names of the templates that are compiled from here on."""
    names, parse = [], Environment._parse

    def noted(self, source, name, filename):
        names.append(name)
        return parse(self, source, name, filename)

    monkeypatch.setattr(Environment, "_parse", noted)
    return names


def test_the_next_run_compiles_nothing(fresh_page, monkeypatch, tmp_path):
    first = fresh_page()
    assert len(entries(tmp_path)) == len(list(html.TEMPLATES.glob("*.html")))
    names = compiled(monkeypatch)
    assert fresh_page() == first
    assert names == []


def test_a_damaged_entry_is_compiled_anew(fresh_page, monkeypatch, tmp_path):
    first = fresh_page()
    for entry in entries(tmp_path):
        entry.write_bytes(entry.read_bytes()[:-40])
    names = compiled(monkeypatch)
    assert fresh_page() == first
    assert len(names) == len(entries(tmp_path))


def test_other_settings_of_the_engine_compile_anew(fresh_page, monkeypatch):
    fresh_page()
    names = compiled(monkeypatch)
    monkeypatch.setattr(html, "TemplateCache", lambda settings: TemplateCache(settings + "changed"))
    fresh_page()
    assert "page.html" in names


def test_a_folder_that_cannot_be_written_is_no_error(fresh_page, monkeypatch, tmp_path):
    first = fresh_page()
    (tmp_path / "file").write_text("no folder")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    assert fresh_page() == first
