"""The page: whole, offline, escaped, and every number of every finding in it.

Expected texts are the factory's own figures, written as Python's ``:g`` writes them.
"""

import dataclasses
import json
import re
from collections.abc import Mapping
from dataclasses import replace
from enum import Enum
from html.parser import HTMLParser

import pytest

from canscope.model.findings import COMMON_PRACTICE, Verdict
from canscope.model.report import Cause, RunEvent
from canscope.report._plot_layout import ticks
from canscope.report._svg_drawing import drawing
from canscope.report.html import page, render
from canscope.report.wording import state, to_digits_of
from tests.report import factory
from tests.report.browser import dom

# Text that would run, in an element, in a script, in an attribute, in a style, in plotly's markup.
ATTACK = "document.documentElement.setAttribute('data-ran','yes')"
HOSTILE = f'</script><script>{ATTACK}</script><img src=x onerror="{ATTACK}">\'}}</style>&amp;<b>$'
RAN = re.compile(r"<html[^>]*data-ran")
POLICY = re.compile(r'<meta http-equiv="Content-Security-Policy"[^>]*>')
VOID = {"meta", "br", "img", "link", "hr", "input"}


class Reader(HTMLParser):
    """Notes the text, the attributes that name another place, and elements left open."""

    def __init__(self, html):
        super().__init__()
        self.text, self.links, self.open, self.ids = [], [], [], []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.open += [] if tag in VOID else [tag]
        given = dict(attrs)
        self.ids += [given["id"]] if "id" in given else []
        kinds = ("src", "href", "action", "data", "poster", "srcset", "xlink:href")
        self.links += [given[kind] for kind in kinds if kind in given]

    def handle_endtag(self, tag):
        assert self.open.pop() == tag, f"</{tag}> closes nothing"

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_data(self, data):
        if self.open[-1:] not in (["script"], ["style"]):
            self.text.append(data)


def bare(report):
    """The page without plotly's five megabytes."""
    return page(report, "/* plotly */")


def text_of(html):
    return " ".join(" ".join(Reader(html).text).split())


def article(html, rule, subject):
    """The text of one finding that is shown in full."""
    found = [
        a for a in re.findall(r"<article.*?</article>", html, re.S) if f"{rule}: {subject}" in a
    ]
    assert len(found) == 1
    return text_of(found[0])


def figures(html):
    blocks = re.findall(r'<script type="application/json">(.*?)</script>', html, re.S)
    return [json.loads(block) for block in blocks]


def charts(html):
    """The figures of findings."""
    return [one for one in figures(html) if "data" in one]


def drawings(html):
    """The drawings of findings, for paper."""
    return re.findall(r'<svg class="drawing".*?</svg>', html, re.S)


def lines(html):
    """Each rule's line of what is proven or not required: its state and its four cells."""
    found = re.findall(r'<details class="line (\w+)"><summary>(.*?)</summary>', html, re.S)
    return [
        (short, *map(text_of, re.findall(r"<span>(.*?)</span>", row, re.S))) for short, row in found
    ]


def hostile(value):
    """The same report with every text of it replaced."""
    if isinstance(value, Enum) or not isinstance(value, (str, tuple, Mapping)):
        if dataclasses.is_dataclass(value):
            changes = {f.name: hostile(getattr(value, f.name)) for f in dataclasses.fields(value)}
            return replace(value, **changes)
        return value
    if isinstance(value, str):
        return HOSTILE
    if isinstance(value, tuple):
        return tuple(hostile(entry) for entry in value)
    return {f"{HOSTILE}{n}": hostile(entry) for n, entry in enumerate(value.values())}


def hostile_report():
    three = (factory.TURNED_WRONG, factory.DISCHARGE, factory.INSULATION)
    report = hostile(factory.failing(findings=three))
    # A finding's key is its own: it is what the links to its place in the page are made of.
    findings = [replace(f, subject=f"{HOSTILE}{n}") for n, f in enumerate(report.findings)]
    plots = {f"{HOSTILE}|{f.subject}": hostile(factory.spin_plot()) for f in findings}
    return replace(report, verdict="fail", findings=tuple(findings), plots=plots)


