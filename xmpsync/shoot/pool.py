"""Worker processes that may die: one job at a time each, so that a crash or a hang costs one frame, not the run.

Spawned, not forked (the decoder may be built with OpenMP). A worker that dies or overruns its time is replaced, and
its job comes back as a `Lost`. Results arrive in the order they are ready.
"""

from __future__ import annotations

import multiprocessing
import os
import time
import traceback
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from typing import Any, Generic, TypeVar, cast

from xmpsync.errors import XmpsyncError

READY = "ready"
START_TIMEOUT_S = 120.0
"""A slow disk and a virus scanner may take their time over the first import."""

J = TypeVar("J")
R = TypeVar("R")


class WorkersMissing(XmpsyncError):
    """The worker processes cannot be started."""


@dataclass(frozen=True, slots=True)
class Lost:
    """A job whose worker died or took too long, or (`alive`) met an error that nobody expected."""

    reason: str
    alive: bool = False


@dataclass(slots=True)
class _Worker(Generic[J]):
    process: SpawnProcess
    pipe: Connection
    job: J | None = None
    deadline_s: float = 0.0


def _nothing() -> None:
    """No preparation."""


def run_jobs(
    function: Callable[[J], R],
    jobs: Sequence[J],
    *,
    n_workers: int,
    timeout_s: float,
    prepare: Callable[[], None] = _nothing,
) -> Iterator[tuple[J, R | Lost]]:
    """Yield (job, result or `Lost`) for every job, as they get ready.

    `function` is a module-level function; it returns expected trouble as a value. `prepare`, one too, is called once
    in each new worker. Closing the iterator (Ctrl-C
    included) ends the workers; what was yielded before stays with the caller.
    """
    waiting = deque(jobs)
    workers: list[_Worker[J]] = []
    try:
        workers = [_start(function, prepare) for _ in range(min(n_workers, len(jobs)))]
        for worker in workers:
            _await_ready(worker)
            _give(worker, waiting, timeout_s)
        while any(worker.job is not None for worker in workers):
            busy = {worker.pipe: worker for worker in workers if worker.job is not None}
            first_deadline_s = min(worker.deadline_s for worker in busy.values())
            ready = wait(list(busy), timeout=max(0.0, first_deadline_s - time.monotonic()))
            finished = [busy[cast(Connection, pipe)] for pipe in ready]
            late = [w for w in busy.values() if w not in finished and w.deadline_s <= time.monotonic()]
            for worker in finished + late:
                job = worker.job
                assert job is not None
                outcome = _take(worker) if worker in finished else Lost(f"no result after {timeout_s:.0f} s")
                if isinstance(outcome, Lost) and not outcome.alive:
                    workers[workers.index(worker)] = worker = _replace(worker, function, prepare, wanted=bool(waiting))
                worker.job = None
                _give(worker, waiting, timeout_s)
                yield job, outcome
    finally:
        for worker in workers:
            _stop(worker)


def _start(function: Callable[[J], R], prepare: Callable[[], None]) -> _Worker[J]:
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(function, prepare, theirs), daemon=True)
    threads = os.environ.get("OMP_NUM_THREADS")
    os.environ["OMP_NUM_THREADS"] = "1"  # one decoder thread per worker: the frames are the parallel part
    try:
        process.start()
    finally:
        if threads is None:
            del os.environ["OMP_NUM_THREADS"]
        else:
            os.environ["OMP_NUM_THREADS"] = threads
    theirs.close()
    return _Worker(process, ours)


def _await_ready(worker: _Worker[J]) -> None:
    """A worker that cannot even start would be replaced for ever: stop with the reason instead."""
    try:
        if worker.pipe.poll(START_TIMEOUT_S) and worker.pipe.recv() == READY:
            return
    except (EOFError, OSError):
        pass
    raise WorkersMissing(
        "The worker processes that decode frames cannot be started.",
        next_step="A script of your own must call xmpsync below `if __name__ == '__main__':`: workers import it.",
    )


def _serve(function: Callable[[Any], Any], prepare: Callable[[], None], pipe: Connection) -> None:
    try:
        prepare()
        pipe.send(READY)
        while True:
            job = pipe.recv()
            try:
                outcome = function(job)
            except Exception as error:
                outcome = Lost(f"an internal error ({type(error).__name__}: {error}) at {_place(error)}", alive=True)
            pipe.send(outcome)
    except (EOFError, KeyboardInterrupt, BrokenPipeError):
        return


def _place(error: Exception) -> str:
    last = traceback.extract_tb(error.__traceback__)[-1]
    return f"{os.path.basename(last.filename)}:{last.lineno}"  # noqa: PTH119


def _give(worker: _Worker[J], waiting: deque[J], timeout_s: float) -> None:
    if waiting and worker.process.is_alive():
        worker.job = waiting.popleft()
        worker.deadline_s = time.monotonic() + timeout_s
        worker.pipe.send(worker.job)


def _take(worker: _Worker[J]) -> Any:
    try:
        return worker.pipe.recv()
    except (EOFError, OSError):
        worker.process.join(timeout=5)
        return Lost(f"the worker process ended unexpectedly (exit code {worker.process.exitcode})")


def _replace(
    worker: _Worker[J], function: Callable[[J], R], prepare: Callable[[], None], *, wanted: bool
) -> _Worker[J]:
    _stop(worker)
    if not wanted:
        return worker
    new = _start(function, prepare)
    _await_ready(new)
    return new


def _stop(worker: _Worker[J]) -> None:
    worker.pipe.close()
    if worker.process.is_alive():
        worker.process.terminate()
    worker.process.join(timeout=5)
    if worker.process.is_alive():
        worker.process.kill()
        worker.process.join()
