"""Renderers: Report -> text, one file a kind of report."""

from __future__ import annotations

from collections.abc import Callable

from canscope.model.registry import Registry
from canscope.model.report import Report

RENDERERS: Registry[Callable[[Report], str]] = Registry(
    "report kind", __name__, __path__[0], not_entries=("write",)
)