@pytest.mark.parametrize("kind", ["whole", "failing", "open_ended"])
def test_every_element_is_closed_and_every_link_stays_in_the_page(kind):
    read = Reader(bare(getattr(factory, kind)()))
    assert read.open == []
    assert len(read.ids) == len(set(read.ids))
    assert {link[1:] for link in read.links} <= set(read.ids)
    assert all(link.startswith("#") for link in read.links)


def test_an_empty_report_is_still_a_whole_page():
    nothing = factory.whole(
        findings=(), bursts=(), plots={}, roles=(), rules=(), mounting=(), marks=(), job={},
        conditions={}, inputs=(), warnings=(), cautions=(), plan_text="", unique_id="",
        written_at="", number=None, vehicle="", stage="", verdict="unproven", headline="",
        capture=type(factory.CAPTURE)(), not_applicable=(),
    )  # fmt: skip
    html = bare(nothing)
    assert Reader(html).open == []
    assert "UNPROVEN" in html
    assert "No unit turned in this recording." in html


@pytest.mark.parametrize(
    ("kind", "word", "shape"),
    [
        ("whole", "PASS", "shape-proven"),
        ("failing", "FAIL", "shape-failed"),
        ("open_ended", "UNPROVEN", "shape-unproven"),
    ],
)
def test_the_verdict_stands_in_shape_and_word(kind, word, shape):
    report = getattr(factory, kind)()
    block = re.search(r'<section class="verdict.*?</section>', bare(report), re.S)[0]
    assert f"<strong>{word}</strong>" in block
    assert f'href="#{shape}"' in block
    assert report.headline in block
    assert "Bramble, forestry 4x4" in block
    assert "2025-10-09 08:53:20 UTC" in block  # date -u -d @1760000000


def test_an_accepted_item_is_never_called_proven():
    said = text_of(bare(factory.whole()))
    assert "except what a person accepted unproven" in said
    assert "accepted : insulation-resistance, pack" in said


def first_screen(report):
    return re.search(r'<section class="verdict.*?</section>', bare(report), re.S)[0]


def test_the_first_screen_says_what_is_wrong_and_what_to_do_now():
    report = factory.failing()
    first = first_screen(report)
    said = text_of(first)
    assert all(sentence in said for sentence in report.look_first)
    assert "Likely Two phases of the front unit are swapped" in said
    assert (
        "Do now Do not go on. Mark the front axle flange with chalk and turn the motor by hand."
        in said
    )
    assert 'Explains <a href="#finding-' in first
    page = bare(report)
    assert page.index(first) < page.index('class="course"') < page.index('class="matrix"')


def test_a_lead_is_told_in_rounded_numbers_without_signal_or_uncertainty():
    first = text_of(first_screen(factory.failing(look_first=(factory.TURNED_WRONG.sentence,))))
    assert f"Wrong {factory.TURNED_WRONG.short} see axle-direction" in first
    assert factory.FRONT_SPEED not in first


def test_a_fail_without_diagnosis_leads_with_its_own_words_and_its_own_next_check():
    first = text_of(first_screen(factory.failing(look_first=(), diagnosis=())))
    assert f"Wrong {factory.TURNED_WRONG.short}" in first
    assert f"Do not go on. M{factory.TURNED_WRONG.next[1:]}." in first


def test_a_pass_shows_the_numbers_that_matter():
    """The two bursts of the factory; nobody's mark is needed for a number to be shown."""
    said = text_of(first_screen(factory.whole()))
    assert "front axle : forward to 182 rpm, seen; turned 4 s in all" in said
    assert "rear axle : reverse to 176 rpm, seen; turned 3 s in all" in said
    assert "lowest pack voltage while turning : 347.8 V" in said
    assert "highest pack current while turning : 22.4 A" in said
    assert "recording : 48211 frames, 4 unreadable, 0 lost" in said


def test_the_run_at_a_glance_has_every_role_and_shows_what_matters_most_first():
    run = next(one for one in figures(bare(factory.failing())) if "traces" in one)
    on = {trace["role"]: trace["on"] for trace in run["traces"]}
    assert on == {
        "driver.direction": True,
        "driver.brake": True,
        "units.front.speed": True,
        "units.front.temperatures.winding": True,
        "driver.pedal": False,
    }
    assert run["findings"] == [{"at": 14.21, "text": factory.TURNED_WRONG.short}]
    assert run["marks"] == [{"at": 21.5, "text": "rear forward left wheel watched"}]
    assert run["bursts"][0] == {"unit": "front", "from": 13.9, "until": 17.4}


