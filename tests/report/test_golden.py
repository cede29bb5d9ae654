"""Reports of two runs of the demo, as they were last reviewed: one sound, one with a fault.

Simulator, reader, decoder, rules and judge are the real ones; the noise and the time of writing
are given. What a reviewer cannot read stands as a digest: curves, drawings, style and scripts.
"""

import json
import os
import re
from dataclasses import replace
from functools import cache
from hashlib import sha256

import pytest

from canscope.checking.inputs import Inputs
from canscope.checking.judging import judge_files
from canscope.report import RENDERERS
from canscope.report.html import page
from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run
from tests.report import factory

READINGS = ("temperature-ceiling", "current-ceiling", "voltage-ceiling", "control-supply")
FAULTS = {"sound": None, "front_axle_wrong_way": "front-axle-wrong-way"}


@pytest.fixture(scope="module")
def demo_report(tmp_path_factory):
    """The report of one of the two runs; its capture and its plan are named without a folder."""

    @cache
    def checked(name):
        made = make_run("bramble", stage="dry-spin", fault=FAULTS[name], seed=1)
        files = write_run(made, tmp_path_factory.mktemp("demo") / name)
        before = os.getcwd()
        os.chdir(files.capture.parent)
        try:
            inputs = Inputs((files.capture.name,), files.plan.relative_to(files.capture.parent))
            report = judge_files(inputs, written_at="2026-01-02 03:04:05 UTC")
        finally:
            os.chdir(before)
        return replace(report, version="0.0.0")  # a new version is no change of the report

    return checked


def digest(text):
    return sha256(text.encode()).hexdigest()[:12]


def readable_page(report):
    """The body of the page without its scripts."""
    html = page(report, "/* plotly */")
    body = html[html.index("<body>") : html.index("<script>")]
    for kind in ('<script type="application/json">', '<svg class="drawing"'):
        end = "</script>" if kind.startswith("<script") else "</svg>"
        curve = re.compile(f"{kind}.*?{end}", re.S)
        body = curve.sub(lambda m, k=kind, e=end: f"{k.rstrip('>')} {digest(m[0])}>{e}", body)
    return re.sub(r"\n\s*\n", "\n", body)


def readable_json(report):
    """The report, a value a line; nine digits, since the last ones differ between processors."""
    text = RENDERERS["json"](report)
    plain = json.loads(text, parse_float=lambda number: float(f"{float(number):.9g}"))
    for plot in (*plain["plots"].values(), plain["course"]):
        plot["traces"] = [
            f"{trace['role']}, {trace['signal']}: {len(trace['at_s'])} samples,"
            f" {digest(json.dumps([trace['at_s'], trace['value']]))}"
            for trace in plot["traces"]
        ]
    plain["plots"] = {
        name: " | ".join(json.dumps(value) for value in plot.values())
        for name, plot in plain["plots"].items()
    }
    return json.dumps(plain, indent=1, ensure_ascii=False) + "\n"


def test_the_page_of_a_run_with_a_fault_is_what_was_reviewed(demo_report, golden):
    golden("front_axle_wrong_way.html", readable_page(demo_report("front_axle_wrong_way")))


def test_the_page_of_a_sound_run_is_what_was_reviewed(demo_report, golden):
    """What is proven is left out: it looks the same in the other run."""
    html = readable_page(demo_report("sound"))
    findings = re.compile(r'<section class="closed".*?</section>\n', re.S)
    shorter, left_out = findings.subn("", html)
    assert left_out == 1
    golden("sound.html", shorter)


def test_the_data_of_a_run_with_a_fault_are_what_was_reviewed(demo_report, golden):
    golden("front_axle_wrong_way.json", readable_json(demo_report("front_axle_wrong_way")))


@pytest.mark.parametrize("name", FAULTS)
def test_the_test_cases_of_a_run_are_what_was_reviewed(name, demo_report, golden):
    golden(f"{name}.xml", RENDERERS["junit"](demo_report(name)))


@pytest.mark.parametrize("kind", list(RENDERERS))
def test_the_same_report_gives_the_same_bytes(kind):
    assert RENDERERS[kind](factory.failing()) == RENDERERS[kind](factory.failing())


@pytest.mark.parametrize("name", FAULTS)
def test_every_circle_stands_on_the_sample_that_the_finding_shows(name, demo_report):
    """The last sample of the first curve at or before the worst instant, and on that curve."""
    report = demo_report(name)
    plots = [(f, report.plots.get(f"{f.rule}|{f.subject}")) for f in report.findings]
    circled = [(f, plot) for f, plot in plots if plot is not None and plot.judged]
    assert len(circled) > 50
    for finding, plot in circled:
        at_s, value = plot.judged
        first = plot.traces[0]
        before = [(at, v) for at, v in zip(first.at_s, first.value, strict=True) if v is not None]
        before = [point for point in before if point[0] <= plot.worst_s + 1e-4]
        assert plot.judged == before[-1], finding.key
        assert at_s <= finding.at_s + 1e-4
        if finding.rule in READINGS:  # what they judge is the reading itself
            assert value == pytest.approx(finding.measured, rel=1e-6), finding.key
