"""A batch over real worker processes: stopped, gone on with, killed in the middle."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor

import dask
import distributed
import pandas as pd
import psutil
import pytest

from canscope.batch.task import JUDGED
from canscope.cli.main import main
from tests.batch.conftest import findings_of
from tests.cli.test_record_screen import Terminal

STATES = {"healthy": "pass", "cut": "unproven", "low-supply": "fail", "notes": "not judged"}


def words(bench, out, *more, also=()):
    plan = bench / "plan" / "plan.toml"
    return [str(w) for w in ("batch", bench / "runs", *also, "--plan", plan, "--to", out, *more)]


def rows_of(out):
    index = json.loads((out / "index.json").read_bytes())
    return {os.path.basename(run["name"]).split(".")[0]: run for run in index["runs"]}


def law(out, alone):
    """Each result is what ``check`` gives of that run alone."""
    results = {run["name"].rpartition("/")[2]: run["result"] for run in rows_of(out).values()}
    assert {name for name, path in results.items() if path} == set(alone)
    for name, report in alone.items():
        assert findings_of(out / results[name]) == report


def each(processes, does):
    """Do this to each of them that still runs."""
    for process in processes:
        with contextlib.suppress(psutil.NoSuchProcess):
            does(process)


def stopped(bench, out):
    """The exit code of a batch that Ctrl-C is sent to after its first run; all of it has ended."""
    terminal = Terminal("canscope", *words(bench, out, "--workers", "1"))
    terminal.wait_for("0 of 4 runs", 600)  # the workers are there
    own = psutil.Process(terminal.process.pid)
    processes = [own, *own.children(recursive=True)]
    listening = [c for p in processes for c in p.net_connections() if c.status == "LISTEN"]
    assert len(listening) >= 3
    assert {c.laddr.ip for c in listening} == {"127.0.0.1"}
    # What the screen says comes late where the machine is busy: by then all runs may be over.
    end = time.monotonic() + 600
    while not any((out / JUDGED).glob("cut*.json")):
        assert time.monotonic() < end
        time.sleep(0.005)
    time.sleep(0.1)  # in which the batch hears of it; the next run takes several times as long
    # The workers wait until the batch has heard the keyboard, which takes long on a busy machine.
    each(processes[1:], psutil.Process.suspend)
    each(processes, lambda process: process.send_signal(signal.SIGINT))  # as a terminal does
    time.sleep(2.0)
    each(processes[1:], psutil.Process.resume)
    code = terminal.end()
    assert "Traceback" not in terminal.shown
    assert (code == 2) == ("stopped by the keyboard" in terminal.shown)
    psutil.wait_procs(processes, timeout=30)
    assert not [p for p in processes if p.is_running()]
    return code


def test_a_batch_that_is_stopped_goes_on_and_finds_what_check_finds(
    bench, alone, tmp_path, capsys, monkeypatch
):
    for attempt in range(5):  # short runs may be over before the keyboard is heard
        out = tmp_path / f"out{attempt}"
        if stopped(bench, out) == 2:
            break
    assert not (out / "index.html").exists()

    # Goes on, with a further run that takes its worker with it.
    deadly = bench / "deadly.log"
    deadly.write_bytes((bench / "runs" / "cut.log").read_bytes())

    def judge(name, path, terms):  # nested, so that it travels to the workers as it is
        import os

        from canscope.batch.task import judged

        if "deadly" in name:
            os._exit(9)
        return judged(name, path, terms)

    monkeypatch.setattr("canscope.batch.cluster.judged", judge)
    with dask.config.set({"distributed.scheduler.allowed-failures": 0}):
        assert main(words(bench, out, "--workers", "1", also=[deadly])) == 1
    printed = capsys.readouterr()
    assert "Traceback" not in printed.err
    assert "fail 1, unproven 1, not judged 2, pass 1, of 5 runs" in printed.out
    rows = rows_of(out)
    assert {name: row["state"] for name, row in rows.items()} == {**STATES, "deadly": "not judged"}
    assert rows["cut"]["work"]["earlier"]  # the first one, which had been judged
    assert "1 worker died" in rows["deadly"]["reason"]
    assert "not like a capture" in rows["notes"]["reason"]
    law(out, alone)

    runs = pd.read_parquet(out / "runs.parquet")
    assert [*runs.state] == ["unproven", "pass", "fail", "not judged", "not judged"]
    findings = pd.read_parquet(out / "findings.parquet")
    told = [
        f for name in ("cut.log", "healthy.log", "low-supply.log") for f in alone[name]["findings"]
    ]
    assert [*findings.rule] == [f["rule"] for f in told]
    assert [*findings.verdict] == [f["verdict"] for f in told]
    assert findings.measured.tolist() == pytest.approx(
        [float("nan") if f["measured"] is None else f["measured"] for f in told], nan_ok=True
    )


@pytest.fixture
def scheduler(tmp_path):
    """A scheduler of its own with two workers that work elsewhere: its address and processes."""
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    file = elsewhere / "scheduler.json"
    here = ["--host", "127.0.0.1", "--no-dashboard"]
    module = [sys.executable, "-m", "distributed.cli.dask_scheduler"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": elsewhere}
    began = [subprocess.Popen([*module, *here, "--port", "0", "--scheduler-file", file], **quiet)]
    module[2] = "distributed.cli.dask_worker"
    module += [*here, "--scheduler-file", file, "--no-nanny", "--nthreads", "1"]
    began += [subprocess.Popen(module, **quiet) for _ in range(2)]
    end = time.monotonic() + 120
    while not file.exists():
        assert time.monotonic() < end
        time.sleep(0.05)
    yield json.loads(file.read_text())["address"], began
    for process in began:
        process.kill()
        process.wait()


def test_a_run_whose_worker_is_killed_is_done_by_the_other(
    bench, alone, tmp_path, scheduler, capsys, monkeypatch
):
    address, (first, *workers) = scheduler
    out = tmp_path / "out"
    with ThreadPoolExecutor() as aside, distributed.Client(address) as client:
        client.wait_for_workers(2, timeout=120)
        batch = aside.submit(main, words(bench, out, "--scheduler", address, "--quiet"))
        killed, key = stopped_in_the_middle(client, workers)
        killed.kill()
        assert batch.result(timeout=240) == 1
    rows = rows_of(out)
    assert {name: row["state"] for name, row in rows.items()} == STATES
    (other,) = (worker for worker in workers if worker is not killed)
    number = int(key.rpartition("-")[2])  # of the run, counted from the last
    run = [*rows.values()][-1 - number]
    assert run["work"]["worker"] == f"process {other.pid}"
    law(out, alone)

    # Without any worker it ends and says so; without a scheduler it does not begin.
    other.kill()
    other.wait()
    monkeypatch.setattr("canscope.batch.cluster.EMPTY_S", 1.0)
    none, fewer = tmp_path / "none", ["--scheduler", address]
    assert main(words(bench, none, *fewer)) == 2
    reasons = {row["reason"] for row in rows_of(none).values()}
    assert reasons == {"there was no worker for 1 s; the same command goes on from here"}
    first.kill()
    first.wait()
    monkeypatch.setattr("canscope.batch.cluster.CONNECT_S", 1.0)
    assert main(words(bench, none, *fewer)) == 2
    assert f"no scheduler answers at {address}" in capsys.readouterr().err


def stopped_in_the_middle(client, workers):
    """A worker that stands still with a run in its hands, and the key of that run's task."""
    addresses = {pid: address for address, pid in client.run(os.getpid).items()}
    end = time.monotonic() + 120
    while time.monotonic() < end:
        for worker in workers:
            address = addresses[worker.pid]
            if not client.processing()[address]:
                continue
            worker.send_signal(signal.SIGSTOP)
            time.sleep(0.3)  # what it had said before arrives
            if keys := client.processing()[address]:
                return worker, keys[0]
            worker.send_signal(signal.SIGCONT)
    raise AssertionError("no worker was ever seen at work")