def test_on_paper_the_request_is_a_band_as_long_as_it_was_held():
    """150 px from the left, 838 px wide for 94.5 s: 13.8 s to 17.5 s is 272.4 to 305.2."""
    drawn = re.search(r'<svg class="drawing glance".*?</svg>', bare(factory.failing()), re.S)[0]
    assert '<rect x="272.4" y="18" width="32.8" height="17" fill="#9cc7a4"/>' in drawn
    assert drawn.count('fill="#e3b56b"') == 1  # reverse, once
    speed = re.search(r'<path d="([^"]*)" stroke="#123a6b" stroke-width="1.3"', drawn)[1]
    assert speed.count("M") == 2  # one gap


def rows(html, kind):
    table = re.search(rf'<table class="{kind}">.*?</table>', html, re.S)[0]
    return [
        [text_of(cell) for cell in re.findall(r"<td.*?</td>", row, re.S)]
        for row in re.findall(r"<tr>.*?</tr>", table, re.S)[1:]
    ]


def test_the_matrix_shows_each_axle_in_each_direction():
    assert rows(bare(factory.failing()), "axles") == [
        [
            "front",
            "failed -182.00 ± 0.50 rpm, limit 0 rpm",
            "a person saw the wrong way as well",
            "proven",
            "a person saw reverse",
        ],
        [
            "rear",
            "proven",
            "a person saw forward",
            "proven",
            "unproven it never happened in this run",
        ],
    ]


def test_a_person_who_saw_the_wrong_way_leaves_no_tick():
    page = bare(factory.failing())
    cell = next(c for c in re.findall(r"<td.*?</td>", page, re.S) if "wrong way as well" in c)
    assert 'href="#shape-failed"' in cell
    assert "shape-proven" not in cell


def test_no_number_is_minus_nothing():
    odd = replace(factory.TURNED_WRONG, margin=-0.0, uncertainty=0.0, measured=-0.001)
    told = article(bare(factory.failing(findings=(odd,))), odd.rule, odd.subject)
    assert "margin 0 rpm" in told
    assert to_digits_of(-0.001, 0.5) == "0.00"


def test_a_yes_or_no_that_failed_is_told_in_words_and_not_as_a_number():
    failing = factory.failing()
    turned = replace(
        next(f for f in failing.findings if f.rule == "axle-witness"),
        verdict=Verdict.FAIL,
        measured=-1.0,
        limit=1.0,
        unit="state",
        sentence="A person saw the front axle turn reverse while CAN says forward, at 15.1 s.",
    )
    cells = rows(bare(replace(failing, findings=(turned,))), "axles")[0]
    assert cells[2] == f"failed {turned.sentence}"


def test_a_check_that_decides_between_several_causes_is_told_once_below_them():
    causes = [Cause("one", "look there", ("a, b",)), Cause("two", "look there", ("a, b",))]
    other = Cause("three", "turn it by hand", ("a, b",))
    page = bare(replace(factory.failing(), diagnosis=(*causes, other)))
    assert page.count("To decide: look there.") == 1
    assert page.index("Two") < page.index("To decide: look there.") < page.index("Three")


def test_the_matrix_gives_every_subject_its_worst_state():
    told = {row[0]: row[1] for row in rows(bare(factory.failing()), "topics")}
    assert told == {
        "Contactors and powering up": "proven",
        "Driver inputs": "proven",
        "Motion": "proven",
        "Voltage and current": "proven",
        "Heat": "proven in part",
        "Insulation": "accepted",
        "Shutting down": "unproven",
        "Bus and recording": "proven",
        "Other": "proven",
    }


def test_a_subject_nobody_judged_does_not_read_as_proven():
    told = {row[0]: row[1:] for row in rows(bare(factory.whole()), "topics")}
    assert told["Shutting down"] == ["nothing judged", "no finding"]


