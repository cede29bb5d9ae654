"""One run from Before to its report, with the page alone: nothing is lost on the way.

The run is the demo vehicle's with its front axle turning the wrong way: the report has to fail it.
"""

import json
import os
import re
import signal
import time

import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.bench.stand import end_run, is_alive
from tests.live.stand import made, wait_for

NOTE = "<img src=x onerror=document.title='run'>"
WIDTHS = (390, 1280, 1920)


@pytest.fixture(scope="module")
def vehicle(tmp_path_factory):
    """A folder with the capture and the plan of a faulty run; its name is hostile as well."""
    folder = tmp_path_factory.mktemp("vehicle")
    files = made(folder / "spin", "front-axle-wrong-way", until_s=100.0)
    text = files.plan.read_text("utf-8")
    named, count = re.subn(r"vehicle +=.*", f'vehicle = "{NOTE}"', text)
    assert count == 1
    files.plan.write_text(named, "utf-8")
    return folder


def word(page, wanted, seconds=30):
    """Wait until the page's big word is this one."""
    page.wait_for_function(
        "w => document.getElementById('word').textContent === w", arg=wanted, timeout=1000 * seconds
    )


def shows_all_alarms(page):
    """On a machine that is busy there are more than the first ones."""
    page.locator("#all-alarms").evaluate("box => { box.checked = true; }")


def accessible(page):
    """Nothing that axe finds at the levels A and AA."""
    run_only = {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
    found = Axe().run(page, options={"runOnly": run_only}).response["violations"]
    return [(one["id"], [node["target"] for node in one["nodes"]]) for one in found]


def fits(page):
    """Nothing has to be scrolled sideways, at any of the widths."""
    wide = []
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 844})
        if page.evaluate("document.documentElement.scrollWidth > innerWidth"):
            wide.append(width)
    return wide


def start(page, speed):
    """Fill in Before by the keyboard alone and begin a rehearsal."""
    page.get_by_label("A rehearsal").focus()
    page.keyboard.press("Space")
    page.locator("#capture").select_option("spin/capture.log")
    page.get_by_label("Speed").select_option(speed)
    page.get_by_role("button", name="Record").focus()
    page.keyboard.press("Enter")
    page.get_by_text("the cautions were not all acknowledged").wait_for()
    for caution in page.locator("[name=caution]").all():
        caution.focus()
        page.keyboard.press("Space")
    page.get_by_role("button", name="Sound test").press("Enter")
    page.get_by_label("It was heard").press("Space")
    page.get_by_label("Who records").fill("A. Tester")
    assert page.locator("#ready .not").count() == 0
    page.get_by_role("button", name="Record").press("Enter")
    page.wait_for_url("**/during", timeout=60_000)


def test_a_faulty_run_from_before_to_its_report_with_the_page_alone(vehicle, look, serve):
    server = serve(vehicle, "--plan", "spin/plan.toml")
    page = look(server)
    page.get_by_text(NOTE).first.wait_for()  # shown as it is written, and not run
    assert (accessible(page), fits(page)) == ([], [])
    start(page, "1")

    # The alarm is seen and heard.
    word(page, "STOP")
    shows_all_alarms(page)
    page.get_by_text("turned against the requested direction").first.wait_for(timeout=30_000)
    rang = "() => document.documentElement.dataset.sound === 'on' && dataset.rung > 0"
    page.wait_for_function(rang.replace("dataset.rung", "document.documentElement.dataset.rung"))
    assert (accessible(page), fits(page)) == ([], [])

    # It is latched: a reload, the end of the server and a new one change nothing.
    page.reload()
    word(page, "STOP")
    shows_all_alarms(page)
    alarm = page.locator("#alarms li.stop", has_text="turned against the requested direction")
    alarm.first.wait_for()
    server.end()
    page.locator("#order", has_text="This page no longer knows").wait_for(timeout=10_000)
    assert page.locator("body.lost").count() == 1
    again = serve(vehicle, port=server.port)
    assert again.token == server.token
    page.locator("body:not(.lost)").wait_for(timeout=10_000)
    alarm.first.wait_for()

    # A second tab says the same, and what is done there is done.
    other = page.context.new_page()
    other.goto(again.url + "/during")
    word(other, "STOP")
    other.keyboard.press("Space")
    done = "() => state.alarms.some((a) => a.rule === 'axle-direction' && a.acknowledged)"
    page.wait_for_function(done)
    other.close()

    # Marks by single keys: seen, asked, a note, a reading.
    page.keyboard.press("1")
    page.keyboard.press("r")
    page.locator("#marks li", has_text="front wheel seen: reverse").wait_for()
    page.keyboard.press("n")
    page.get_by_label("Note", exact=True).fill(NOTE)
    page.keyboard.press("Enter")
    page.locator("#marks li", has_text=NOTE).wait_for()
    page.keyboard.press("m")
    page.get_by_label("What was read").select_option("pack.voltage")
    dialog = page.get_by_role("dialog")
    for label, text in (("It says", "358,1"), ("Instrument", "voltmeter 3"), ("May be off", "0.5")):
        dialog.get_by_label(label).fill(text)
    dialog.get_by_label("Read by").fill("A. Tester")
    page.keyboard.press("Enter")
    page.locator("#marks li", has_text="pack.voltage 358.1 V").wait_for()
    lines = (vehicle / "runs/0001/marks.jsonl").read_text("utf-8").splitlines()
    marks = [json.loads(line) for line in lines]
    assert [mark.get("seen") or mark.get("text") or mark["value"] for mark in marks] == [
        "reverse",
        NOTE,
        358.1,
    ]

    # The end, and the report.
    page.keyboard.press("e")
    page.get_by_role("button", name="End the recording").press("Enter")
    page.locator("#result .verdict", has_text="FAIL").wait_for(timeout=60_000)
    assert (accessible(page), fits(page)) == ([], [])
    page.get_by_role("link", name="Open the report").click()
    page.get_by_text("axle-direction").first.wait_for()
    assert page.title() != "run"
    papers = (vehicle / "runs/0001/run.toml").read_text("utf-8")
    assert "6 acknowledged by A. Tester" in papers
    assert 'reason = "ended at the page"' in papers


