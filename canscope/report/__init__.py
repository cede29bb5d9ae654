"""Renderers: Report -> text, one file a kind of report."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from canscope.model.registry import Registry
from canscope.model.report import Report

Rendered = str | Sequence[str | bytes]  # a text, or its parts, some of which are UTF-8 already

# Files of this folder that are no kind of report.
OTHER_FILES = (
    "batch_page",
    "build_record_page",
    "comparison_page",
    "first_screen",
    "seal",
    "survey_page",
    "templating",
    "wording",
    "write",
)
RENDERERS: Registry[Callable[[Report], Rendered]] = Registry(
    "report kind", __name__, __path__[0], not_entries=OTHER_FILES
)