@pytest.mark.parametrize("kind", ["whole", "failing", "open_ended"])
def test_every_number_of_every_open_finding_is_in_its_article(kind):
    report = getattr(factory, kind)()
    html = bare(report)
    for finding in report.findings:
        if state(finding) in ("proven", "advice"):
            continue
        told = article(html, finding.rule, finding.subject)
        for value in (finding.measured, finding.limit, finding.margin, finding.uncertainty):
            assert value is None or f"{value:g}" in told
        for at_s in (finding.at_s, finding.first_failed_s, *(finding.window_s or ())):
            assert at_s is None or f"{at_s:.3f} s" in told
        texts = (finding.sentence, finding.next, finding.limit_source, finding.waived)
        assert all(text in told for text in (*texts, *finding.causes, *finding.signals))


def test_every_closed_finding_has_its_sentence_and_margin_under_its_rule():
    html = bare(factory.whole())
    for place, finding in enumerate(factory.whole().findings, start=1):
        if state(finding) in ("proven", "advice"):
            told = text_of(re.search(rf'<li id="finding-{place}">.*?</li>', html, re.S)[0])
            assert finding.sentence in told
            assert finding.margin is None or f"Margin {finding.margin:g}" in told


def test_measured_limit_unit_and_source_stand_together():
    told = article(bare(factory.failing()), "axle-direction", "front forward")
    assert "measured -182.00 ± 0.50 rpm limit 0 rpm limit from plan margin -182.00 rpm" in told


def test_common_practice_is_said_in_exactly_these_words():
    assert COMMON_PRACTICE == "common practice, no source"
    html = bare(factory.whole())
    limits = {rule: limit for _, rule, _, _, limit in lines(html)}
    assert limits["bus-sag"] == f"limit 10 %; {COMMON_PRACTICE}"
    assert limits["current-ceiling"] == "limit 30 A; plan"


def test_what_a_test_report_owes_its_reader_is_there():
    """ISO/IEC 17025:2017, 7.8.2.1 a to p and 7.8.6, as check-values.md lists them."""
    said = text_of(bare(factory.failing()))
    for owed in (
        "Test report: dry-spin",
        "report bramble-dry-spin-0003-9f2c9f2c",
        "customer",
        "job number J-17",
        "place of the test",
        "item tested Bramble, forestry 4x4",
        "coolant empty; oil empty; ambient degC 17; cold yes",
        "tested (recorded) 2025-10-09 08:53:20 UTC to 2025-10-09 08:54:54 UTC",
        "report written 2025-10-09T09:00:00Z",
        "method recorded CAN frames analysed by canscope 0.1.0",
        "No sampling",
        "ILAC-G8:09/2019",
        "The results relate only to the item tested",
        "accepted by A. Tester",
        "no pump fitted yet",
        "released by",
        "The report is not a roadworthiness approval.",
        "easure before touching",
        "9f2c" * 16,
        "22bb" * 16,
        "Unit front: This unit is turned against its donor: inspect its oil. Inspected by",
        "Only a person who watched the axle can confirm it.",
        "nothing cross-checks pack.current",
        "left wheel watched",
        "dry_spin.log:17: not a frame: 'garbage'",
    ):
        assert owed in said, owed
    assert said.endswith("end of report bramble-dry-spin-0003-9f2c9f2c")


def test_a_recorder_without_a_clock_gives_no_date():
    capture = replace(factory.CAPTURE, first_ns=0, last_ns=2_000_000_000, relative_time=True)
    said = text_of(bare(factory.whole(capture=capture)))
    assert "date not known" in said
    assert "1970" not in said


def test_a_gap_stays_a_gap_on_paper_and_on_the_screen():
    plot = factory.spin_plot()
    html = bare(factory.failing())
    chart = charts(html)[0]
    assert chart["data"][0]["connectgaps"] is False
    shown = chart["data"][0]["y"]
    assert [y is None for y in shown] == [v is None for v in plot.traces[0].value]
    assert shown.count(None) == sum(15.2 < t < 15.9 for t in plot.traces[0].at_s) > 0
    # One gap cuts the drawn line in two: two "move to", no more.
    path = re.search(r'<path class="curve" d="([^"]*)"', drawings(html)[0])[1]
    assert path.count("M") == 2


def test_a_sample_alone_between_gaps_is_seen():
    trace = factory.Trace("r", "s", "V", (0.0, 1.0, 2.0, 3.0), (1.0, None, 5.0, None))
    plots = {"bus-sag|pack": factory.Plot((trace,), 0.0, 3.0)}
    html = bare(factory.whole(plots=plots))
    assert drawing(plots["bus-sag|pack"], "").count('<circle cx="') == 2
    assert charts(html)[0]["data"][0]["marker"]["size"] == [5, 0, 5, 0]


