"""Several checks of one run at the same time, as a batch file or two people make them."""

import re
import subprocess
import sys


def test_four_checks_of_one_run_at_once_leave_four_reports_named_after_it(run):
    capture = run / "capture.log"
    capture.write_text("".join(capture.read_text().splitlines(keepends=True)[:600]))
    folder = run.rename(run.with_name("0007"))
    out = run.with_name("reports")
    words = [sys.executable, "-m", "canscope", "check", folder, "--out", out, "--report", "json"]
    words += ["--report", "junit", "--quiet"]
    checks = [subprocess.Popen(words, stderr=subprocess.PIPE) for _ in range(4)]
    for check in checks:
        assert check.communicate()[1] == b""
        assert check.returncode == 3
    names = sorted(path.name for path in out.iterdir())
    assert names == [f"0007-00{n}.{kind}" for n in (1, 2, 3, 4) for kind in ("json", "xml")]
    numbers = [re.search(r'"number": (\d+)', (out / name).read_text()) for name in names[::2]]
    assert [int(found[1]) for found in numbers if found] == [1, 2, 3, 4]
