"""Worker processes that may die: one job at a time each, so that a crash or a hang costs one frame, not the run.

Spawned, not forked (the decoder may be built with OpenMP). A worker that dies or overruns its time is replaced, and
its job comes back as a `Lost`. Results arrive in the order they are ready.
"""

from __future__ import annotations

import multiprocessing
import os
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
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
    """`deadline_s`: of its job, or, before it is `ready`, of its start."""

    process: SpawnProcess
    pipe: Connection
    deadline_s: float
    ready: bool = False
    job: J | None = None


@dataclass(slots=True)
class _Queue(Generic[J]):
    """Jobs in order, and how many of them are given out and announced."""

    jobs: Sequence[J]
    announce: Callable[[J], None]
    n_ahead: int
    at: int = 0
    announced: int = 0

    @property
    def waiting(self) -> bool:
        return self.at < len(self.jobs)

    def next(self) -> J:
        """The next job; those behind it are announced."""
        job = self.jobs[self.at]
        self.at += 1
        self.announced = max(self.announced, self.at)
        for coming in self.jobs[self.announced : self.at + self.n_ahead]:
            self.announce(coming)
            self.announced += 1
        return job


class Idle(Generic[J]):
    """One worker that waits between calls of `run_jobs` with the same function: its next job starts at once.

    Whoever makes one closes it; a worker whose caller is gone ends by itself.
    """

    def __init__(self) -> None:
        self._worker: _Worker[J] | None = None

    def take(self) -> list[_Worker[J]]:
        """The worker, if there is one and it is alive; it is the caller's from now on."""
        worker, self._worker = self._worker, None
        if worker is not None and not worker.process.is_alive():
            _stop(worker)
            return []
        return [worker] if worker is not None else []

    def keep(self, worker: _Worker[J]) -> None:
        """Let this one wait; one that waits already ends."""
        self.close()
        self._worker = worker

    def close(self) -> None:
        """End the worker."""
        if self._worker is not None:
            _stop(self._worker)
            self._worker = None


def _nothing() -> None:
    """No preparation."""


def _ignored(_: object) -> None:
    """No announcement."""


def run_jobs(
    function: Callable[[J], R],
    jobs: Sequence[J],
    *,
    n_workers: int,
    timeout_s: float,
    prepare: Callable[[], None] = _nothing,
    announce: Callable[[J], None] = _ignored,
    idle: Idle[J] | None = None,
) -> Iterator[tuple[J, R | Lost]]:
    """Yield (job, result or `Lost`) for every job, as they get ready.

    `function` is a module-level function; it returns expected trouble as a value. `prepare`, one too, is called once
    in each new worker. `announce` is called here with each job some time before its turn, as many ahead as there are
    workers, in order. A worker that is `idle` is used first, and one waits there afterwards. Closing the iterator
    (Ctrl-C included) ends the workers; what was yielded before stays with the caller.

    Raises WorkersMissing where a worker does not start.
    """
    n_workers = min(n_workers, len(jobs))
    waiting = _Queue(jobs, announce, n_workers)
    workers: list[_Worker[J]] = []
    try:
        workers = idle.take() if idle is not None else []
        for worker in workers:
            _give(worker, waiting, timeout_s)
        workers += [_start(function, prepare) for _ in range(n_workers - len(workers))]
        while waiting.waiting or any(worker.job is not None for worker in workers):
            busy = {w.pipe: w for w in workers if w.job is not None or (not w.ready and waiting.waiting)}
            first_deadline_s = min(worker.deadline_s for worker in busy.values())
            ready = wait(list(busy), timeout=max(0.0, first_deadline_s - time.monotonic()))
            finished = [busy[cast(Connection, pipe)] for pipe in ready]
            late = [w for w in busy.values() if w not in finished and w.deadline_s <= time.monotonic()]
            for worker in finished + late:
                if not worker.ready:
                    _check_started(worker)
                    _give(worker, waiting, timeout_s)
                    continue
                job = worker.job
                assert job is not None
                outcome = _take(worker) if worker in finished else Lost(f"no result after {timeout_s:.0f} s")
                worker.job = None
                if isinstance(outcome, Lost) and not outcome.alive:
                    _stop(worker)
                    workers.remove(worker)
                    if waiting.waiting:
                        workers.append(_start(function, prepare))
                else:
                    _give(worker, waiting, timeout_s)
                yield job, outcome
        ready_ones = [worker for worker in workers if worker.ready]
        if idle is not None and ready_ones:
            idle.keep(ready_ones[0])
            workers.remove(ready_ones[0])
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
    return _Worker(process, ours, time.monotonic() + START_TIMEOUT_S)


def _check_started(worker: _Worker[J]) -> None:
    """A worker that cannot even start would be replaced for ever: stop with the reason instead."""
    try:
        if worker.pipe.poll() and worker.pipe.recv() == READY:
            worker.ready = True
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


def _give(worker: _Worker[J], waiting: _Queue[J], timeout_s: float) -> None:
    if waiting.waiting:
        worker.job = waiting.next()
        worker.deadline_s = time.monotonic() + timeout_s
        with suppress(OSError):  # a worker that died meanwhile: its job comes back as lost
            worker.pipe.send(worker.job)


def _take(worker: _Worker[J]) -> Any:
    try:
        return worker.pipe.recv()
    except (EOFError, OSError):
        worker.process.join(timeout=5)
        return Lost(f"the worker process ended unexpectedly (exit code {worker.process.exitcode})")


def _stop(worker: _Worker[J]) -> None:
    worker.pipe.close()
    if worker.process.is_alive():
        worker.process.terminate()
    worker.process.join(timeout=5)
    if worker.process.is_alive():
        worker.process.kill()
        worker.process.join()