def test_limit_window_and_worst_instant_are_drawn():
    html = bare(factory.failing())
    layout = charts(html)[0]["layout"]
    kinds = [(s["type"], s["x0"], s["x1"], s["y0"]) for s in layout["shapes"]]
    assert kinds == [("rect", 13.9, 17.4, 0), ("line", 0, 1, 0.0), ("line", 14.21, 14.21, 0)]
    figure = drawings(html)[0]
    assert "limit 0" in figure
    assert "worst at 14.210 s" in figure
    assert '<rect x="197.4"' in figure  # 66 + (13.9 - 12) / (19 - 12) * 484 = 197.37
    assert 'class="worst"' in figure


def test_a_limit_far_away_is_within_the_picture():
    heat = next(c for c in charts(bare(factory.whole())) if "WindingTemp" in c["data"][0]["name"])
    low, high = heat["layout"]["yaxis"]["range"]
    assert low < 18
    assert high > 110


@pytest.mark.parametrize("values", [(0.0, 0.0), (None, None), (1e9, 1e9), (5e-7, 5e-7)])
def test_a_flat_or_empty_curve_is_drawn(values):
    trace = factory.Trace("r", "s", "V", (0.0, 1.0), values)
    plot = factory.Plot((trace,), 1.0, 1.0)
    html = bare(factory.whole(plots={"bus-sag|pack": plot}))
    low, high = charts(html)[0]["layout"]["yaxis"]["range"]
    assert low < high
    assert "nan" not in drawing(plot, "")


def test_a_role_without_any_sample_says_so():
    trace = factory.Trace("r", "s", "V", (), ())
    plot = factory.Plot((trace,), 0.0, 3.0, 1.5)
    html = bare(factory.whole(plots={"bus-sag|pack": plot}))
    assert "no value here" in drawing(plot, "")
    assert charts(html)[0]["data"][0]["y"] == []


def test_marks_of_an_axis_are_round_numbers():
    assert ticks(12.0, 19.0, 7) == [12, 13, 14, 15, 16, 17, 18, 19]
    assert ticks(-0.45, 0.45, 4) == [-0.4, -0.2, 0.0, 0.2, 0.4]


def test_hostile_text_is_text_everywhere():
    html = bare(hostile_report())
    assert Reader(html).open == []
    # The only elements that run are the two the page itself brings.
    assert len(re.findall(r"<script>", html)) == 2
    assert "<img" not in html
    assert "</style>&" not in html
    assert charts(html)[0]["data"][0]["name"].startswith("&lt;/script&gt;")


def test_characters_that_cannot_be_seen_are_shown_as_such():
    said = bare(factory.whole(vehicle="a\u202eb\x1b[31mc\x00d\udc80"))
    assert "a\ufffdb\ufffd[31mc\ufffdd\ufffd" in said


def test_the_browser_test_would_see_a_script_that_runs(tmp_path):
    raw = POLICY.sub("", bare(factory.whole())).replace("</main>", HOSTILE + "</main>")
    assert RAN.search(dom(raw, tmp_path, "raw"))


def test_no_hostile_text_runs_in_a_real_browser_even_without_the_policy(tmp_path):
    html, removed = POLICY.subn("", render(hostile_report()))
    assert removed == 1
    # Figures are drawn near the visible part only, so there must be a place to look at.
    assert 'id="finding-1"' in html
    became = dom(html, tmp_path, "hostile", at="finding-1")
    assert not RAN.search(became)
    assert "&lt;/script&gt;&lt;script&gt;document" in became
    # Shown by plotly as well, in the legend of a figure that was drawn.
    legend = re.search(r'class="legendtext".*?</text>', became, re.S)[0]
    assert "</script" not in legend
    assert "&lt;/script&gt;&lt;script&gt;document" in legend


def test_figures_are_drawn_in_a_real_browser_under_the_policy(tmp_path):
    html = render(factory.failing())
    assert POLICY.search(html)[0].count("sha256-") == 2
    became = dom(html, tmp_path, "drawn", at="finding-1")
    figure = re.search(r'<figure aria-label="axle-direction, front forward"[^>]*>', became)[0]
    assert 'class="drawn"' in figure
    assert "main-svg" in became


