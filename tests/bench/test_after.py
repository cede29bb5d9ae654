"""After, in a real browser: files in, verdict, report and curves out, by keyboard alone.

Expected: the simulator's fault ``front-axle-wrong-way`` fails axle-direction; the numbers of the
small capture are worked by hand beside it.
"""

import json
import os
import re
import time
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run
from tests.bench.stand import Server, is_alive

HOSTILE = "&lt;img src=x onerror=window.hit=1&gt;"
KCD = f"""<?xml version="1.0"?>
<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0"><Document name="x"/>
<Bus name="can0"><Message id="0x100" name="Unit" length="8">
<Signal name="{HOSTILE}" offset="0" length="16"><Value unit="{HOSTILE}"/></Signal>
<Signal name="Ready" offset="16"/>
</Message></Bus></NetworkDefinition>
"""
SERIOUS = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa")


def small_capture():
    """20 Hz for 100 s, silent from 40 to 60 s; counts up by 1, but 9000 at 80.05 s alone."""
    found = []
    for number in range(2000):
        if 800 < number < 1200:
            continue
        value = 9000 if number == 1601 else number
        data = value.to_bytes(2, "little").hex().upper() + f"{number // 100 % 2:02X}0000000000"
        found.append(f"({1_700_000_000 + number / 20:.6f}) can0 100#{data}\n")
    return "".join(found)


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """What a person has on a stick: a faulty run, its plan and definitions."""
    folder = tmp_path_factory.mktemp("stick")
    write_run(make_run(fault="front-axle-wrong-way"), folder)
    return [path for path in folder.iterdir() if path.name != "truth.csv"]


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    (folder / "small.log").write_text(small_capture())
    (folder / "small.kcd").write_text(KCD)
    one = Server(folder)
    yield one
    one.end()


def drawn(page):
    page.wait_for_selector("#canvas[data-round]:not([data-round='0'])")


def accessible(page):
    """No violation of WCAG 2.2 AA that axe-core knows of."""
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": list(SERIOUS)}})
    assert found.violations_count == 0, found.generate_report()


def test_files_that_are_sent_are_checked_shown_and_recorded_by_keyboard_alone(server, look, files):
    page = look(server, "/after")
    accessible(page)
    page.set_input_files("#files", files)
    expect(page.locator("#sent")).to_contain_text(": here")
    assert page.input_value("#plan").endswith("plan.toml")
    page.focus("#check button")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile("/after/look"), timeout=60_000)
    assert page.inner_text(".verdict .verdict-word").strip() == "FAIL"
    assert "front axle turned against the requested direction" in page.inner_text(".verdict")
    drawn(page)
    whole = page.inner_text("#span")

    page.focus("#canvas")
    page.keyboard.press("n")  # the first finding, with what every signal read at it
    rows = page.locator("#readout")
    expect(rows).to_contain_text(
        re.compile(r"front speed: can1:UnitFast.MotorSpeed\s*-6\d\d.* rpm")
    )
    expect(rows).to_contain_text(re.compile(r"direction: can0:Cabin.Direction\s*forward"))
    near = page.inner_text("#span")
    assert near != whole
    page.keyboard.press("ArrowRight")
    assert page.inner_text("#span") != near
    page.keyboard.press("-")
    page.keyboard.press("Home")
    assert page.inner_text("#span") == whole
    page.keyboard.press("+")
    closer = page.inner_text("#span")
    page.wait_for_timeout(600)
    page.reload()
    drawn(page)
    assert page.inner_text("#span") == closer

    page.set_viewport_size({"width": 390, "height": 800})
    page.wait_for_timeout(300)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    accessible(page)

    page.click("text=Read the whole report")
    page.wait_for_selector("text=Test report")
    assert page.evaluate("origin") == "null"  # it belongs to no site

    page = look(server, "/after")
    assert page.locator(".runs td[data-name=verdict]").inner_text().strip().startswith("FAIL")
    page.click("text=Build record of received")
    page.wait_for_url(re.compile(r"/documents/received/reports/build-record\.html"), timeout=60_000)
    assert "Build record" in page.inner_text("h1")


def test_curves_without_a_plan_show_spikes_silences_and_names_as_they_are(server, look):
    query = "capture=small.log&definitions=small.kcd"
    page = look(server, f"/after/look?{query}")
    drawn(page)
    name = page.inner_text("#readout th >> nth=0")
    assert name == "can0:Unit.<img src=x onerror=window.hit=1>"
    assert page.evaluate("window.hit") is None
    assert page.locator("#again").count() == 0

    page.focus("#canvas")
    readings = ((30, "600 ", "0"), (50, "nothing came", "nothing came"), (80.04, "9000 ", "0"))
    for second, number, ready in readings:  # 20 Hz x 30 s; the one spike; 0 for 5 s, 1 for 5 s
        page.evaluate(f"location.hash = 'from={second - 1}&until={second + 1}'")
        page.keyboard.press("Escape")
        page.keyboard.press("Shift+ArrowRight")  # from the middle by a hundredth of 2 s
        expect(page.locator("#readout td >> nth=0")).to_contain_text(number)
        expect(page.locator("#readout td >> nth=1")).to_have_text(ready)


