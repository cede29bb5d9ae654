"""Pages from templates. Everything is escaped; shapes are those of the report."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import ChoiceLoader, Environment, FileSystemLoader
from starlette.requests import Request
from starlette.responses import HTMLResponse

from canscope.report import templating

HERE = Path(__file__).parent
STATIC = HERE / "static"


def page(request: Request, template: str, *, status: int = 200, **shown: Any) -> HTMLResponse:
    """One page; ``frame.html`` is around it."""
    text = _templates().get_template(template).render(path=request.url.path, **shown)
    return HTMLResponse(text, status)


@cache
def _templates() -> Environment:
    own = FileSystemLoader(HERE / "templates")
    environment = templating.environment().overlay(
        loader=ChoiceLoader([own, FileSystemLoader(templating.TEMPLATES)]), bytecode_cache=None
    )
    return environment
