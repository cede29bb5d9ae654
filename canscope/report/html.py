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
from canscope.report import RENDERERS, _first, _happened, _paper, _told
from canscope.report._html import safe, symbols
from canscope.report._words import VERDICT_WORDS, identity

HERE = Path(__file__).parent


@RENDERERS.add("html")
def render(report: Report) -> str:
    """The whole page; the same report gives the same text."""
    return page(report, _plotly_js())


def page(report: Report, plotly_js: str) -> str:
    """The page around a given plotly JavaScript."""
    anchors = {id(finding): f"finding-{n}" for n, finding in enumerate(report.findings, start=1)}
    scripts = [_script(plotly_js), _script(_file("page.js"))]
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
    return Template(_file("page.html")).substitute(
        policy=" ".join(f"'sha256-{_digest(script)}'" for script in scripts),
        title=safe(f"Test report {identity(report)}: {report.vehicle}, {stage}"),
        style=_file("page.css") + _footer(report),
        symbols=symbols(),
        stage=safe(stage),
        vehicle=safe(report.vehicle or "vehicle not named"),
        identity=safe(identity(report)),
        word=safe(VERDICT_WORDS.get(report.verdict, report.verdict)),
        written=safe(report.written_at or "date not stated"),
        verdict=_first.verdict(report),
        look_first=_first.look_first(report, anchors),
        matrix=_first.matrix(report, anchors),
        about=_paper.about(report),
        sections="\n".join(sections),
        plotly=scripts[0],
        script=scripts[1],
    )


def _plotly_js() -> str:
    """Plotly's own JavaScript, 5 MB, where possible without importing a line of its Python."""
    found = find_spec("plotly")
    for folder in (found.submodule_search_locations or ()) if found else ():
        script = Path(folder) / "package_data" / "plotly.min.js"
        if script.is_file():
            return script.read_text("utf-8")
    from plotly.offline import get_plotlyjs

    return str(get_plotlyjs())


def _file(name: str) -> str:
    return (HERE / name).read_text("utf-8")


def _script(text: str) -> str:
    """JavaScript that cannot end its own element, with the line ends that a browser hashes."""
    one_end = text.replace("\r\n", "\n").replace("\r", "\n")
    return re.sub("</(script)", r"<\\/\1", one_end, flags=re.IGNORECASE)


def _digest(script: str) -> str:
    # Only these two scripts may run: a script that got in as text stays text.
    return b64encode(sha256(script.encode()).digest()).decode()


def _footer(report: Report) -> str:
    """Report and page number at the foot of every printed page."""
    name = "".join(c if c.isalnum() and c.isascii() else f"\\{ord(c):x} " for c in identity(report))
    return (
        f'@page{{@bottom-left{{content:"report {name}";font-size:8pt}}'
        '@bottom-right{content:"page " counter(page) " of " counter(pages);font-size:8pt}}\n'
    )