def test_a_window_has_few_points_and_keeps_the_spike(server):
    order = {"capture": ["small.log"], "definitions": ["small.kcd"]}
    ended(server, posted(server, "/after/jobs", order)[1]["id"])
    asked = "capture=small.log&definitions=small.kcd&from=0&until=100&width=64"
    status, _, body = server.ask(f"/after/curves?{asked}&key=can0:Unit.Ready")
    ready = json.loads(body)["curves"][0]
    assert (status, ready["states"], len(ready["t"])) == (200, True, 17)
    # It changes each 5 s: 0, 5 ... 40, 65 ... 95 (at 60 s it is as it was at 40 s), and its last.
    known = json.loads(server.ask("/after/signals?" + asked)[2])
    assert known["until"] == 99.95
    key = next(one["key"] for one in known["signals"] if not one["states"])
    from urllib.parse import quote

    curve = json.loads(server.ask(f"/after/curves?{asked}&key={quote(key)}")[2])["curves"][0]
    assert len(curve["t"]) <= 2 * 64 + 2
    assert (max(curve["v"]), curve["gaps"]) == (9000, [[40, 60]])


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("/after/look?capture=../secret.log", "not inside the folder"),
        ("/after/look?capture=nowhere.log", "no such file"),
        ("/after/look", "no recording is named"),
        ("/after/curves?capture=small.log&from=0&until=1", "nothing says what is in it"),
        ("/after/curves?capture=small.log&definitions=small.kcd&from=1&until=0", "less than until"),
        ("/after/jobs/none", "not known here"),
    ],
)
def test_what_cannot_be_shown_is_said(server, path, said):
    status, _, body = server.ask(path)
    assert status in (400, 404)
    assert said in json.loads(body)["text"]


def test_mistakes_and_crashes_of_the_work_are_told(server, look):
    (server.folder / "bad").mkdir()
    (server.folder / "bad" / "bad.toml").write_text('format = 1\n[job]\nstage = "dry-spn"\n')
    page = look(server, "/after")
    page.select_option("#capture", "small.log")
    page.select_option("#plan", "bad/bad.toml")
    page.click("#check button")
    page.wait_for_selector("#wrong:not([hidden])")
    assert re.search(r"bad\.toml:3: .*dry-spn", page.inner_text("#wrong"))

    os.mkfifo(server.folder / "endless.log")  # nobody ever writes into it
    order = {"capture": ["endless.log"], "definitions": ["small.kcd"]}
    job = posted(server, "/after/jobs", order)[1]["id"]
    status, refused = posted(server, "/after/jobs", order)
    assert (status, refused["error"]) == (400, "other work is running: endless.log")
    while not (child := children(server)):
        time.sleep(0.05)
    os.kill(max(child), 9)
    assert "ended by itself (signal 9, SIGKILL)" in ended(server, job)["error"]["what"]

    job = posted(server, "/after/jobs", order)[1]["id"]
    posted(server, f"/after/jobs/{job}/end", {})
    assert "ended as you asked" in ended(server, job)["error"]["what"]
    (server.folder / "endless.log").unlink()


def test_work_ends_with_a_server_that_is_killed_and_odd_names_harm_nothing(tmp_path):
    os.mkfifo(tmp_path / "endless.log")
    (tmp_path / "small.kcd").write_text(KCD)
    (tmp_path / "a % b#?.log").write_text("")
    (tmp_path / os.fsdecode(b"\xff.log")).write_text("")
    server = Server(tmp_path)
    (tmp_path / "runs" / "0001").mkdir(parents=True)  # a run that is being recorded
    (tmp_path / "runs" / "0001" / "capture.log").write_text(small_capture())
    (tmp_path / "runs" / "0001" / "plan.toml").write_text("format = 1\n")
    status, _, shown = server.ask("/after")
    shown = shown.decode()
    assert status == 200
    assert "not checked yet" in shown
    assert "a % b#?.log" in shown
    assert "their names are no text: 1 files" in shown
    posted(server, "/after/jobs", {"capture": ["endless.log"], "definitions": ["small.kcd"]})
    while not (child := children(server)):
        time.sleep(0.05)
    server.process.kill()
    server.end()
    until = time.monotonic() + 20
    while is_alive(child[0]):
        assert time.monotonic() < until
        time.sleep(0.05)


def posted(server, path, body):
    status, _, said = server.ask(path, "POST", json.dumps(body).encode())
    return status, json.loads(said)


def ended(server, job):
    """What is known of a job once it has come to its end."""
    while not {"done", "error"} & (state := json.loads(server.ask(f"/after/jobs/{job}")[2])).keys():
        time.sleep(0.05)
    return state


def children(server):
    pid = server.process.pid
    found = []
    for task in Path(f"/proc/{pid}/task").iterdir():
        found += (task / "children").read_text().split()
    return [int(child) for child in found]


def test_received_files_that_belong_together_keep_their_names(server):
    for _ in range(2):
        server.ask("/files/unit.dbc", "PUT", b"first")
    asked = {"files": [{"name": "received/unit-2.dbc", "as": "unit.dbc"}]}
    status, said = posted(server, "/after/together", asked)
    assert status == 201
    assert (server.folder / said["folder"] / "unit.dbc").read_bytes() == b"first"
    for name, wanted in (("small.log", "a.log"), ("received/unit.dbc", "../../out.dbc")):
        status, said = posted(server, "/after/together", {"files": [{"name": name, "as": wanted}]})
        assert status == 400 or Path(said["folder"]).parent == Path("received")
    assert not (server.folder.parent / "out.dbc").exists()
    assert (server.folder / "small.log").exists()
