"""One HTML file that opens offline, prints on A4 and asks nothing of any network.

Figures are drawn twice: as a plain drawing, which is what paper and a page without scripts show,
and by plotly over it on the screen, as soon as a figure comes near the visible part.

The page is laid out in ``templates/``. The template engine escapes every text; only what is made
here as ``Markup`` (drawings, their data, the page's own style and script) is HTML already.
"""

from __future__ import annotations

from functools import cache

from jinja2 import Environment

from canscope.model.findings import COMMON_PRACTICE
from canscope.model.report import Report
from canscope.report import RENDERERS, _glance, _test_record, first_screen, templating, wording
from canscope.report._finding_details import IN_FULL, closed, details
from canscope.report._plotly_chart import chart
from canscope.report._svg_drawing import drawing


@RENDERERS.add("html")
def parts(report: Report) -> tuple[str, bytes, str]:
    """The whole page; plotly's JavaScript, most of it, is never turned into text and back."""
    plotly = templating.script(templating.plotly_js())
    before, after = _around(report, plotly)
    return before, plotly, after


def render(report: Report) -> str:
    """The whole page; the same report gives the same text."""
    return page(report, templating.plotly_js().decode())


def page(report: Report, plotly_js: str) -> str:
    """The page around a given plotly JavaScript."""
    plotly = templating.script(plotly_js.encode())
    before, after = _around(report, plotly)
    return before + plotly.decode() + after


def _around(report: Report, plotly: bytes) -> tuple[str, str]:
    """The page before and after that script."""
    anchors = {finding.key: f"finding-{n}" for n, finding in enumerate(report.findings, start=1)}
    shown = details(report, anchors)
    return templating.around(
        _templates(),
        "page.html",
        plotly,
        style=_page_footer(report),
        report=report,
        anchors=anchors,
        identity=wording.identity(report),
        stage=report.stage or "stage not named",
        recorded=wording.recorded(report.capture),
        verdict_word=wording.VERDICT_WORDS.get(report.verdict, report.verdict),
        verdict_shape=first_screen.VERDICT_SHAPES.get(report.verdict, "unproven"),
        leads=first_screen.leads(report),
        lead_word=first_screen.LEAD_WORDS.get(report.verdict, "Missing"),
        causes=first_screen.likely(report),
        do_now=first_screen.do_now(report),
        key_numbers=first_screen.key_numbers(report),
        axles=first_screen.axles(report),
        topics=first_screen.topics(report),
        findings_in_full=[one for one in shown if one.state in IN_FULL],
        closed=closed(report, shown),
        **_test_record.view(report),
    )


@cache
def _templates() -> Environment:
    """The page's own templates with what they show."""
    environment = templating.environment()
    environment.globals.update(
        chart=chart,
        common_practice=COMMON_PRACTICE,
        counts=wording.counts,
        drawing=drawing,
        glance_data=_glance.data,
        glance_drawing=_glance.drawing,
        meaning=wording.meaning,
        weakened=wording.weakened,
        measured=wording.measured,
        number=wording.number,
        plain_value=wording.plain_value,
        reason=first_screen.reason,
        row_words=first_screen.ROW_WORDS,
        seconds=wording.seconds,
        state=wording.state,
        state_words=wording.STATE_WORDS,
        why=wording.why,
    )
    return environment


def _page_footer(report: Report) -> str:
    """CSS for report and page number at the foot of every printed page."""
    name = "".join(
        c if c.isalnum() and c.isascii() else f"\\{ord(c):x} " for c in wording.identity(report)
    )
    return (
        f'@page{{@bottom-left{{content:"report {name}";font-size:8pt}}'
        '@bottom-right{content:"page " counter(page) " of " counter(pages);font-size:8pt}}\n'
    )