def test_a_run_goes_on_without_a_page_and_says_that_nobody_looked(tmp_path, serve):
    """Five seconds without a page that asks are a STOP, which waits for the person."""
    made(tmp_path, "hot-while-dry", until_s=30.0)
    server = serve(tmp_path)
    page = json.loads(server.ask("/before/earlier?plan=plan.toml")[2])
    assert page["said"] == ["no earlier run of this vehicle"]
    wanted = server.rehearsal(tmp_path, speed="1")
    started = server.post("/before/start", wanted)
    assert started == (201, {"go": "/during"})
    assert server.post("/before/start", wanted)[0] == 400  # one at a time
    time.sleep(5.5)
    state = server.state()
    assert "no page has shown this run" in " ".join(alarm["text"] for alarm in state["alarms"])
    assert state["word"] == "STOP"
    assert end_run(server)["verdict"] in ("fail", "unproven")
    attendant = server.attendant()  # it keeps the result for a page, and goes when it is told to
    os.kill(attendant, signal.SIGTERM)
    wait_for(lambda: not is_alive(attendant))


def test_where_nobody_judges_any_more_the_page_says_stop_and_stays_at_it(tmp_path, serve, look):
    made(tmp_path, "hot-while-dry", until_s=30.0)
    server = serve(tmp_path)
    assert server.post("/before/start", server.rehearsal(tmp_path, speed="1"))[0] == 201
    page = look(server, "/during")
    page.locator("#rec", has_text="RECORDING").wait_for()
    os.kill(server.attendant(), signal.SIGKILL)
    lost = page.locator("body.lost #order", has_text="the process that attends the run died")
    lost.wait_for(timeout=10_000)
    page.wait_for_timeout(1500)
    assert page.locator("#word").text_content() == "STOP"
    assert lost.count() == 1


def test_what_makes_no_sense_is_refused_in_words(serve, tmp_path):
    made(tmp_path, "hot-while-dry", until_s=3.0)
    server = serve(tmp_path)
    wanted = server.rehearsal(tmp_path)
    for change, said in (
        ({"cautions": wanted["cautions"][1:]}, "cautions"),
        ({"who": " "}, "who records"),
        ({"replay": "../capture.log"}, "not inside the folder"),
        ({"replay": "", "buses": {}}, "no bus"),
        ({"replay": "", "buses": {"can0": "virtual:x", "can0 x": "virtual:y"}}, "name a bus"),
        ({"replay": "", "buses": {"can0": "replay:/etc/passwd"}}, "no adapter"),
        ({"replay": "", "buses": {"can0": "slcan:/dev/null"}}, "can0=slcan:/dev/null"),
        ({"speed": "1000"}, "no speed"),
        ({"plan": "gone.toml"}, "no such file"),
    ):
        status, answer = server.post("/before/start", {**wanted, **change})
        assert (status in (400, 404), said in answer["error"]) == (True, True), (answer, said)
    assert not (tmp_path / "runs").exists() or not [*(tmp_path / "runs").iterdir()]
    assert server.ask("/during/now")[0] == 410


def test_the_terminal_and_the_page_say_the_same():
    """Both take word, order and alarms from one place; see canscope.attending."""
    from canscope.attending import words
    from canscope.bench import state
    from canscope.cli import _live_view

    assert state.order is _live_view.order is words.order
