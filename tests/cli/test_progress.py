"""The bar of a long reading, in a real terminal."""

import re

from tests.cli.test_record_screen import Terminal


def test_the_bar_tells_share_frames_speed_and_time_left(run):
    frames = len((run / "capture.log").read_text().splitlines())
    words = (
        "canscope",
        "check",
        run / "capture.log",
        "--plan",
        run / "plan.toml",
        "--out",
        run / "out",
    )
    terminal = Terminal(*words, "--quiet")
    assert terminal.end() == 0
    assert "reading" not in terminal.shown  # --quiet says only the verdict
    terminal = Terminal(*words)
    assert terminal.end() == 0
    assert "100 %" in terminal.shown
    assert f"{frames:,} frames, " in terminal.shown
    # A short capture may be read before there is a speed to reckon with.
    assert re.search(r" frames/s left (0?0:00|--:--)", terminal.shown)
