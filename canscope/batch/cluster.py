"""Runs over Dask's workers: one task a run, and an answer for each whatever becomes of its worker.

No more tasks are handed out than there are workers, so the death of a worker concerns one run: its
task goes to another worker, and only a run that took several workers with it is given up.
"""

from __future__ import annotations

import logging
import os
import queue
import re
import signal
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from multiprocessing import resource_tracker
from typing import TYPE_CHECKING
from uuid import uuid4

from canscope.batch.task import Terms, judged
from canscope.model.batch import NOT_JUDGED, BatchRun
from canscope.model.errors import CanscopeError

if TYPE_CHECKING:
    from distributed import Client, Future

ADDRESS = re.compile(r"(?:(?:tcp|tls)://)?[^/\s]+:\d+")
CONNECT_S, EMPTY_S = 10.0, 60.0  # until a scheduler answers; without any worker
GLANCE_S = 2.0  # between looks at whether there still are workers


@contextmanager
def workers(count: int | None, scheduler: str | None, *, most: int) -> Iterator[Client]:
    """A client of an existing scheduler, else of ``count`` processes of its own on this machine.

    Without a ``count`` there are as many as processors, and never more than ``most``.

    Raises ``CanscopeError`` if Dask is not installed, or nobody answers at that address.
    """
    try:
        from dask.system import CPU_COUNT
        from distributed import LocalCluster  # noqa: F401 (whether it is there)
    except ImportError as error:
        hint = "pip install 'canscope[batch]'"
        raise CanscopeError("a batch needs Dask's distributed", hint=hint) from error
    with (
        _nothing_logged(),
        _existing(scheduler) if scheduler else _own(min(count or CPU_COUNT, most)) as client,
    ):
        yield client


@contextmanager
def _nothing_logged() -> Iterator[None]:
    """What happens to workers is told in our own words, and not in Dask's log."""
    before = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        yield
    finally:
        logging.disable(before)


@contextmanager
def _existing(scheduler: str) -> Iterator[Client]:
    from distributed import Client

    if not ADDRESS.fullmatch(scheduler):
        hint = "as dask scheduler prints it: tcp://127.0.0.1:8786"
        raise CanscopeError(f"{scheduler!r} is no address of a scheduler", hint=hint)
    try:
        client = Client(scheduler, timeout=CONNECT_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        hint = "start one, which prints it: dask scheduler --host 127.0.0.1 --no-dashboard"
        raise CanscopeError(f"no scheduler answers at {scheduler}", hint=hint) from error
    with client:
        yield client


@contextmanager
def _own(count: int) -> Iterator[Client]:
    """They listen on 127.0.0.1 only, and answer nobody without a certificate of this batch."""
    import dask
    from distributed import Client, LocalCluster, Security

    plain: dict[str, list[str] | bool] = {
        "distributed.scheduler.http.routes": [],
        "distributed.worker.http.routes": [],
        "distributed.worker.profile.enabled": False,  # it looks at every worker 100 times a second
    }
    with (
        dask.config.set(plain),
        tempfile.TemporaryDirectory(prefix="canscope-", ignore_cleanup_errors=True) as scratch,
    ):
        with _leaving_the_keyboard_to_us():
            cluster = LocalCluster(
                n_workers=count,
                threads_per_worker=1,
                host="127.0.0.1",
                dashboard_address=None,
                security=Security.temporary(),
                local_directory=scratch,
                silence_logs=logging.CRITICAL,
            )
        with cluster, Client(cluster, set_as_default=False) as client:
            yield client


@contextmanager
def _leaving_the_keyboard_to_us() -> Iterator[None]:
    """Threads and processes begun in here never hear Ctrl-C; this thread hears it afterwards.

    A terminal sends it to all of them, and workers would answer with their tracebacks.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # which else would let signals through again
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})


def answers(client: Client, names: Sequence[str], terms: Terms) -> Iterator[BatchRun]:
    """What becomes of each run, in the order in which they are done."""
    done: queue.SimpleQueue[Future] = queue.SimpleQueue()
    batch = uuid4().hex  # two batches may share a scheduler
    waiting = list(reversed(names))
    pending: dict[str, tuple[str, Future]] = {}
    last_seen = time.monotonic()  # of any worker
    why_not = ""
    while waiting or pending:
        count = _workers(client)
        while waiting and len(pending) < count:
            name = waiting.pop()
            path = os.path.abspath(name)
            future = client.submit(judged, name, path, terms, key=f"{batch}-{len(waiting)}")
            pending[future.key] = name, future
            future.add_done_callback(done.put)
        try:
            future = done.get(timeout=GLANCE_S)
        except queue.Empty:
            if count:
                last_seen = time.monotonic()
            elif time.monotonic() - last_seen > EMPTY_S:
                why_not = f"there was no worker for {EMPTY_S:.0f} s"
                break
            continue
        last_seen = time.monotonic()
        name, _ = pending.pop(future.key)
        if future.status == "cancelled":
            pending[future.key] = name, future
            why_not = "the scheduler went away"
            break
        yield _answer(name, future)
    for name in [*(name for name, _ in pending.values()), *reversed(waiting)]:
        yield BatchRun(name, NOT_JUDGED, f"{why_not}; the same command goes on from here")


def _workers(client: Client) -> int:
    """How many there are, at least one: a run that waits finds the next one that comes."""
    try:
        return len(client.nthreads())
    except (OSError, TimeoutError):
        return 0


def _answer(name: str, future: Future) -> BatchRun:
    from distributed import KilledWorker

    error = future.exception() if future.status == "error" else None
    if error is None:
        run: BatchRun = future.result()
        return run
    if isinstance(error, KilledWorker):
        count = error.allowed_failures + 1
        what = f"{count} worker{'' if count == 1 else 's'} died while judging it"
        hint = "out of memory, or a bug; try it alone with canscope check"
        return BatchRun(name, NOT_JUDGED, f"{what}\n  hint: {hint}")
    what = f"a bug, or a worker that lacks something: {type(error).__name__}: {error}"
    hint = "try it alone with canscope check, and tell us what it prints"
    return BatchRun(name, NOT_JUDGED, f"{what}\n  hint: {hint}")