def test_what_is_proven_folds_into_a_line_a_rule():
    html = bare(factory.failing())
    found = lines(html)
    assert (
        "proven",
        "bus-sag",
        "pack",
        "2.850 ± 0.030 %",
        f"limit 10 %; {COMMON_PRACTICE}",
    ) in found
    assert next(line[:3] for line in found if line[1] == "axle-direction") == (
        "proven",
        "axle-direction",
        "front reverse and 2 more",
    )
    assert ("advice", "cold-soak", "front winding", "it never happened in this run", "") in found
    whole = re.findall(r'<article id="[^"]*" class="(\w+)">', html)
    assert sorted(whole) == ["accepted", "failed", "unproven", "unproven"]


def test_a_link_to_a_closed_finding_unfolds_its_topic_and_its_rule_and_draws_its_curve(tmp_path):
    report = factory.whole()
    place = 1 + [f"{f.rule}|{f.subject}" for f in report.findings].index("bus-sag|pack")
    became = dom(render(report), tmp_path, "folded", at=f"finding-{place}")
    opened = re.findall(r'<details class="(\w+)[^>]* open="">', became)
    assert opened == ["group", "line"]
    figure = re.search(r'<figure class="[^"]*" aria-label="bus-sag, pack"', became)[0]
    assert 'class="unfolded drawn"' in figure
    closed = re.search(r'aria-label="temperature-ceiling, front winding".*?</figure>', became, re.S)
    assert "main-svg" not in closed[0]


def test_the_run_at_a_glance_is_drawn_in_a_real_browser_with_other_roles_to_choose(tmp_path):
    became = dom(render(factory.failing()), tmp_path, "glance", at="glance")
    assert 'class="glance drawn"' in became
    assert '<label><input type="checkbox"> driver.pedal</label>' in became
    assert became.count('class="scatterlayer') == 4  # states, rpm, degrees, and the marks


def test_a_line_speaks_of_the_finding_that_is_nearest_to_its_limit():
    """Margins of 3 and 8 in parts of limits 10 and 100: 0.3 and 0.08, so the second is nearer."""
    far = replace(factory.SAG, subject="far", margin=3.0, limit=10.0)
    near = replace(factory.SAG, subject="near", margin=8.0, limit=100.0)
    plots = {f"bus-sag|{name}": factory.sag_plot() for name in ("near", "far")}
    html = bare(factory.whole(findings=(far, near), plots=plots))
    assert [line[2] for line in lines(html)] == ["near and 1 more"]
    assert len(charts(html)) == 1


def test_the_script_is_plotlys_own():
    from plotly.offline import get_plotlyjs

    from canscope.report.templating import plotly_js

    assert plotly_js().decode() == get_plotlyjs()


def test_every_event_is_told_between_its_two_samples_and_with_what_told_of_it():
    told = text_of(
        re.search(r'<section class="events">.*?</section>', bare(factory.whole()), re.S)[0]
    )
    assert "1.980 s to 2.000 s forward requested state" in told
    assert "front <link> came up to the pack's voltage inferred" in told


def test_what_began_before_the_recording_is_told_without_a_beginning():
    report = replace(factory.whole(), events=(RunEvent(None, 0.25, "it turned already", "speed"),))
    page = bare(report)
    told = text_of(re.search(r'<section class="events">.*?</section>', page, re.S)[0])
    assert "up to 0.250 s it turned already speed" in told


def test_what_a_burst_does_not_show_is_not_known_rather_than_none():
    """The rear's burst has neither a pack voltage nor a temperature."""
    page = bare(factory.whole())
    told = text_of(re.search(r'<section class="bursts">.*?</section>', page, re.S)[0])
    assert told.endswith("21 A not known not known")


def test_roles_that_nothing_cross_checks_are_listed():
    said = text_of(bare(factory.whole()))
    alone = said[said.index("Roles that nothing cross-checks") :][:400]
    assert "pack.voltage" in alone
    assert "compare it by hand" in alone
    assert "units.front.speed" not in alone
    # Witnesses and signs say nothing of a factor, and losses hide one that is too small.
    assert "a speed or torque that reads too small would not be noticed" in said
