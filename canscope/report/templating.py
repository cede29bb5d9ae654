"""Pages from templates: everything is escaped, and only scripts of our own may run."""

from __future__ import annotations

import re
from base64 import b64encode
from hashlib import sha256
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from canscope.report import wording
from canscope.report._compiled_templates import CompiledTemplates

TEMPLATES = Path(__file__).parent / "templates"
PLOTLY_PLACE = "<!-- plotly -->"  # no text can hold it, since every text is escaped
KEPT = Path(__file__).parent / "__pycache__"


def environment() -> Environment:
    """The template engine: everything is escaped, a name that is missing is an error."""
    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_visible,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        bytecode_cache=CompiledTemplates(KEPT, Path(__file__).read_text("utf-8")),
    )


def around(
    templates: Environment, name: str, plotly: bytes, *, style: str = "", **shown: Any
) -> tuple[str, str]:
    """A page that extends ``document.html``, before and after plotly's script.

    ``plotly`` is that script as ``script`` gives it, ``style`` is added to the page's own.
    """
    own = script((TEMPLATES / "page.js").read_bytes())
    css = (TEMPLATES / "page.css").read_text("utf-8")
    text = templates.get_template(name).render(
        style=Markup(css + style),
        script=Markup(own.decode()),
        script_digest=digest(own),
        plotly_digest=digest(plotly),
        **shown,
    )
    before, after = text.split(PLOTLY_PLACE)
    return before, after


def whole(templates: Environment, name: str, **shown: Any) -> list[bytes]:
    """The page in its parts; plotly's JavaScript, most of it, never becomes text."""
    plotly = script(plotly_js())
    before, after = around(templates, name, plotly, **shown)
    return [
        before.encode("utf-8", "backslashreplace"),
        plotly,
        after.encode("utf-8", "backslashreplace"),
    ]


def without_script(name: str, *, style: str = "", **shown: Any) -> str:
    """A page that extends ``document.html`` and runs nothing; ``style`` is added to its own."""
    css = (TEMPLATES / "page.css").read_text("utf-8")
    page = environment().get_template(name)
    return page.render(style=Markup(css + style), script="", **shown)


def _visible(value: object) -> object:
    """What a template shows: HTML as it is, of a text every character so that it can be seen."""
    return value if type(value) is Markup else wording.visible(value)


def plotly_js() -> bytes:
    """Plotly's own JavaScript, 5 MB, where possible without importing a line of its Python."""
    found = find_spec("plotly")
    for folder in (found.submodule_search_locations or ()) if found else ():
        script = Path(folder) / "package_data" / "plotly.min.js"
        if script.is_file():
            return script.read_bytes()
    from plotly.offline import get_plotlyjs

    return str(get_plotlyjs()).encode()


def script(text: bytes) -> bytes:
    """JavaScript that cannot end its own element, with the line ends that a browser hashes."""
    one_end = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in text else text
    return re.sub(b"</(script)", rb"<\\/\1", one_end, flags=re.IGNORECASE)


def digest(text: bytes) -> str:
    """The digest by which the page's policy lets this script run, and no other."""
    return b64encode(sha256(text).digest()).decode()
