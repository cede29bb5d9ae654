"""Whole reports byte for byte; plotly's own JavaScript is left out of the page, for its size."""

import pytest

from canscope.report import RENDERERS
from canscope.report.html import page
from tests.report import factory


@pytest.mark.parametrize("kind", ["whole", "failing", "open_ended"])
def test_the_page_is_what_was_reviewed(kind, golden):
    golden(f"{kind}.html", page(getattr(factory, kind)(), "/* plotly */"))


@pytest.mark.parametrize(("kind", "suffix"), [("json", "json"), ("junit", "xml")])
def test_the_data_is_what_was_reviewed(kind, suffix, golden):
    golden(f"failing.{suffix}", RENDERERS[kind](factory.failing()))


@pytest.mark.parametrize("kind", list(RENDERERS))
def test_the_same_report_gives_the_same_bytes(kind):
    assert RENDERERS[kind](factory.failing()) == RENDERERS[kind](factory.failing())
