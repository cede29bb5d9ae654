"""What a recorder states of its own stamps, through ``canscope check`` on a run folder.

The demo's front unit sends UnitFast every 10 ms, and cycle-time allows three cycles, 30 ms.
"""

import json

import pytest

LINES, AT = 3000, 1500  # of the capture, and where frames come late
STATED = "format = 1\n[clock]\nuncertainty_ms = 20.0\n[end]\nin_order = true\n"


def held_up(log, for_ms):
    """The beginning of a capture in which UnitFast of can1 was fetched late once."""
    kept, begin, late = [], None, []
    for number, line in enumerate(log.read_text().splitlines()[:LINES]):
        stamp, channel, frame = line.split()
        at_ms = 1000 * float(stamp[1:-1])
        if number >= AT and channel == "can1" and frame.startswith("2A0#"):
            begin = begin or at_ms
            if at_ms < begin + for_ms:
                late.append((begin + for_ms, f"{channel} {frame}"))
                continue
        kept.append((at_ms, f"{channel} {frame}"))
    assert late
    rows = sorted(kept + late, key=lambda row: row[0])
    log.write_text("".join(f"({at / 1000:.6f}) {rest}\n" for at, rest in rows))


@pytest.mark.parametrize(
    ("for_ms", "run_toml", "verdict"),
    [(35, "", "fail"), (35, STATED, "unproven"), (60, STATED, "fail"), (15, STATED, "pass")],
)
def test_an_interval_that_late_stamps_alone_may_have_made_too_long_fails_nobody(
    canscope, run, for_ms, run_toml, verdict
):
    """The last one before it came in time, so the interval is 10 ms longer than the delay."""
    held_up(run / "capture.log", for_ms)
    if run_toml:
        (run / "capture.log").rename(run / "capture-0001.log")
        (run / "run.toml").write_text(run_toml)
    to = run / "report.json"
    code, _, err = canscope("check", run, "--json", to, "--quiet")
    assert code in (1, 3), err
    findings = json.loads(to.read_text())["findings"]
    [found] = [f for f in findings if f["rule"] == "cycle-time" and f["subject"] == "can1:UnitFast"]
    assert found["verdict"] == verdict
    assert found["measured"] == pytest.approx(for_ms + 10, abs=2)


@pytest.mark.parametrize(
    "content", ["", "[clock]\nuncertainty_ms = 'some'\n", "[clock\n", "\0" * 99]
)
def test_papers_that_do_not_say_how_late_stamps_may_be_are_refused(canscope, run, content):
    """Without them more would pass than may."""
    (run / "run.toml").write_text(content)
    code, _, err = canscope("check", run)
    assert code == 2
    assert "run.toml: the papers of this run" in err
    assert "hint: copy the whole run folder again" in err
