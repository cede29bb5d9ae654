"""One HTML file that opens offline, prints on A4 and asks nothing of any network.

Figures are drawn twice: as a plain drawing, which is what paper and a page without scripts show,
and by plotly over it on the screen, as soon as a figure comes near the visible part.
"""

from __future__ import annotations

import re
from base64 import b64encode
from hashlib import sha256
from importlib.util import find_spec
from pathlib import Path
from string import Template

from canscope.model.report import Report
from canscope.report import RENDERERS
from canscope.report import _finding_details as _told
from canscope.report import _first_screen as _first
from canscope.report import _run_events as _happened
from canscope.report import _test_record as _paper
from canscope.report._html import safe, symbols
from canscope.report.wording import VERDICT_WORDS, identity

HERE = Path(__file__).parent / "templates"


@RENDERERS.add("html")
def parts(report: Report) -> tuple[str, bytes, str]:
    """The whole page; plotly's JavaScript, most of it, is never turned into text and back."""
    plotly = _script(_plotly_js())
    before, after = _around(report, plotly)
    return before, plotly, after


def render(report: Report) -> str:
    """The whole page; the same report gives the same text."""
    return page(report, _plotly_js().decode())


def page(report: Report, plotly_js: str) -> str:
    """The page around a given plotly JavaScript."""
    plotly = _script(plotly_js.encode())
    before, after = _around(report, plotly)
    return before + plotly.decode() + after


def _around(report: Report, plotly: bytes) -> tuple[str, str]:
    """The page before and after that script."""
    anchors = {finding.key: f"finding-{n}" for n, finding in enumerate(report.findings, start=1)}
    own = _script((HERE / "page.js").read_bytes())
    sections = [
        _told.findings(report, anchors),
        _happened.bursts(report),
        _happened.events(report),
        _paper.quality(report),
        _paper.deviations(report),
        _paper.vehicle(report),
        _paper.roles(report),
        _paper.rules(report),
        _paper.inputs(report),
        _paper.cautions(report),
        _paper.signatures(report),
    ]
    stage = report.stage or "stage not named"
    before, after = _file("page.html").split("$plotly")
    words = {
        "policy": f"'sha256-{_digest(plotly)}' 'sha256-{_digest(own)}'",
        "title": safe(f"Test report {identity(report)}: {report.vehicle}, {stage}"),
        "style": _file("page.css") + _footer(report),
        "symbols": symbols(),
        "stage": safe(stage),
        "vehicle": safe(report.vehicle or "vehicle not named"),
        "identity": safe(identity(report)),
        "word": safe(VERDICT_WORDS.get(report.verdict, report.verdict)),
        "written": safe(report.written_at or "date not stated"),
        "verdict": _first.verdict(report),
        "look_first": _first.look_first(report, anchors),
        "matrix": _first.matrix(report, anchors),
        "about": _paper.about(report),
        "sections": "\n".join(sections),
        "script": own.decode(),
    }
    return Template(before).substitute(words), Template(after).substitute(words)


def _plotly_js() -> bytes:
    """Plotly's own JavaScript, 5 MB, where possible without importing a line of its Python."""
    found = find_spec("plotly")
    for folder in (found.submodule_search_locations or ()) if found else ():
        script = Path(folder) / "package_data" / "plotly.min.js"
        if script.is_file():
            return script.read_bytes()
    from plotly.offline import get_plotlyjs

    return str(get_plotlyjs()).encode()


def _file(name: str) -> str:
    return (HERE / name).read_text("utf-8")


def _script(text: bytes) -> bytes:
    """JavaScript that cannot end its own element, with the line ends that a browser hashes."""
    one_end = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in text else text
    return re.sub(b"</(script)", rb"<\\/\1", one_end, flags=re.IGNORECASE)


def _digest(script: bytes) -> str:
    # Only these two scripts may run: a script that got in as text stays text.
    return b64encode(sha256(script).digest()).decode()


def _footer(report: Report) -> str:
    """Report and page number at the foot of every printed page."""
    name = "".join(c if c.isalnum() and c.isascii() else f"\\{ord(c):x} " for c in identity(report))
    return (
        f'@page{{@bottom-left{{content:"report {name}";font-size:8pt}}'
        '@bottom-right{content:"page " counter(page) " of " counter(pages);font-size:8pt}}\n'
    )
